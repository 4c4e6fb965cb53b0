"""Runs scenarios for the reference tests, repeats them with other seeds, and compares figures with published values.

A scenario is made of the keys and values of a file, so that a user could write each of them. A published model in
equilibrium is met by leaving out the jobs of a first stretch: they come by an arrival entry of their own ("before"),
and figures are taken of the entry that follows it ("counted").
"""

import math
from collections.abc import Callable, Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import Any

from emulator.measure.figures import Figures, Selection, Where
from emulator.measure.fold import NightFold
from emulator.measure.night import FINISHED, FIRST_OUT, SUBMITTED, Night
from emulator.record.recorder import Recorder
from emulator.scenario.load import Loaded, from_settings
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

MINUTE = 60_000_000
HOUR = 60 * MINUTE
COUNTED = Where(entry="counted")


class Ran:
    """One night that has been run: its events, and the figures taken of them."""

    def __init__(self, loaded: Loaded, seed: int) -> None:
        recorder = Recorder()
        self.world = World(loaded, seed, Agenda(), recorder)
        self.world.start()
        self.world.run()
        self.world.close()
        self.rows = recorder.rows
        self.horizon = loaded.scenario.lasts

    @cached_property
    def night(self) -> Night:
        fold = NightFold(self.horizon, pools=self.world.pools_of_workers(), slots=self.world.slots())
        fold.feed_all(self.rows)
        return fold.close()

    def figure(self, name: str, where: Where | None = None) -> float:
        """Give a figure as a plain number; times are in ticks."""
        value = Figures(self.night, where).get(name).value
        assert value is not None
        return float(value)

    def of(self, kind: str) -> list[tuple[Any, ...]]:
        """Give the rows of one kind."""
        return [row for row in self.rows if row[1] == kind]

    def column(self, column: int, where: Where | None = None) -> list[int]:
        return Selection(self.night, where or Where()).column(column)

    def share_that_waited(self, where: Where) -> float:
        """Give the share of jobs that were not handed out at once."""
        pairs = list(zip(self.column(SUBMITTED, where), self.column(FIRST_OUT, where), strict=True))
        return sum(out != came for came, out in pairs) / len(pairs)

    def spells(self, begins: int = 0) -> dict[int, int]:
        """Give for how many ticks there were so many unfinished jobs, from a tick to the end."""
        ends = [end if end >= 0 else self.horizon for end in self.column(FINISHED)]
        changes = sorted([(at, 1) for at in self.column(SUBMITTED)] + [(at, -1) for at in ends])
        spent: dict[int, int] = {}
        number, before = 0, 0
        for at, change in [*changes, (self.horizon, 0)]:
            spell = at - max(before, begins)
            if spell > 0:
                spent[number] = spent.get(number, 0) + spell
            number, before = number + change, at
        return spent


def made(settings: Mapping[str, Any], folder: Path | str = ".") -> Loaded:
    """Make a scenario of the keys that a test is about; the others are the same for all."""
    whole = {"title": "A published model", "starts": "2026-01-01T00:00:00", **settings}
    return from_settings(whole, folder=folder)


def ran(settings: Mapping[str, Any], seed: int = 1, folder: Path | str = ".") -> Ran:
    return Ran(made(settings, folder), seed)


def station(
    takes: Any, *, per_hour: float = 0.0, jobs: int = 0, before: int = 0, count: int = 1, **more: Any
) -> dict[str, Any]:
    """Write a scenario of one pool and one routine with Poisson arrivals: some before, then those that are counted.

    ``queue``, ``pool``, ``routine`` and ``part`` add keys to those; anything else is a key of the scenario.
    """
    part = {"name": "do", "takes": takes, **more.pop("part", {})}
    first, last = f"+{_whole(before / per_hour)}s" if per_hour else "+0s", _whole((before + jobs) / (per_hour or 1))
    arrivals: list[dict[str, Any]] = []
    if before:
        arrivals.append({"routine": "work", "name": "before", "per_hour": per_hour, "until": first})
    if jobs:
        arrivals.append(
            {"routine": "work", "name": "counted", "per_hour": per_hour, "from": first, "until": f"+{last}s"}
        )
    return {
        "lasts": f"{last}s",
        "queues": {"line": {**more.pop("queue", {})}},
        "pools": {"dome": {"count": count, "serves": ["line"], **more.pop("pool", {})}},
        "routines": {"work": {"queue": "line", "parts": [part], **more.pop("routine", {})}},
        "arrivals": arrivals,
        **more,
    }


def _whole(hours: float) -> int:
    return math.ceil(hours * 3600)


def exponential(mean: str) -> dict[str, str]:
    return {"mean": mean, "law": "exponential"}


def replicated(
    settings: Mapping[str, Any], take: Callable[[Ran], Sequence[float]], runs: int, first_seed: int = 1
) -> list[list[float]]:
    """Run a scenario with so many seeds; give the values of each thing taken, one list for each thing."""
    loaded = made(settings)
    return [list(values) for values in zip(*(take(Ran(loaded, first_seed + n)) for n in range(runs)), strict=True)]


def mean_and_error(values: Sequence[float]) -> tuple[float, float]:
    """Give the mean and its standard error."""
    mean = math.fsum(values) / len(values)
    return mean, math.sqrt(math.fsum((x - mean) ** 2 for x in values) / (len(values) - 1) / len(values))


def holds(values: Sequence[float], published: float, sharp: float = 0.08) -> None:
    """Assert that the mean lies within 4 standard errors of the value, and that this says something.

    ``sharp``: the standard error must not be above this share of the value, else the check would be a blunt one.
    """
    mean, error = mean_and_error(values)
    assert error <= sharp * abs(published), f"too blunt: {mean} +- {error} for {published}"
    assert abs(mean - published) <= 4 * error, f"{mean} +- {error}, published {published}"


def holds_share(hits: int, of: int, published: float) -> None:
    """Assert that a share lies within 4 binomial standard errors of a probability."""
    error = math.sqrt(published * (1 - published) / of)
    assert abs(hits / of - published) <= 4 * error, f"{hits / of} +- {error}, published {published}"
