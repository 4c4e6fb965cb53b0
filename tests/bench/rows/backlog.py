"""Taking jobs with a long backlog of many kinds, beside a short one."""

from typing import Any

from bench.clocks import Marks, peak_memory
from bench.judging import Claim, Measured, MismatchError, Round, Row, as_fast
from bench.rows import mm3
from bench.scenes import played, scene, whole

__all__ = ["ROW"]

FEW, MANY = 1_000, 100_000
TAKEN = 25_000
TOOLS = ("arm", "lamp", "tape")
SETS = [[tool for place, tool in enumerate(TOOLS) if number >> place & 1] for number in range(8)]
WORKERS = (8, 14, 14, 30, 14, 30, 30, 60)  # for each set so many that have just that; 200 in all
BEGINS = 0.1


def settings(waiting: int, taken: int) -> dict[str, Any]:
    """So many wait from the start, and as many come as can be done, until about so many have been taken."""
    hours = taken / (200 * 60)  # a minute each
    routines, arrivals, pools = {}, [], {}
    for number, (needs, count) in enumerate(zip(SETS, WORKERS, strict=True)):
        part = {"name": "do", "takes": {"mean": "60s", "law": "exponential"}}
        routines[f"kind-{number}"] = {"queue": "night", "requires": needs, "parts": [part]}
        pools[f"place-{number}"] = {"count": count, "serves": ["night"], "equipped_with": needs}
        for priority in range(3):
            one = {"routine": f"kind-{number}", "priority": priority}
            share = waiting // 24 + (number * 3 + priority < waiting % 24)
            arrivals.append({**one, "name": f"old-{number}-{priority}", "at": "+0s", "count": share})
            arrivals.append({**one, "name": f"new-{number}-{priority}", "per_hour": 200 * 60 / 24})
    return scene(
        lasts=f"{round(hours * 3600)}s", queues={"night": {}}, pools=pools, routines=routines, arrivals=arrivals
    )


def side(waiting: int, taken: int) -> Measured:
    """Measure the settled part of the run: how many were taken in it."""
    marks = Marks(BEGINS)
    night, _ = played(settings(waiting, taken), progress=marks)
    began = BEGINS * night.night.horizon
    rows = night.rows or ()
    out = sum(row[1] == "handed_out" and row[0] >= began for row in rows)
    left = sum(row[1] == "submitted" for row in rows) - sum(row[1] == "handed_out" for row in rows)
    return Measured(out, marks.seconds, peak_memory(), {"waiting": waiting, "waiting at the end": left})


def check(measured: Round) -> None:
    """Check that as many were taken (but for chance), and that the backlog was there to the end."""
    few, many = measured["few"], measured["many"]
    if abs(many.work - few.work) > 0.05 * many.work:
        raise MismatchError(f"{many.work} were taken on one side and {few.work} on the other")
    for side, one in (("few", few), ("many", many)):
        before, after = one.facts["waiting"], one.facts["waiting at the end"]
        if abs(after - before) > 8 * (2 * many.work) ** 0.5 + 200:
            raise MismatchError(f"{side}: {before} waited at the start, {after} at the end")


ROW = Row(
    name="backlog",
    asks="taking jobs with 100,000 waiting in 3 priorities and 8 sets of requirements, 200 workers, beside 1,000",
    unit="jobs taken",
    sides={
        "many": lambda scale: side(whole(MANY * scale), whole(TAKEN * scale)),
        "few": lambda scale: side(whole(FEW * scale), whole(TAKEN * scale)),
        "mm3": lambda scale: mm3.ours(whole(mm3.JOBS * scale)),
    },
    check=check,
    claims=[
        Claim("as fast as with 1,000 waiting", as_fast("many", "few"), 0.6, 0.9),
        Claim("of the rate of M/M/3", as_fast("many", "mm3"), 0.4),
    ],
)
