"""When something that recurs comes, in ticks of one scenario: intervals, rules, and five-field crontab lines.

Crontab lines: the fields are those of POSIX (IEEE Std 1003.1, crontab): numbers, ranges, lists, ``*``; when both day
fields are restricted, a day that matches either one counts. Beyond POSIX, as is common practice: names of months and
weekdays, 7 for Sunday, and steps (``*/15``, ``8-18/2``). A step in one day field beside a restricted other one is
refused, because practice differs on what it means. Everything else is refused by name.

Around a change of the clocks POSIX leaves open what happens. By common practice, and unless it is wished otherwise, a
rule with a fixed minute and hour fires once per day: at the end of the gap that swallowed it, at the first of two equal
readings; on a day that the zone skips altogether it does not. A rule with ``*`` in its minute or hour fires at every
real minute whose reading matches. Practice differs on ``0,30 2``, which names several minutes of an hour: here it fires
at both of two equal readings, as ``*/30 2`` does, and at the end of a gap. The library walks the calendar on naive
local time; the zone is applied here, because its own steps across half-hour changes go astray.

Two notations: an RFC 5545 rule (``FREQ=DAILY;BYHOUR=22;BYMINUTE=0``) and a five-field POSIX crontab line
(``0 22 * * 1-5``). Days can be excluded: by date, by weekday, or by a recurrence of their own. What comes of times that
the clocks jump over, or show twice, is as usual for the notation, or as a scenario wishes.
"""

import re
from collections.abc import Collection, Iterator, Sequence
from datetime import date, datetime, time, timedelta
from itertools import takewhile
from typing import Final, NamedTuple

from cronsim import CronSim, CronSimError

from emulator.records import record
from emulator.scenario.clock import Clock
from emulator.scenario.recurrence_rule import missed_times, parse_rule, rule_ticks, rule_times
from emulator.scenario.spelling import LONGEST
from emulator.timeline.ticks import DAY, MINUTE, SECOND

__all__ = [
    "MOST_OCCURRENCES",
    "Occurrence",
    "Unclear",
    "check_crontab",
    "crontab_ticks",
    "crontab_times",
    "goes_by_the_hour",
    "hints",
    "is_often_an_hour",
    "never_missing",
    "occurrences",
    "too_often",
    "unclear",
    "usual",
    "validate",
    "validate_excluded",
]


_MONTHS: Final = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
_WEEKDAYS: Final = ["sun", "mon", "tue", "wed", "thu", "fri", "sat"]
_FIELDS: Final[tuple[tuple[str, int, int, list[str]], ...]] = (
    ("minute", 0, 59, []),
    ("hour", 0, 23, []),
    ("day of the month", 1, 31, []),
    ("month", 1, 12, _MONTHS),
    ("weekday", 0, 7, _WEEKDAYS),
)
_ELEMENT = re.compile(r"(?:\*|(?P<low>\w{1,3})(?:-(?P<high>\w{1,3}))?)(?:/(?P<step>\d{1,2}))?", re.ASCII)
_SHAPE: Final = "write numbers, ranges (8-18), lists (0,30), steps (*/15) or *"
_LONGEST_LINE: Final = 1_000


def check_crontab(line: str) -> None:
    """Accept a five-field crontab line, or say what is wrong with it.

    Raises:
        ValueError: naming the field, what stands there and what may.

    >>> check_crontab("0 22 * * mon-fri")
    >>> check_crontab("0 0 22 * * 1")
    Traceback (most recent call last):
    ...
    ValueError: '0 0 22 * * 1' has 6 fields, not 5: minute, hour, day of the month, month, weekday (no seconds)
    """
    fields = line.split()
    shown = repr(line) if len(line) <= 60 else repr(line[:57]) + "..."
    if len(fields) != 5 or len(line) > _LONGEST_LINE:
        names = ", ".join(name for name, *_ in _FIELDS)
        raise ValueError(f"{shown} has {len(fields)} fields, not 5: {names} (no seconds)")
    for field, (name, low, high, words) in zip(fields, _FIELDS, strict=True):
        for element in field.split(","):
            if problem := _element_problem(element, low, high, words, alone=element == field):
                raise ValueError(f"{shown}: {name} {element!r}: {problem}")
    day, weekday = fields[2], fields[4]
    if "*" not in (day, weekday) and (day.startswith("*") or weekday.startswith("*")):
        raise ValueError(
            f"{shown}: a step from * in one day field beside a restricted other one is read in different ways: "
            "list the days"
        )
    try:
        CronSim(line, datetime(2000, 1, 1))  # noqa: DTZ001 - a calendar without a zone is what is asked for
    except CronSimError:
        raise ValueError(f"{shown} never fires: none of its months has such a day") from None


def goes_by_the_hour(line: str) -> bool:
    """Say whether a checked line has ``*`` in its minute or hour, and so fires at whatever the clock really shows.

    >>> goes_by_the_hour("*/15 2 * * *"), goes_by_the_hour("0,30 2 * * *")
    (True, False)
    """
    return any(field.startswith("*") for field in line.split()[:2])


def is_often_an_hour(line: str) -> bool:
    """Say whether a checked line names several minutes of an hour.

    >>> is_often_an_hour("0,30 2 * * *"), is_often_an_hour("0-10/30 2 * * *"), is_often_an_hour("30 2,3 * * *")
    (True, False, False)
    """
    minutes: set[int] = set()
    for found in map(_ELEMENT.fullmatch, line.split()[0].split(",")):
        assert found is not None  # the line is checked
        low = int(found["low"] or 0)
        high = int(found["high"] or (59 if found["low"] is None else low))
        minutes.update(range(low, high + 1, int(found["step"] or 1)))
    return len(minutes) > 1


def crontab_times(line: str, clock: Clock, from_tick: int, until_tick: int) -> Iterator[datetime]:
    """Yield the local times that a checked crontab line names, from a day before one tick to a day after another."""
    # The local clock can run back between the two ends of the window, and over a gap by a day: look a little wider.
    first = clock.local(from_tick).replace(tzinfo=None) - timedelta(days=1)
    last = clock.local(until_tick).replace(tzinfo=None) + timedelta(days=1)
    return takewhile(lambda reading: reading <= last, CronSim(line, first))


def crontab_ticks(
    line: str,
    clock: Clock,
    from_tick: int,
    until_tick: int,
    in_missing_hour: str,
    in_double_hour: str,
) -> Iterator[int]:
    """Yield the ticks in [from_tick, until_tick) at which a checked crontab line fires, nearly in order.

    Around a change of the clocks they may come unsorted and twice; the caller sorts and drops equal ones.
    """
    for reading in crontab_times(line, clock, from_tick, until_tick):
        ticks = clock.ticks_at(reading, in_missing_hour, in_double_hour)
        yield from (tick for tick in ticks if from_tick <= tick < until_tick)


def _element_problem(element: str, low: int, high: int, words: list[str], *, alone: bool) -> str:
    """Say what is wrong with one element of a field's list; nothing for a good one."""
    found = _ELEMENT.fullmatch(element)
    if found is None:
        return _SHAPE
    ends = [_number(end, low, words) for end in (found["low"], found["high"]) if end]
    if any(end is None or not low <= end <= high for end in ends):
        names = f" or {words[0]} to {words[-1]}" if words else ""
        return f"allowed are {low} to {high}{names}"
    if ends != sorted(ends, key=lambda end: end or 0):
        return "a range runs upwards: split it into a list of two"
    if not ends and not alone:
        return "* stands alone, not in a list"
    if found["step"] is not None:
        if len(ends) == 1:
            return f"a step needs a range, such as {element.split('/')[0]}-{high}/{found['step']}"
        if not 1 <= int(found["step"]) <= high:
            return f"a step is from 1 to {high}"
    return ""


def _number(text: str, low: int, words: list[str]) -> int | None:
    if text.isdigit():
        return int(text)
    # The first name has the lowest number of its field: Sunday is 0, January is 1.
    return words.index(text.lower()) + low if text.lower() in words else None


MOST_OCCURRENCES: Final = 600_000
"""How often one rule may fire in one run: a little more than every minute of a year."""

_DAYS_OF_THE_WEEK: Final = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_DATE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)


AtChanges = tuple[str | None, str | None]
"""What is wished in the hour that is missing, and in the one that comes twice; None: as usual for the notation."""


class Unclear(NamedTuple):
    """A local time that a recurrence names and that the clock never shows, or shows twice.

    Attributes:
        local: the time; of several in one gap or overlap, the first.
        shown: the ticks at which the clock shows it: none, or two.
        taken: those at which the recurrence comes for it, as is usual for its notation.
        more: how many further such times lie on the same day.
    """

    local: datetime
    shown: tuple[int, ...]
    taken: tuple[int, ...]
    more: int


@record
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
    rule_text: str,
    clock: Clock,
    until_tick: int,
    *,
    from_tick: int = 0,
    excluded: Sequence[str] = (),
    at_changes: AtChanges = (None, None),
) -> list[Occurrence]:
    """List the occurrences of a recurrence in [from_tick, until_tick), in order, no instant twice.

    For a rule, ``from_tick`` is RFC 5545's DTSTART: it gives the parts of the time that the rule leaves open, and COUNT
    and INTERVAL count from it; it is an occurrence only if the rule matches it. Excluded days are local days; what
    falls on one, or is skipped where the clocks change, is dropped after COUNT has counted it.

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
    for tick in _distinct(rule_text, clock, from_tick, until_tick, at_changes):
        local = clock.local(tick)
        if not is_excluded(local.date()):
            found.append(Occurrence(tick, local.isoformat()))
    return found


def too_often(
    rule_text: str,
    clock: Clock,
    until_tick: int,
    *,
    from_tick: int = 0,
    excluded: Sequence[str] = (),
    at_changes: AtChanges = (None, None),
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
            occurrences(rule_text, clock, until_tick, from_tick=from_tick, excluded=excluded, at_changes=at_changes)
        except ValueError as error:
            return str(error)
    return ""


def never_missing(rule_text: str) -> bool:
    """Say whether a right recurrence steps through real time, so that no time of it can be missing.

    >>> never_missing("FREQ=HOURLY"), never_missing("0 * * * *")
    (True, False)
    """
    return "=" in rule_text and parse_rule(rule_text).goes_by_the_hour


def unclear(
    rule_text: str,
    clock: Clock,
    until_tick: int,
    *,
    from_tick: int = 0,
    excluded: Sequence[str] = (),
) -> list[Unclear]:
    """List what a right recurrence names in [from_tick, until_tick) and the clock never shows, or shows twice.

    One for each day and kind. What goes by every hour misses none: it comes as often as the day has hours.

    >>> from datetime import datetime
    >>> clock = Clock(datetime(2026, 3, 28), "Europe/London")
    >>> [(str(it.local), clock.local(it.taken[0]).isoformat()) for it in unclear("30 1 * * *", clock, 3 * DAY)]
    [('2026-03-29 01:30:00', '2026-03-29T02:00:00+01:00')]
    """
    is_excluded = _Excluded(excluded, clock, from_tick, until_tick)
    days = {day for day in _days_of_change(clock, from_tick, until_tick) if not is_excluded(day)}
    if not days:
        return []
    wanted = usual(rule_text)
    found: dict[tuple[date, bool], Unclear] = {}
    for local in sorted(_named(rule_text, clock, days, from_tick, until_tick)):
        shown = clock.instants(local)
        if len(shown) == 1 or not any(from_tick <= tick < until_tick for tick in shown or (clock.tick_of(local),)):
            continue
        kind = local.date(), bool(shown)
        if kind in found:
            found[kind] = found[kind]._replace(more=found[kind].more + 1)
        else:
            taken = (tick for tick in clock.ticks_at(local, *wanted) if from_tick <= tick < until_tick)
            found[kind] = Unclear(local, shown, tuple(taken), 0)
    return list(found.values())


def usual(rule_text: str) -> tuple[str, str]:
    """Say what is usual for the notation of a right recurrence, where it is not wished otherwise.

    >>> usual("30 2 * * *"), usual("0,30 2 * * *")
    (('at_its_end', 'first'), ('at_its_end', 'both'))
    """
    a_rule = "=" in rule_text
    if parse_rule(rule_text).goes_by_the_hour if a_rule else goes_by_the_hour(rule_text):
        return "skip", "both"
    if a_rule:
        return "shift", "first"
    return "at_its_end", "both" if is_often_an_hour(rule_text) else "first"


def _days_of_change(clock: Clock, from_tick: int, until_tick: int) -> Iterator[date]:
    """Yield the local days on which the clocks may change: of each change the day before it, and that after it."""
    tick, before = from_tick, clock.local(from_tick)
    while tick < until_tick:
        tick = min(tick + DAY, until_tick)
        after = clock.local(tick)
        if after.utcoffset() != before.utcoffset():
            yield from (before.date(), after.date())
        before = after


def _named(rule_text: str, clock: Clock, days: Collection[date], from_tick: int, until_tick: int) -> set[datetime]:
    """Give the local times that a recurrence names on some days: those that the clock never shows included."""
    if "=" not in rule_text:
        times = {local for local in crontab_times(rule_text, clock, from_tick, until_tick) if local.date() in days}
        every_hour = rule_text.split()[1] == "*"
        return {local for local in times if clock.instants(local)} if every_hour else times
    rule = parse_rule(rule_text)
    times = {local for local in rule_times(rule, clock, from_tick, until_tick) if local.date() in days}
    return times | {local for day in days for local in missed_times(rule, day) if not clock.instants(local)}


def _distinct(
    rule_text: str, clock: Clock, from_tick: int, until_tick: int, at_changes: AtChanges = (None, None)
) -> list[int]:
    validate(rule_text)
    missing, double = (wish or by_default for wish, by_default in zip(at_changes, usual(rule_text), strict=True))
    ticks: Iterator[int]
    if "=" in rule_text:
        ticks = rule_ticks(parse_rule(rule_text), clock, from_tick, until_tick, missing, double)
    else:
        ticks = crontab_ticks(rule_text, clock, from_tick, until_tick, missing, double)
    found = []
    for tick in ticks:
        found.append(tick)
        if len(found) > MOST_OCCURRENCES:
            raise ValueError(f"{rule_text!r} comes more than {MOST_OCCURRENCES:,} times in this span: make it rarer")
    return sorted(set(found))


def _weekday(name: str) -> int | None:
    full = [day for day in _DAYS_OF_THE_WEEK if name.lower() in (day, day[:3])]
    return _DAYS_OF_THE_WEEK.index(full[0]) if full else None


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
