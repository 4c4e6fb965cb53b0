"""When does something that recurs come, in ticks of one scenario?

Two notations: an RFC 5545 rule (``FREQ=DAILY;BYHOUR=22;BYMINUTE=0``) and a five-field POSIX crontab line
(``0 22 * * 1-5``). Days can be excluded: by date, by weekday, or by a recurrence of their own.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Final

from emulator.scenario.clock import Clock
from emulator.scenario.crontab import check_crontab, crontab_ticks
from emulator.scenario.durations import LONGEST
from emulator.scenario.recurrence_rule import parse_rule, rule_ticks
from emulator.timeline.ticks import DAY, MINUTE, SECOND

__all__ = ["MOST_OCCURRENCES", "Occurrence", "hints", "occurrences", "too_often", "validate", "validate_excluded"]

MOST_OCCURRENCES: Final = 600_000
"""How often one rule may fire in one run: a little more than every minute of a year."""

_WEEKDAYS: Final = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_DATE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)


@dataclass(frozen=True, slots=True)
class Occurrence:
    """One time at which a recurrence comes: its tick, and the local time with offset that people read."""

    nominal_tick: int
    label: str


def validate(rule_text: str) -> None:
    """Accept a recurrence in either notation, or say what is wrong with it.

    Raises:
        ValueError: naming what stands there and what to write.

    >>> validate("FREQ=DAILY;BYHOUR=22;BYMINUTE=0")
    >>> validate("@daily")
    Traceback (most recent call last):
    ...
    ValueError: '@daily' is no recurrence: write five crontab fields (0 22 * * 1-5) or FREQ=DAILY;BYHOUR=22;BYMINUTE=0
    """
    if "=" in rule_text:
        parse_rule(rule_text)
    elif len(rule_text.split()) > 1:
        check_crontab(rule_text)
    else:
        shown = repr(rule_text) if len(rule_text) <= 60 else repr(rule_text[:57]) + "..."
        raise ValueError(
            f"{shown} is no recurrence: write five crontab fields (0 22 * * 1-5) or FREQ=DAILY;BYHOUR=22;BYMINUTE=0"
        )


def validate_excluded(item: str) -> None:
    """Accept one entry of excluded days: a date, an English weekday (``Saturday``, ``sat``) or a recurrence.

    Raises:
        ValueError: naming what stands there and what to write.

    >>> validate_excluded("2026-12-24"), validate_excluded("Saturday")
    (None, None)
    """
    if _DATE.fullmatch(item):
        try:
            date.fromisoformat(item)
        except ValueError:
            raise ValueError(f"{item!r} is no date: no calendar shows it") from None
    elif "=" in item or len(item.split()) > 1:
        validate(item)
    elif _weekday(item) is None:
        raise ValueError(f"{item[:40]!r} is no excluded day: write 2026-12-24, Saturday or a recurrence")


def hints(rule_text: str, clock: Clock, from_tick: int = 0) -> list[str]:
    """List what a writer may not expect of a valid rule: BYHOUR alone takes minute and second from the start.

    >>> from datetime import datetime
    >>> hints("FREQ=DAILY;BYHOUR=22", Clock(datetime(2026, 6, 12, 21, 30), "America/Santiago"))
    ['FREQ=DAILY;BYHOUR=22 takes its minute from the start: it comes at 22:30; for the full hour write BYMINUTE=0']
    """
    if "=" not in rule_text:
        return []
    rule, minute = parse_rule(rule_text), clock.local(from_tick).minute
    if not minute or "BYHOUR" not in rule.by or "BYMINUTE" in rule.by or rule.frequency in ("HOURLY", "MINUTELY"):
        return []
    comes = f"{rule.by['BYHOUR'][0]:02}:{minute:02}"
    return [f"{rule_text} takes its minute from the start: it comes at {comes}; for the full hour write BYMINUTE=0"]


def occurrences(
    rule_text: str, clock: Clock, until_tick: int, *, from_tick: int = 0, excluded: Sequence[str] = ()
) -> list[Occurrence]:
    """List the occurrences of a recurrence in [from_tick, until_tick), in order, no instant twice.

    For a rule, ``from_tick`` is RFC 5545's DTSTART: it gives the parts of the time that the rule leaves open, and COUNT
    and INTERVAL count from it; it is an occurrence only if the rule matches it. Excluded days are local days; what
    falls on one is dropped after COUNT has counted it.

    Raises:
        ValueError: for a bad rule or entry, for a rule that comes more than 600,000 times, and for an end more than
            100 years after the start.

    >>> from datetime import datetime
    >>> clock = Clock(datetime(2026, 6, 12, 21, 30), "America/Santiago")
    >>> [o.label for o in occurrences("0 22 * * *", clock, clock.moment("+3d"), excluded=["Saturday"])]
    ['2026-06-12T22:00:00-04:00', '2026-06-14T22:00:00-04:00']
    """
    if until_tick > LONGEST:
        raise ValueError(f"{rule_text!r} is asked for too far ahead: a scenario lasts at most 100 years")
    is_excluded = _Excluded(excluded, clock, from_tick, until_tick)
    found = []
    for tick in _distinct(rule_text, clock, from_tick, until_tick):
        local = clock.local(tick)
        if not is_excluded(local.date()):
            found.append(Occurrence(tick, local.isoformat()))
    return found


def too_often(
    rule_text: str, clock: Clock, until_tick: int, *, from_tick: int = 0, excluded: Sequence[str] = ()
) -> str:
    """Say why a right recurrence cannot be played: it, or one of the excluded days, comes too often; "" if it can.

    >>> from datetime import datetime
    >>> clock = Clock(datetime(2026, 6, 12, 21, 30), "UTC")
    >>> too_often("* * * * *", clock, clock.moment("+400d"))
    ''
    >>> too_often("* * * * *", clock, clock.moment("+500d"))
    "'* * * * *' comes more than 600,000 times in this span: make it rarer"
    """
    shortest = SECOND if any("BYSECOND" in text for text in (rule_text, *excluded)) else MINUTE  # between two of them
    if (until_tick - from_tick + 2 * DAY) // shortest > MOST_OCCURRENCES:  # else they need not be listed to know
        try:
            occurrences(rule_text, clock, until_tick, from_tick=from_tick, excluded=excluded)
        except ValueError as error:
            return str(error)
    return ""


def _distinct(rule_text: str, clock: Clock, from_tick: int, until_tick: int) -> list[int]:
    validate(rule_text)
    ticks: Iterator[int]
    if "=" in rule_text:
        ticks = rule_ticks(parse_rule(rule_text), clock, from_tick, until_tick)
    else:
        ticks = crontab_ticks(rule_text, clock, from_tick, until_tick)
    found = []
    for tick in ticks:
        found.append(tick)
        if len(found) > MOST_OCCURRENCES:
            raise ValueError(f"{rule_text!r} comes more than {MOST_OCCURRENCES:,} times in this span: make it rarer")
    return sorted(set(found))


def _weekday(name: str) -> int | None:
    full = [day for day in _WEEKDAYS if name.lower() in (day, day[:3])]
    return _WEEKDAYS.index(full[0]) if full else None


class _Excluded:
    """Tells whether a local day is excluded."""

    def __init__(self, items: Sequence[str], clock: Clock, from_tick: int, until_tick: int) -> None:
        self._days: set[date] = set()
        self._weekdays: set[int] = set()
        # A recurrence of days is asked from midnight on, so that the first day counts whatever the time of the start.
        midnight = clock.tick_of(datetime.combine(clock.local(from_tick).date(), time()))
        for item in items:
            validate_excluded(item)
            if (weekday := _weekday(item)) is not None:
                self._weekdays.add(weekday)
            elif _DATE.fullmatch(item):
                self._days.add(date.fromisoformat(item))
            else:
                ticks = _distinct(item, clock, midnight, until_tick + DAY)
                self._days.update(clock.local(tick).date() for tick in ticks)

    def __call__(self, day: date) -> bool:
        return day in self._days or day.weekday() in self._weekdays
