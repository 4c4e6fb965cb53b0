"""What the pytest plugin costs a suite that does not use it."""

import sys
import tempfile
from pathlib import Path

from bench.clocks import seconds_of_command
from bench.judging import Claim, Measured, MismatchError, Round, Row
from bench.scenes import whole

__all__ = ["ROW"]

TESTS = 600
SUITE = """
import asyncio
import pytest

@pytest.mark.asyncio
@pytest.mark.parametrize("number", range({tests}))
async def test_unrelated(number):
    queue = asyncio.Queue()
    await queue.put(number)
    await asyncio.sleep(0)
    assert await queue.get() == number
"""


def side(tests: int, *options: str) -> Measured:
    """Run a suite of unrelated async tests, once before it counts."""
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:hypothesispytest", *options]
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "test_unrelated.py").write_text(SUITE.format(tests=tests))
        (Path(folder) / "pytest.ini").write_text("[pytest]\nasyncio_default_fixture_loop_scope = function\n")
        seconds_of_command(command, folder)
        seconds, printed = seconds_of_command(command, folder)
    if f"{tests} passed" not in printed:
        raise MismatchError(printed)
    return Measured(tests, seconds)


def cost(measured: Round) -> float:
    """Give by how many per cent the suite is slower with the plugin."""
    return 100 * (measured["without"].rate / measured["with"].rate - 1)


def check(measured: Round) -> None:
    """Check that as many tests ran on both sides (each has seen all of its own pass)."""
    if measured["with"].work != measured["without"].work:
        raise MismatchError(f"not as many tests on both sides: {measured}")


ROW = Row(
    name="plugin",
    asks="a suite of 600 unrelated async tests with the pytest plugin, beside without",
    unit="tests",
    sides={
        "with": lambda scale: side(whole(TESTS * scale)),
        "without": lambda scale: side(whole(TESTS * scale), "-p", "no:queuedrill"),
    },
    check=check,
    claims=[Claim("slower", cost, 3, at_most=True, unit="%")],
)
