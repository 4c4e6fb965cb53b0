"""Small nights inside a comparison: what an event costs more there than in one long night."""

from typing import Any

import emulator
from bench.clocks import peak_memory, timed
from bench.judging import Claim, Measured, MismatchError, Round, Row
from bench.scenes import played, scene, whole

__all__ = ["ROW"]

JOBS = 40
NIGHTS = 600
LONG = 60_000


def settings(jobs: int) -> dict[str, Any]:
    """144 jobs an hour of a minute each on three workers, or on four."""
    return scene(
        lasts=f"{round(jobs / 0.04 * 1.1) + 1800}s",
        queues={"line": {}},
        pools={"dome": {"count": 3, "serves": ["line"]}},
        routines={"copy": {"queue": "line", "parts": [{"name": "do", "takes": {"mean": "60s", "law": "exponential"}}]}},
        arrivals=[{"routine": "copy", "name": "plates", "per_hour": 144, "count": jobs}],
        variants={"four": {"pools.dome.count": 4}},
    )


def small(nights: int) -> Measured:
    """Compare two variants over so many nights, on one process; the work is the events of all nights."""

    def compare(count: int) -> emulator.ComparisonResult:
        return emulator.compare(settings(JOBS), nights=count, processes=1, measures=["makespan", "wait_mean"])

    compare(2)  # what is loaded once
    _, seconds = timed(lambda: compare(nights))
    counted = [
        len(emulator.run(settings(JOBS), seed=1 + number, variant=variant).rows or ())
        for number in range(min(nights, 50))
        for variant in ("", "four")
    ]
    events = sum(counted) / len(counted) * 2 * nights
    return Measured(events, seconds, peak_memory(), {"events of a night": sum(counted) / len(counted)})


def long(jobs: int) -> Measured:
    """Run one long night of the same jobs; the work is its events."""
    wanted = settings(jobs)
    night, seconds = played(wanted, keep_events=False)
    if night.figure("done").value != jobs:
        raise MismatchError(f"{night.figure('done').value} of {jobs} jobs were done")
    events = len(emulator.run(wanted, seed=1).rows or ())
    return Measured(events, seconds, peak_memory(), {"events of a job": events / jobs})


def overhead(measured: Round) -> float:
    """Give by how much (in per cent) an event costs more inside a comparison of small nights."""
    return 100 * (measured["long"].rate / measured["small"].rate - 1)


def check(measured: Round) -> None:
    """Check that a job has about as many events in a small night as in a long one (a night begins and ends, too)."""
    small, long = measured["small"].facts["events of a night"] / JOBS, measured["long"].facts["events of a job"]
    if not long * 0.95 <= small <= long * 1.5:
        raise MismatchError(f"{small} and {long} events for a job")


ROW = Row(
    name="small",
    asks="nights of 40 jobs inside compare: what an event costs more than in one long night",
    unit="events",
    sides={
        "small": lambda scale: small(max(20, whole(NIGHTS * scale))),
        "long": lambda scale: long(whole(LONG * scale)),
    },
    check=check,
    claims=[Claim("more for each event", overhead, 50, 25, at_most=True, unit="%")],
)
