"""Ten thousand workers, most of them idle and asking every ten seconds, beside a hundred."""

from typing import Any

from bench.clocks import peak_memory
from bench.judging import Claim, Measured, MismatchError, Round, Row, as_fast
from bench.scenes import played, scene, whole

__all__ = ["ROW"]

FEW, MANY = 100, 10_000
JOBS = 50_000


def settings(workers: int, jobs: int) -> dict[str, Any]:
    """360 jobs an hour of a minute each: six workers are busy."""
    return scene(
        lasts=f"{round(jobs * 10 * 1.05) + 3600}s",
        queues={"night": {}},
        pools={"dome": {"count": workers, "serves": ["night"], "poll": "10s"}},
        routines={
            "copy": {"queue": "night", "parts": [{"name": "do", "takes": {"mean": "60s", "law": "exponential"}}]}
        },
        arrivals=[{"routine": "copy", "name": "plates", "per_hour": 360, "count": jobs}],
    )


def side(workers: int, jobs: int) -> Measured:
    """Run it whole, switching the workers on included."""
    night, seconds = played(settings(workers, jobs))
    done = int(night.figure("done").value or 0)
    longest = float(night.figure("wait_longest").value or 0) / 1e6
    return Measured(done, seconds, peak_memory(), {"jobs": jobs, "longest wait": longest})


def check(measured: Round) -> None:
    """Check that every job was done, and that none waited for longer than until the next worker asked."""
    for side, one in measured.items():
        if one.work != one.facts["jobs"] or one.facts["longest wait"] > 10:
            raise MismatchError(f"{side}: {one.work} done, {one.facts}")


ROW = Row(
    name="idle",
    asks="10,000 workers, most of them idle, polling every 10 s, beside 100",
    unit="jobs",
    sides={
        "many": lambda scale: side(max(FEW, whole(MANY * scale)), whole(JOBS * scale)),
        "few": lambda scale: side(FEW, whole(JOBS * scale)),
    },
    check=check,
    claims=[Claim("as fast as with 100 workers", as_fast("many", "few"), 0.6, 0.9)],
)
