"""A comparison on two processes, beside one, in seconds of real time: the work is shared, not saved."""

from time import perf_counter, process_time

import emulator
from bench.judging import Claim, Measured, Round, Row, as_fast, same
from bench.scenes import whole

__all__ = ["ROW"]

NIGHT = "scenarios/how-many-workers.yaml"
NIGHTS = 1_400


def side(processes: int, nights: int) -> Measured:
    """Compare over so many nights."""

    def compare(count: int) -> emulator.ComparisonResult:
        return emulator.compare(NIGHT, nights=count, processes=processes, measures=["makespan"])

    compare(2)  # what is loaded once
    began, worked = perf_counter(), process_time()
    result = compare(nights)
    seconds, worked = perf_counter() - began, process_time() - worked
    facts = {"verdict": result.sentence, "share of a processor": round(worked / seconds, 2)}
    return Measured(nights, seconds, 0, facts)


def check(measured: Round) -> None:
    """Check that both sides conclude the same."""
    same(measured, "verdict")


ROW = Row(
    name="processes",
    asks="compare on two processes, beside one, in real time (needs two quiet processors)",
    unit="nights of each variant",
    sides={
        "two": lambda scale: side(2, max(10, whole(NIGHTS * scale))),
        "one": lambda scale: side(1, max(10, whole(NIGHTS * scale))),
    },
    check=check,
    claims=[Claim("as fast as one process", as_fast("two", "one"), 1.7, 1.85)],
    clock="real",
)
