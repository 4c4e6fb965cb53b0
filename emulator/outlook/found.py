"""What did the table find in nights that had no part in it? Shares, leads by cause, and what each signal adds.

The law: an alarm is found in time when it comes at or after the first fault and before the miss, which is the moment
from which on a requirement could no longer be met. An alarm before the fault is luck, and one after the miss is late. A
bad night that is not found in time counts with a lead of nothing: leads are of all bad nights of a cause.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from emulator.measure.comparison.interval import Interval
from emulator.measure.comparison.intervals import share_interval
from emulator.measure.signals import Signal, WatchedNight
from emulator.outlook.shape import quantile
from emulator.outlook.table import Table

__all__ = ["NO_FAULT", "CauseFound", "Found", "Part", "SignalFound", "found_of"]

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
