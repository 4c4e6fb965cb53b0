"""What a table of thresholds finds in nights that had no part in it, up to how much more work, and which answer helps.

The law: an alarm is found in time when it comes at or after the first fault and before the miss, which is the moment
from which on a requirement could no longer be met. An alarm before the fault is luck, and one after the miss is late. A
bad night that is not found in time counts with a lead of nothing: leads are of all bad nights of a cause.

Counts and rates of arrivals are raised, each entry by the same factor; what comes by a fixed gap, a recurrence or a
trace stays as it is, and is named. The table holds as long as the nights do not show that more than the promised share
of quiet ones alarm: the exact interval (95 %) of their share begins at or below it. The first growth at which it fails
ends the search.

The bad nights of the report are played again, with the same draws, under each question that changes what people may
choose. Where a question adds an action at a time, it is moved to each full hour of the night: it helps until the last
hour at which it still saves half of the nights that it saves at its best one.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from typing import Any, Final

from emulator.errors import ScenarioError
from emulator.experiment.settings import Setting, setting_of
from emulator.experiment.watched_nights import Watch
from emulator.measure.comparison.intervals import Interval, share_interval
from emulator.measure.signals import Signal, WatchedNight
from emulator.outlook.table import Table, quantile
from emulator.scenario.load import Loaded
from emulator.scenario.variants import Asked, changed_keys, changes_the_world
from emulator.timeline.ticks import say

__all__ = [
    "NO_FAULT",
    "CauseFound",
    "Found",
    "Grown",
    "Growth",
    "Help",
    "Moved",
    "Part",
    "SignalFound",
    "found_of",
    "growth_of",
    "helps_of",
]


NO_FAULT = "no fault before the miss"
_CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Part:
    """So many of so many nights, with the exact interval (95 %) of the share; None where there is no night."""

    count: int
    of: int
    interval: Interval | None


@dataclass(frozen=True, slots=True)
class CauseFound:
    """Bad nights whose first fault is the same.

    Attributes:
        cause: that fault, by its name or kind.
        bad: how many bad nights. found: in how many of them an alarm came in time.
        lead_median, lead_p10: from the alarm to the miss, in ticks: half, and nine of ten, have at least this.
        left_median: the lead as a share of the time from the fault to the miss; None where no fault came before.
    """

    cause: str
    bad: int
    found: int
    lead_median: int
    lead_p10: int
    left_median: float | None


@dataclass(frozen=True, slots=True)
class SignalFound:
    """What one signal of the table does.

    Attributes:
        signal: which. found: in how many bad nights it alarms in time, whatever others do.
        first: in how many of those no other is earlier.
        quiet: in how many quiet nights it alarms.
    """

    signal: Signal
    found: int
    first: int
    quiet: int

    @property
    def is_useless(self) -> bool:
        """Whether it finds nothing."""
        return self.found == 0


@dataclass(frozen=True, slots=True)
class Found:
    """What the table does in the nights of the report.

    Attributes:
        quiet: quiet nights with an alarm: false alarms. survived: nights with a fault that met every requirement.
        bad: nights that missed a requirement with an alarm at any time. in_time: of these, in time.
        causes: by cause, that with the most bad nights first.
        signals: in the order of the table.
    """

    quiet: Part
    survived: Part
    bad: Part
    in_time: Part
    causes: Sequence[CauseFound]
    signals: Sequence[SignalFound]


def found_of(table: Table, nights: Sequence[WatchedNight], names: Mapping[str, str]) -> Found:
    """Say what a table finds in nights that had no part in it.

    Args:
        table: the thresholds.
        nights: those of the report.
        names: what each fault is called, by its place in the scenario.
    """
    quiet = [night for night in nights if night.is_quiet]
    bad = [night for night in nights if night.missed_at is not None]
    survived = [night for night in nights if not night.is_quiet and night.missed_at is None]
    leads: dict[str, list[tuple[int, float | None]]] = {}
    found, first = dict.fromkeys(table.signals, 0), dict.fromkeys(table.signals, 0)
    for night in bad:
        assert night.missed_at is not None
        cause, since = cause_of(night, names)
        alarms = {signal: at for signal, at in table.alarms(night, since).items() if at < night.missed_at}
        earliest = min(alarms.values(), default=night.missed_at)
        for signal, at in alarms.items():
            found[signal] += 1
            first[signal] += at == earliest
        lead = night.missed_at - earliest
        leads.setdefault(cause, []).append((lead, None if cause == NO_FAULT else lead / (night.missed_at - since)))
    in_time = sum(lead > 0 for some in leads.values() for lead, _ in some)
    false = [table.alarms(night) for night in quiet]
    return Found(
        quiet=_part(sum(map(bool, false)), len(quiet)),
        survived=_part(sum(table.first_alarm(night) is not None for night in survived), len(survived)),
        bad=_part(sum(table.first_alarm(night) is not None for night in bad), len(bad)),
        in_time=_part(in_time, len(bad)),
        causes=sorted((_cause(cause, some) for cause, some in leads.items()), key=lambda one: (-one.bad, one.cause)),
        signals=tuple(
            SignalFound(signal, found[signal], first[signal], sum(signal in alarms for alarms in false))
            for signal in table.signals
        ),
    )


def cause_of(night: WatchedNight, names: Mapping[str, str]) -> tuple[str, int]:
    """Give the first fault of a bad night that struck before the miss, by name, and its tick; 0 where none did."""
    assert night.missed_at is not None
    at, _, place = next((fault for fault in night.faults if fault[0] < night.missed_at), (0, "", ""))
    return (names[place], at) if place else (NO_FAULT, 0)


def _cause(cause: str, leads: Sequence[tuple[int, float | None]]) -> CauseFound:
    ordered = sorted(-lead for lead, _ in leads)  # the longest first: half have at least the one in the middle
    left = sorted(-share for _, share in leads if share is not None)
    return CauseFound(
        cause=cause,
        bad=len(leads),
        found=sum(lead > 0 for lead, _ in leads),
        lead_median=-round(quantile(ordered, 0.5)),
        lead_p10=-round(quantile(ordered, 0.9)),
        left_median=-quantile(left, 0.5) if left else None,
    )


def _part(count: int, of: int) -> Part:
    return Part(count, of, share_interval(count, of, _CONFIDENCE) if of else None)


FACTORS: Final = tuple(map(Fraction, ("1.05", "1.1", "1.2", "1.3", "1.5", "2")))


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
