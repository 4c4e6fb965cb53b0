"""The hot paths do no more work for a job than they did: counted in instructions, never timed.

What is counted, and why it is the same on every machine, is said in ``tests/bench/counts.py``. The pins, one for each
version of Python, are copies of what was counted; they are renewed by ``python tests/bench counts --renew``.
"""

import gc
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench import counts


@pytest.mark.slow
def test_one_more_job_costs_as_many_instructions_as_pinned() -> None:
    """No hot path executes more instructions for a job than its pin and a tenth, nor so few that the pin is stale."""
    if counts.pinned() is None:
        pytest.skip(f"nothing is pinned for Python {counts.VERSION}")
    command = [sys.executable, str(Path(counts.__file__).parent), "counts"]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, f"{done.stdout}{done.stderr}To pin them anew: python tests/bench counts --renew"


def test_a_count_may_be_off_its_pin_by_a_tenth_either_way() -> None:
    """1,100 and 900 for a pin of 1,000 pass; one more, or one less, is told."""
    pins = {"mm3": 1000, "log": 1000}
    assert counts.too_far({"mm3": 1100, "log": 900}, pins) == []
    assert counts.too_far({"mm3": 1101, "log": 899}, pins) == [
        "mm3: 1101 instructions for each job, pinned at 1000",
        "log: 899 instructions for each job, pinned at 1000",
    ]


def test_what_is_added_to_a_path_is_counted() -> None:
    """A hundred turns of a loop more are as many instructions each time; in other files than asked for is nothing."""

    def turns(number: int) -> None:
        total = 0
        for one in range(number):
            total += one

    for _ in range(2):  # since 3.12 tracing itself has a first time
        first, second, third = (counts.count(lambda number=n: turns(number)) for n in (100, 200, 300))  # type: ignore[misc]
    assert third - second == second - first > 100
    assert counts.count(lambda: turns(100), within="emulator/record/") == 0


@pytest.fixture
def a_busy_collector() -> Iterator[list[str]]:
    """Let the collector run at every object that is made, and call Python code each time."""
    told: list[str] = []

    def tell(phase: str, about: dict[str, int]) -> None:
        told.append(phase)

    thresholds = gc.get_threshold()
    gc.callbacks.append(tell)
    gc.set_threshold(1)
    yield told
    gc.set_threshold(*thresholds)
    gc.callbacks.remove(tell)


def test_what_the_collector_calls_is_not_counted(a_busy_collector: list[str]) -> None:
    """A callback of the collector runs while objects are made, but not while they are counted; after it, again."""

    def lists(number: int) -> None:
        kept = []
        for _ in range(number):
            kept.append([])

    lists(10)
    assert a_busy_collector != []
    for _ in range(2):
        first, second, third = (counts.count(lambda number=n: lists(number)) for n in (100, 200, 300))  # type: ignore[misc]
    assert third - second == second - first > 100
    assert gc.isenabled()
