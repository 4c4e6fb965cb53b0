"""Which answer helps, and until when? The questions of a scenario, asked of the bad nights themselves.

The bad nights of the report are played again, with the same draws, under each question that changes what people may
choose. Where a question adds an action at a time, it is moved to each full hour of the night: it helps until the last
hour at which it still saves half of the nights that it saves at its best one.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from emulator.errors import ScenarioError
from emulator.experiment.settings import Setting, setting_of
from emulator.experiment.watched_nights import Watch
from emulator.measure.signals import WatchedNight
from emulator.outlook.table import Table
from emulator.scenario.load import Loaded
from emulator.scenario.variants import Asked
from emulator.scenario.what_ifs import changed_keys, changes_the_world
from emulator.timeline.ticks import say

__all__ = ["Help", "Moved", "helps_of"]

MOST_BAD: Final = 30
"""So many bad nights are played again at most, those with the lowest seeds."""


@dataclass(frozen=True, slots=True)
class Moved:
    """The action at another time: when, as a tick and as the clock shows it, and how many nights it saves."""

    at: int
    clock: str
    saved: int


@dataclass(frozen=True, slots=True)
class Help:
    """What one question would save.

    Attributes:
        ask: the question.
        of: how many bad nights were played again.
        saved: how many of them meet every requirement, with the question as it is asked.
        moved: the same at each full hour, where it is an action at a time; else empty.
    """

    ask: str
    of: int
    saved: int
    moved: Sequence[Moved]

    @property
    def until(self) -> Moved | None:
        """The last hour at which it still saves half of what it saves at best; None where it saves nothing."""
        best = max((one.saved for one in self.moved), default=0)
        return next((one for one in reversed(self.moved) if best and 2 * one.saved >= best), None)


def helps_of(
    loaded: Loaded, table: Table, watch: Watch, done: Callable[[int], None], bad: Sequence[WatchedNight]
) -> tuple[Help, ...]:
    """Say what each question of a scenario would save of some bad nights.

    Args:
        loaded: the scenario. table: its thresholds, for the hours.
        watch: what plays nights. done: told how many were played.
        bad: nights that missed a requirement, as written.
    """
    seeds = [night.seed for night in bad[:MOST_BAD]]
    found = []
    for asked in loaded.questions if seeds else ():
        if any(changes_the_world(key) for key in changed_keys(loaded.scenario, asked.scenario)):
            continue  # nobody can choose it

        def saved(setting: Setting) -> int:
            return sum(night.missed_at is None for night in watch.nights(setting, seeds, done))

        its = saved(setting_of(loaded, asked.ask, asked.patch))
        moved = []
        for hour in table.hours:
            setting = _moved(loaded, asked, hour.begins)
            if setting is not None:
                moved.append(Moved(hour.begins, hour.clock, saved(setting)))
        found.append(Help(asked.ask, len(seeds), its, tuple(moved)))
    return tuple(found)


def _moved(loaded: Loaded, asked: Asked, at: int) -> Setting | None:
    """Give the question with the actions that it adds moved so that the first is at a tick; None if that cannot be."""
    before = loaded.scenario.actions
    new = [place for place, action in enumerate(asked.scenario.actions) if action not in before]
    if not new:
        return None
    first = min(asked.scenario.actions[place].at for place in new)
    patch: dict[str, Any] = dict(asked.patch)
    for place in new:
        patch[f"actions.{place}.at"] = f"+{say(at + asked.scenario.actions[place].at - first)}"
    try:
        return setting_of(loaded, asked.ask, patch)
    except ScenarioError:
        return None  # such as an end before the beginning
