"""Parses RFC 5545 recurrence rules (RRULE) and computes when they fire.

The law: parts, ranges and combinations are checked here against RFC 5545, section 3.3.10, because the library accepts
more. DAILY and longer rules are expanded by the library in naive local time, and each reading becomes an instant
afterwards. Unless it is wished otherwise, one that the clocks jump over is read with the offset before, and of two
equal ones the first is taken (section 3.3.5). HOURLY and MINUTELY rules step through real time (UTC), and their BY
parts are held against the local reading; the library would lose an hour in an overlap. SECONDLY is refused, UNTIL is an
instant in UTC.

Both searches are bounded. The library looks on to the year 9999 for a next occurrence that may never come, so it works
on a late twin of the years asked for: the last years of its calendar with the same weekdays and leap days.
"""

import calendar
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

from dateutil.rrule import rrulestr

from emulator.records import record
from emulator.scenario.clock import Clock
from emulator.scenario.spelling import advise
from emulator.timeline.ticks import HOUR, MINUTE, SECOND

__all__ = ["Rule", "missed_times", "parse_rule", "rule_ticks", "rule_times"]

_DAYS: Final = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
_STEPS: Final = {"HOURLY": HOUR, "MINUTELY": MINUTE}
_FREQUENCIES: Final = ("YEARLY", "MONTHLY", "WEEKLY", "DAILY", *_STEPS)
_RANGES: Final = {
    "BYMONTH": (1, 12),
    "BYWEEKNO": (-53, 53),
    "BYYEARDAY": (-366, 366),
    "BYMONTHDAY": (-31, 31),
    "BYHOUR": (0, 23),
    "BYMINUTE": (0, 59),
    "BYSECOND": (0, 59),
    "BYSETPOS": (-366, 366),
}
_ONLY_WITH: Final = {
    "BYWEEKNO": ("YEARLY",),
    "BYYEARDAY": ("YEARLY", *_STEPS),
    "BYMONTHDAY": ("YEARLY", "MONTHLY", "DAILY", *_STEPS),
    # RFC 5545 allows it below a day too; there it only says again what BYMINUTE and BYSECOND say.
    "BYSETPOS": ("YEARLY", "MONTHLY", "WEEKLY", "DAILY"),
}
_PARTS: Final = ("FREQ", "INTERVAL", "COUNT", "UNTIL", "WKST", "BYDAY", *_RANGES)
_NUMBER = re.compile(r"[+-]?\d{1,9}", re.ASCII)
_BYDAY = re.compile(rf"(?P<ordinal>[+-]?\d{{1,2}})?(?P<day>{'|'.join(_DAYS)})", re.ASCII)
_UNTIL = re.compile(r"\d{8}T\d{6}Z", re.ASCII)
_LONGEST_TEXT: Final = 1_000
_MOST_POSITIONS: Final = 12
_MOST_LOOKS: Final = 1_500_000
_LAST_YEAR: Final = 9990


@record
class Rule:
    """A checked recurrence rule: its parts by name, numbers read, BYDAY still as pairs of ordinal and day."""

    frequency: str
    interval: int
    count: int | None
    until: datetime | None
    by: dict[str, tuple[int, ...]]
    by_day: tuple[tuple[int, str], ...]
    week_starts: str

    @property
    def goes_by_the_hour(self) -> bool:
        """Say whether it steps through real time, hours or minutes, and so comes at whatever the clock really shows."""
        return self.frequency in _STEPS

    def text(self) -> str:
        """Write the rule for the library, without UNTIL, which is applied to instants here."""
        parts = {"FREQ": self.frequency, "INTERVAL": str(self.interval), "WKST": self.week_starts}
        if self.count is not None:
            parts["COUNT"] = str(self.count)
        if self.by_day:
            parts["BYDAY"] = ",".join(f"{ordinal or ''}{day}" for ordinal, day in self.by_day)
        parts |= {name: ",".join(map(str, numbers)) for name, numbers in self.by.items()}
        return ";".join(f"{name}={value}" for name, value in parts.items())


def parse_rule(text: str) -> Rule:
    """Read a recurrence rule such as ``FREQ=DAILY;BYHOUR=22;BYMINUTE=0``.

    Raises:
        ValueError: naming the part, what stands there and what may.

    >>> parse_rule("FREQ=WEEKLY;BYDAY=SA").by_day
    ((0, 'SA'),)
    >>> parse_rule("FREQ=DAILY;INTERVAL=0")
    Traceback (most recent call last):
    ...
    ValueError: 'FREQ=DAILY;INTERVAL=0': INTERVAL '0' is not a whole number of 1 or more
    """
    try:
        return _parse(text)
    except _RuleError as error:
        shown = repr(text) if len(text) <= 60 else repr(text[:57]) + "..."
        raise ValueError(f"{shown}: {error}") from None


class _RuleError(Exception):
    """What is wrong with a rule, without the rule."""


def _parse(text: str) -> Rule:
    if len(text) > _LONGEST_TEXT:
        raise _RuleError(f"a rule has at most {_LONGEST_TEXT} characters")
    parts: dict[str, str] = {}
    for part in text.upper().split(";"):
        name, equals, value = part.partition("=")
        if name not in _PARTS:
            hint = "leave out the leading RRULE:" if name.startswith("RRULE") else advise(name, _PARTS)
            raise _RuleError(f"{name!r} is no part of a rule: {hint}")
        if name in parts:
            raise _RuleError(f"{name} stands there twice")
        if not equals or not value:
            raise _RuleError(f"{name} has no value")
        parts[name] = value
    frequency = parts.get("FREQ", "")
    if frequency not in _FREQUENCIES:
        raise _RuleError(f"FREQ {frequency!r} is not supported: allowed are {', '.join(_FREQUENCIES)}")
    for name, allowed in _ONLY_WITH.items():
        if name in parts and frequency not in allowed:
            raise _RuleError(f"{name} does not go with FREQ={frequency}, only with {', '.join(allowed)}")
    if "COUNT" in parts and "UNTIL" in parts:
        raise _RuleError("COUNT and UNTIL exclude each other: keep one")
    by = {name: _numbers(name, parts[name]) for name in _RANGES if name in parts}
    by_day = _by_day(parts["BYDAY"], frequency, "BYWEEKNO" in parts) if "BYDAY" in parts else ()
    week_starts = parts.get("WKST", "MO")
    if week_starts not in _DAYS:
        raise _RuleError(f"WKST {week_starts!r} is no weekday: allowed are {', '.join(_DAYS)}")
    if "BYSETPOS" in by:
        if len(by) == 1 and not by_day:
            raise _RuleError("BYSETPOS picks from another BY part, and there is none")
        if len(by["BYSETPOS"]) > _MOST_POSITIONS:
            raise _RuleError(f"BYSETPOS has more than {_MOST_POSITIONS} positions")
    if "BYMONTH" in by and "BYMONTHDAY" in by:
        longest = max(calendar.monthrange(2000, month)[1] for month in by["BYMONTH"])
        if min(map(abs, by["BYMONTHDAY"])) > longest:
            raise _RuleError("it never comes: none of its months has such a day")
    return Rule(
        frequency=frequency,
        interval=_counting("INTERVAL", parts.get("INTERVAL", "1")),
        count=_counting("COUNT", parts["COUNT"]) if "COUNT" in parts else None,
        until=_until(parts["UNTIL"]) if "UNTIL" in parts else None,
        by=by,
        by_day=by_day,
        week_starts=week_starts,
    )


def _counting(name: str, value: str) -> int:
    if not _NUMBER.fullmatch(value) or not value.isdigit() or int(value) < 1:
        raise _RuleError(f"{name} {value!r} is not a whole number of 1 or more")
    return int(value)


def _numbers(name: str, value: str) -> tuple[int, ...]:
    low, high = _RANGES[name]
    numbers = []
    for word in value.split(","):
        number = int(word) if _NUMBER.fullmatch(word) else None
        if number is None or not low <= number <= high or (number == 0 and low < 0):
            span = f"{low} to {high}" if low >= 0 else f"1 to {high} or -1 to {low}"
            raise _RuleError(f"{name} {word!r} is not a number from {span}")
        numbers.append(number)
    return tuple(sorted(set(numbers)))


def _by_day(value: str, frequency: str, with_week_numbers: bool) -> tuple[tuple[int, str], ...]:
    days = []
    for word in value.split(","):
        found = _BYDAY.fullmatch(word)
        ordinal = int(found["ordinal"] or 0) if found else 0
        if found is None or (found["ordinal"] and not 1 <= abs(ordinal) <= 53):
            raise _RuleError(f"BYDAY {word!r} is no weekday: write MO to SU, 1FR for the first, -1FR for the last")
        if ordinal and (frequency not in ("YEARLY", "MONTHLY") or with_week_numbers):
            with_what = "BYWEEKNO" if with_week_numbers else f"FREQ={frequency}"
            raise _RuleError(f"BYDAY {word!r}: a number before the weekday does not go with {with_what}")
        days.append((ordinal, found["day"]))
    return tuple(days)


def _until(value: str) -> datetime:
    try:
        if _UNTIL.fullmatch(value):
            return datetime.strptime(value, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    except ValueError:
        pass
    raise _RuleError(f"UNTIL {value!r} is not an instant in UTC, such as 20260613T040000Z (the scenario has a zone)")


def rule_ticks(
    rule: Rule,
    clock: Clock,
    from_tick: int,
    until_tick: int,
    in_missing_hour: str,
    in_double_hour: str,
) -> Iterator[int]:
    """Yield the ticks in [from_tick, until_tick) at which a rule fires, nearly in order.

    The rule's DTSTART is ``from_tick``, rounded up to a whole second. Around a change of the clocks ticks may come
    unsorted and twice; the caller sorts and drops equal ones. COUNT has counted what is then skipped.

    Raises:
        ValueError: when the search grows beyond its bound.
    """
    start_tick, until_tick = _window(rule, clock, from_tick, until_tick)
    if start_tick >= until_tick:
        return
    ticks: Iterator[int]
    if rule.goes_by_the_hour:
        ticks = _in_real_time(rule, clock, start_tick, until_tick)
        if in_double_hour == "first":
            ticks = (tick for tick in ticks if not clock.local(tick).fold)
    else:
        readings = _in_local_time(rule, clock, start_tick, until_tick)
        ticks = (tick for reading in readings for tick in clock.ticks_at(reading, in_missing_hour, in_double_hour))
    yield from (tick for tick in ticks if start_tick <= tick < until_tick)


def rule_times(rule: Rule, clock: Clock, from_tick: int, until_tick: int) -> Iterator[datetime]:
    """Yield the local times that a rule names, from ``from_tick`` to a day after another tick, some of them twice.

    Raises:
        ValueError: when the search grows beyond its bound.
    """
    start_tick, until_tick = _window(rule, clock, from_tick, until_tick)
    if start_tick >= until_tick:
        return
    if rule.goes_by_the_hour:
        ticks = _in_real_time(rule, clock, start_tick, until_tick)
        yield from (clock.local(tick).replace(tzinfo=None, fold=0) for tick in ticks)
    else:
        yield from _in_local_time(rule, clock, start_tick, until_tick)


def missed_times(rule: Rule, day: date) -> Iterator[datetime]:
    """Yield one time of a day for each hour that a rule which goes by the hour names: the clock may never show it."""
    if rule.goes_by_the_hour and _day_matches(rule, day):
        minute = rule.by.get("BYMINUTE", (0,))[0]
        yield from (datetime.combine(day, time(hour, minute)) for hour in rule.by.get("BYHOUR", ()))


def _window(rule: Rule, clock: Clock, from_tick: int, until_tick: int) -> tuple[int, int]:
    """Give the first tick that may be an occurrence (DTSTART), and the end of what is asked for."""
    if rule.until is not None:
        until_tick = min(until_tick, clock.tick_of(rule.until) + 1)
    return from_tick + -clock.local(from_tick).microsecond % SECOND, until_tick


def _in_local_time(rule: Rule, clock: Clock, start_tick: int, until_tick: int) -> Iterator[datetime]:
    start = clock.local(start_tick).replace(tzinfo=None)
    last = clock.local(until_tick).replace(tzinfo=None) + timedelta(days=1)
    later = _late_twin(start.year, last.year)
    last_twin = last.replace(year=last.year + later)
    for twin in rrulestr(rule.text(), dtstart=start.replace(year=start.year + later)):
        if twin > last_twin:
            return
        yield twin.replace(year=twin.year - later)


def _late_twin(first: int, last: int) -> int:
    """Give the largest number of years after which the years first to last repeat, weekdays and leap days alike.

    The year before counts too: it decides which week its last days belong to. The twin keeps a distance from the end of
    the library's calendar. Zero always fits.
    """

    def shape(year: int) -> tuple[int, bool]:
        return date(year, 1, 1).weekday(), calendar.isleap(year)

    wanted = [shape(year) for year in range(first - 1, last + 1)]
    shifts = range(_LAST_YEAR - last, -1, -1)
    return next(shift for shift in shifts if [shape(first - 1 + shift + n) for n in range(len(wanted))] == wanted)


def _in_real_time(rule: Rule, clock: Clock, start_tick: int, until_tick: int) -> Iterator[int]:
    step = rule.interval * _STEPS[rule.frequency]
    hours, minutes, seconds = (rule.by.get(name) for name in ("BYHOUR", "BYMINUTE", "BYSECOND"))
    left = rule.count
    tick = start_tick
    for _ in range(_MOST_LOOKS):
        # A period may begin at or after the end and still hold an occurrence before it: FREQ=HOURLY;BYMINUTE=0.
        if tick >= until_tick + HOUR or left == 0:
            return
        reading = clock.local(tick)
        if not _day_matches(rule, reading.date()) or (hours and reading.hour not in hours):
            # Straight to the first period in the next hour of the clock, unless the clocks change on the way: no later
            # one in this hour can match.
            rest = (60 - reading.minute) * MINUTE - reading.second * SECOND
            skipped = -(-rest // step) * step
            tick += skipped if clock.local(tick + skipped).utcoffset() == reading.utcoffset() else step
            continue
        if rule.frequency == "HOURLY" or not minutes or reading.minute in minutes:
            chosen = minutes if minutes and rule.frequency == "HOURLY" else (reading.minute,)
            for minute in chosen:
                for second in seconds or (reading.second,):
                    shifted = tick + (minute - reading.minute) * MINUTE + (second - reading.second) * SECOND
                    shown = clock.local(shifted)
                    # Across a half-hour change of the clocks the shifted reading is another one: not an occurrence.
                    if shifted >= start_tick and (shown.hour, shown.minute) == (reading.hour, minute) and left != 0:
                        left = None if left is None else left - 1
                        yield shifted
        tick += step
    raise ValueError(f"{rule.text()!r} is looked for too often: more than {_MOST_LOOKS:,} times in this span")


def _day_matches(rule: Rule, day: date) -> bool:
    month_length = calendar.monthrange(day.year, day.month)[1]
    year_day = day.timetuple().tm_yday
    year_length = 365 + calendar.isleap(day.year)
    readings = (
        ("BYMONTH", (day.month,)),
        ("BYMONTHDAY", (day.day, day.day - month_length - 1)),
        ("BYYEARDAY", (year_day, year_day - year_length - 1)),
    )
    if any(name in rule.by and not set(rule.by[name]).intersection(values) for name, values in readings):
        return False
    return not rule.by_day or _DAYS[day.weekday()] in [name for _, name in rule.by_day]
