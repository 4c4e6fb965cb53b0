"""Up to how much more work does a table hold? Nights are really played with more, and their false alarms counted.

Counts and rates of arrivals are raised, each entry by the same factor; what comes by a fixed gap, a recurrence or a
trace stays as it is, and is named. The table holds as long as the nights do not show that more than the promised share
of quiet ones alarm: the exact interval (95 %) of their share begins at or below it. The first growth at which it fails
ends the search.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from typing import Any, Final

from emulator.experiment.settings import setting_of
from emulator.experiment.watched_nights import Watch
from emulator.measure.comparison.intervals import share_interval
from emulator.outlook.found import Part
from emulator.outlook.table import Table
from emulator.scenario.load import Loaded

__all__ = ["Grown", "Growth", "growth_of"]

FACTORS: Final = tuple(map(Fraction, ("1.05", "1.1", "1.2", "1.3", "1.5", "2")))
_CONFIDENCE: Final = 0.95


@dataclass(frozen=True, slots=True)
class Grown:
    """The quiet nights with so much more work.

    Attributes:
        more: the growth, as a share of the work of today.
        alarms: how many of how many alarm.
        holds: whether the table still holds.
    """

    more: float
    alarms: Part
    holds: bool


@dataclass(frozen=True, slots=True)
class Growth:
    """How a table holds while the work grows.

    Attributes:
        tried: each growth that was tried, the smallest first.
        fixed: arrival entries that were not raised.
        grows: whether any entry was raised.
    """

    tried: Sequence[Grown]
    fixed: Sequence[str]
    grows: bool

    @property
    def up_to(self) -> float:
        """The largest growth up to which the table holds; 0 where it fails at the first."""
        return max((one.more for one in self.tried if one.holds), default=0.0)


def growth_of(
    loaded: Loaded, table: Table, watch: Watch, done: Callable[[int], None], first_seed: int, nights: int
) -> Growth:
    """Play nights with more and more work, each with seeds of its own.

    Args:
        loaded: the scenario. table: its thresholds.
        watch: what plays nights. done: told how many were played.
        first_seed: the first seed that no other night has.
        nights: how many nights are played with each growth, quiet or not.
    """
    fixed = [name for name, patch in _entries(loaded, FACTORS[0]) if not patch]
    tried: list[Grown] = []
    if len(fixed) == len(loaded.scenario.arrivals):
        return Growth((), tuple(fixed), grows=False)
    for factor in FACTORS:
        patch = {path: value for _, its in _entries(loaded, factor) for path, value in its.items()}
        setting = setting_of(loaded, f"work times {factor}", patch)
        played = watch.nights(setting, range(first_seed, first_seed + nights), done)
        first_seed += nights
        quiet = [night for night in played if night.is_quiet]
        alarms = sum(table.first_alarm(night) is not None for night in quiet)
        interval = share_interval(alarms, len(quiet), _CONFIDENCE) if quiet else None
        holds = interval is not None and (interval.low or 0.0) <= table.share
        tried.append(Grown(float(factor - 1), Part(alarms, len(quiet), interval), holds))
        if not holds:
            break
    return Growth(tuple(tried), tuple(fixed), grows=True)


def _entries(loaded: Loaded, factor: Fraction) -> list[tuple[str, dict[str, Any]]]:
    """Give each arrival entry by name, and the patch that raises it; none for one that cannot be raised."""
    found = []
    for place, entry in enumerate(loaded.scenario.arrivals):
        patch: dict[str, Any] = {}
        if entry.count is not None and (entry.per_hour is None):
            patch[f"arrivals.{place}.count"] = ceil(entry.count * factor)
        elif isinstance(entry.per_hour, float):
            patch[f"arrivals.{place}.per_hour"] = float(entry.per_hour * factor)
        found.append((entry.name or entry.routine, patch))
    return found
