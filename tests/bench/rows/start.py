"""Starting the program: its help, and a first scenario, beside an interpreter that does nothing."""

import sys
from collections.abc import Callable

from bench.clocks import seconds_of_command
from bench.judging import Claim, Measured, MismatchError, Round, Row
from bench.scenes import whole

__all__ = ["ROW"]

TIMES = 20
FIRST = "scenarios/worker-lost-mid-run.yaml"


def side(command: list[str], says: str, times: int) -> Measured:
    """Start a command so many times, once before it counts."""
    command = [sys.executable, *command]
    seconds = [seconds_of_command(command, ".") for _ in range(times + 1)][1:]
    if not all(says in printed for _, printed in seconds):
        raise MismatchError(f"{command} does not print {says!r}: {seconds[0][1]}")
    return Measured(times, sum(took for took, _ in seconds))


def slower(one: str) -> Callable[[Round], float]:
    """Say how many times the processor seconds of an idle interpreter a command takes."""
    return lambda measured: measured["bare"].rate / measured[one].rate


def check(measured: Round) -> None:
    """Check that each command was started as often (each side has looked at what it printed)."""
    if len({one.work for one in measured.values()}) != 1:
        raise MismatchError(f"not as many starts on every side: {measured}")


ROW = Row(
    name="start",
    asks="queuedrill --help, and queuedrill run of the first scenario, beside python -c pass",
    unit="starts",
    sides={
        "bare": lambda scale: side(["-c", "pass"], "", whole(TIMES * scale)),
        "help": lambda scale: side(["-m", "emulator", "--help"], "Usage", whole(TIMES * scale)),
        "run": lambda scale: side(["-m", "emulator", "run", FIRST], "The night fits", whole(TIMES * scale)),
    },
    check=check,
    claims=[
        Claim("an idle interpreter's time, for --help", slower("help"), 3, 2, at_most=True),
        Claim("an idle interpreter's time, for a run", slower("run"), 10, 7, at_most=True),
    ],
)
