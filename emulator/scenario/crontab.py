"""When does a five-field crontab line fire?

The law: the fields are those of POSIX (IEEE Std 1003.1, crontab): numbers, ranges, lists, ``*``; when both day fields
are restricted, a day that matches either one counts. Beyond POSIX, as is common practice: names of months and
weekdays, 7 for Sunday, and steps (``*/15``, ``8-18/2``). A step in one day field beside a restricted other one is
refused, because practice differs on what it means. Everything else is refused by name.

Around a change of the clocks POSIX leaves open what happens. By common practice, and unless it is wished otherwise, a
rule with a fixed minute and hour fires once per day: at the end of the gap that swallowed it, at the first of two equal
readings; on a day that the zone skips altogether it does not. A rule with ``*`` in its minute or hour fires at every
real minute whose reading matches. Practice differs on ``0,30 2``, which names several minutes of an hour: here it fires
at both of two equal readings, as ``*/30 2`` does, and at the end of a gap. The library walks the calendar on naive
local time; the zone is applied here, because its own steps across half-hour changes go astray.
"""

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import takewhile
from typing import Final

from cronsim import CronSim, CronSimError

from emulator.scenario.clock import Clock

__all__ = ["check_crontab", "crontab_ticks", "crontab_times", "goes_by_the_hour", "is_often_an_hour"]

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
