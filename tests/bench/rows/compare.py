"""A short comparison on two processes, beside one, in seconds of real time: nothing is to be lost by asking for two."""

from time import perf_counter
from typing import Any

import emulator
from bench.judging import Claim, Measured, Round, Row, as_fast, same
from bench.scenes import scene, whole

__all__ = ["ROW"]

NIGHTS = 40


def settings() -> dict[str, Any]:
    """60 jobs at once on three workers, on four, or on five."""
    return scene(
        lasts="8h",
        queues={"line": {}},
        pools={"dome": {"count": 3, "serves": ["line"]}},
        routines={"copy": {"queue": "line", "parts": [{"name": "do", "takes": {"median": "4m", "p95": "9m"}}]}},
        arrivals=[{"routine": "copy", "name": "plates", "count": 60, "at": "+0s"}],
        variants={"four": {"pools.dome.count": 4}, "five": {"pools.dome.count": 5}},
        must_hold=[{"measure": "makespan", "at_most": "3h", "in_share": 0.8}],
    )


def side(processes: int, nights: int) -> Measured:
    """Compare three variants over so many nights."""
    emulator.compare(settings(), nights=2, processes=processes)  # what is loaded once
    began = perf_counter()
    result = emulator.compare(settings(), nights=nights, processes=processes)
    return Measured(nights, perf_counter() - began, 0, {"verdict": result.sentence})


def check(measured: Round) -> None:
    """Check that both sides conclude the same."""
    same(measured, "verdict")


ROW = Row(
    name="compare",
    asks="a short comparison on two processes, beside one, in real time (needs two quiet processors)",
    unit="nights of each variant",
    sides={
        "two": lambda scale: side(2, max(10, whole(NIGHTS * scale))),
        "one": lambda scale: side(1, max(10, whole(NIGHTS * scale))),
    },
    check=check,
    claims=[Claim("as fast as one process", as_fast("two", "one"), 1.0, 1.6)],
    clock="real",
)
