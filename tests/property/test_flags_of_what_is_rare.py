"""What is rare stands behind flags; with every flag forced to the complete path, the same events come.

A flag that says "nothing rare here" lets a hot function take the ordinary path. The complete path has to do the same
for what is ordinary. Not forced is ``Worker.is_plain``: a worker whose messages take no time is foreseen to ask, and
one whose messages may be late or lost sends numbered requests, so that the fates of its later messages have other keys.
"""

from collections.abc import Callable
from functools import cache
from typing import Any

import pytest
from random_nights.generator import night
from random_nights.play import MODES, loaded, play

from emulator.record.events import Row
from emulator.scenario.load import Loaded
from emulator.world.arrivals import Entry
from emulator.world.plan import ReadyPart, ReadyRoutine
from emulator.world.worker import Worker

pytestmark = pytest.mark.slow

NIGHTS = range(1, 61)

FLAGS: dict[str, tuple[type, Callable[[Any], Any]]] = {
    "is_steady": (Worker, lambda is_so: False),
    "looks_at_end": (Worker, lambda is_so: True),
    "result_loss": (Worker, lambda share: share or 1e-300),  # no uniform lies below that: nothing is lost
    "just_takes": (ReadyPart, lambda is_so: False),
    "at": (ReadyPart, lambda quantile: None),
    "fixed": (ReadyPart, lambda ticks: None),
    "may_fail": (ReadyPart, lambda is_so: True),
    "source": (Entry, lambda of_every_job: None),
    "steps": (ReadyRoutine, lambda of_every_job: None),
}
"""For each flag whose it is, and what makes the complete path of each value of it."""


@cache
def nights() -> tuple[tuple[int, Loaded], ...]:
    return tuple((number, loaded(night(number))) for number in NIGHTS)


def played() -> list[list[Row]]:
    """Play the nights, one after the other in the two modes of heartbeats."""
    return [play(read, number, MODES[number % 2]) for number, read in nights()]


as_it_is = cache(played)


@pytest.mark.parametrize("flag", FLAGS)
def test_the_complete_path_gives_the_events_of_the_ordinary_one(monkeypatch: pytest.MonkeyPatch, flag: str) -> None:
    """Sixty random nights are the same to the last event when one flag never says that something is ordinary."""
    expected = as_it_is()
    owner, complete = FLAGS[flag]
    slot, forced = owner.__dict__[flag], 0

    def get(one: object) -> Any:
        nonlocal forced
        value = slot.__get__(one, owner)
        forced += value != complete(value)
        return complete(value)

    monkeypatch.setattr(owner, flag, property(get, lambda one, value: slot.__set__(one, value)))
    found = played()
    assert [number for number, rows, others in zip(NIGHTS, expected, found, strict=True) if rows != others] == []
    assert forced > 100


def test_a_path_that_differs_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """A flag that is forced to the wrong side gives other events, so that the comparison is one."""
    expected = as_it_is()
    monkeypatch.setattr(ReadyPart, "leaves_at_end", property(lambda one: False, lambda one, value: None))
    assert played() != expected
