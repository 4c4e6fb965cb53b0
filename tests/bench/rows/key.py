"""A hundred thousand jobs wait on one busy key ahead of a thousand free ones, beside a thousand that wait on it."""

from typing import Any

from bench.clocks import Marks, peak_memory
from bench.judging import Claim, Measured, MismatchError, Round, Row, as_fast
from bench.scenes import played, scene, whole

__all__ = ["ROW"]

FEW, MANY = 1_000, 100_000
FREE = 1_000
TAKEN = 25_000
WORKERS = 20
BEGINS = 0.1


def settings(keyed: int, free: int, taken: int) -> dict[str, Any]:
    """One job has the key all night; so many wait for it, and behind them free ones, of which as many come as go."""
    hours = taken / ((WORKERS - 1) * 60)
    return scene(
        lasts=f"{round(hours * 3600)}s",
        queues={"night": {}},
        pools={"dome": {"count": WORKERS, "serves": ["night"]}},
        routines={
            "archive": {"queue": "night", "key": "archive", "parts": [{"name": "do", "takes": "5000h"}]},
            "free": {"queue": "night", "parts": [{"name": "do", "takes": {"mean": "60s", "law": "exponential"}}]},
        },
        arrivals=[
            {"routine": "archive", "name": "keyed", "at": "+0s", "count": keyed + 1},
            {"routine": "free", "name": "old", "at": "+1s", "count": free},
            {"routine": "free", "name": "new", "from": "+1s", "per_hour": (WORKERS - 1) * 60},
        ],
    )


def side(keyed: int, free: int, taken: int) -> Measured:
    """Measure the settled part of the run: how many were taken in it."""
    marks = Marks(BEGINS)
    night, _ = played(settings(keyed, free, taken), progress=marks)
    began = BEGINS * night.night.horizon
    out = sum(row[1] == "handed_out" and row[0] >= began for row in night.rows or ())
    waiting = night.figure("unfinished", entry="keyed").value
    done = night.figure("attempts", entry="keyed").value
    return Measured(out, marks.seconds, peak_memory(), {"taken": out, "keyed": [waiting, done], "wanted": keyed + 1})


def check(measured: Round) -> None:
    """Check that as many were taken, and that nobody who waits for the key got it."""
    for side, one in measured.items():
        if one.facts["keyed"] != [one.facts["wanted"], 1]:
            raise MismatchError(f"{side}: {one.facts}")
    if measured["few"].work != measured["many"].work:
        raise MismatchError(f"{measured['few'].work} were taken on one side and {measured['many'].work} on the other")


ROW = Row(
    name="key",
    asks="100,000 waiting on one busy key ahead of 1,000 free ones, beside 1,000 on the key",
    unit="jobs taken",
    sides={
        "many": lambda scale: side(whole(MANY * scale), whole(FREE * scale), whole(TAKEN * scale)),
        "few": lambda scale: side(whole(FEW * scale), whole(FREE * scale), whole(TAKEN * scale)),
    },
    check=check,
    claims=[Claim("as fast as with 1,000 on the key", as_fast("many", "few"), 0.6, 0.9)],
)
