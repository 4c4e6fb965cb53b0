"""Which days does an iCalendar file (RFC 5545) name? The days of its all-day events, those that recur included.

Events with a time of day are no holidays and are passed over, as is everything that is no event. Nothing is fetched.
"""

import re
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Final

from emulator.errors import InputError
from emulator.scenario.clock import Clock
from emulator.scenario.files import open_regular
from emulator.scenario.recurrence import occurrences

__all__ = ["days_in", "holidays_of"]

_LARGEST: Final = 5_000_000
_DAY: Final = re.compile(r"\d{8}", re.ASCII)
_MOST_DAYS: Final = 400


def days_in(path: Path, first: date, last: date) -> frozenset[date]:
    """Read the days of a file that lie between two days, both included.

    Raises:
        InputError: the file cannot be read, is no calendar, or an event in it cannot be understood.
    """
    try:
        with open_regular(path) as file:
            raw = file.read(_LARGEST + 1)
        text = raw.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read as a calendar: {error}") from error
    if len(raw) > _LARGEST:
        raise InputError(f"{path}: is larger than {_LARGEST:,} bytes: give a calendar of holidays alone")
    return holidays_of(text, str(path), first, last)


def holidays_of(text: str, name: str, first: date, last: date) -> frozenset[date]:
    """Give the days of a calendar's all-day events between two days, both included.

    Args:
        text: of the file.
        name: what messages call it.
        first, last: days outside are left out.

    Raises:
        InputError: it is no calendar, or an event in it cannot be understood; the message gives the line.

    >>> lines = ["BEGIN:VCALENDAR", "BEGIN:VEVENT", "DTSTART;VALUE=DATE:20201225", "RRULE:FREQ=YEARLY", "END:VEVENT"]
    >>> sorted(holidays_of("\\n".join([*lines, "END:VCALENDAR"]), "x.ics", date(2026, 6, 1), date(2027, 6, 1)))
    [datetime.date(2026, 12, 25)]
    """
    lines = list(_unfolded(text))
    if not lines or lines[0][1].strip().upper() != "BEGIN:VCALENDAR":
        raise InputError(f"{name}:1: is no calendar: an iCalendar file begins with BEGIN:VCALENDAR")
    found: set[date] = set()
    event: list[tuple[int, str]] | None = None
    for number, line in lines:
        word = line.strip().upper()
        if word == "BEGIN:VEVENT":
            event = []
        elif word == "END:VEVENT":
            found |= set(_days(event or [], name, number, first, last))
            event = None
        elif event is not None:
            event.append((number, line))
    if event is not None:
        raise InputError(f"{name}:{lines[-1][0]}: ends in the middle of an event: END:VEVENT is missing")
    return frozenset(day for day in found if first <= day <= last)


def _unfolded(text: str) -> Iterator[tuple[int, str]]:
    """Give the lines with their numbers; one that begins with a blank goes on with the line before."""
    whole: list[tuple[int, str]] = []
    for number, line in enumerate(text.splitlines(), 1):
        if line[:1] in (" ", "\t") and whole:
            whole[-1] = (whole[-1][0], whole[-1][1] + line[1:])
        elif line.strip():
            whole.append((number, line))
    yield from whole


def _days(event: list[tuple[int, str]], name: str, end: int, first: date, last: date) -> Iterator[date]:
    said: dict[str, tuple[int, str]] = {}
    gone: set[date] = set()
    for number, line in event:
        key, _, value = line.partition(":")
        word = key.partition(";")[0].upper()
        if word == "EXDATE":
            gone |= {_day(one, name, number) for one in value.split(",") if _DAY.fullmatch(one.strip())}
        else:
            said.setdefault(word, (number, value.strip()))
    if "DTSTART" not in said:
        raise InputError(f"{name}:{end}: this event has no DTSTART: on which day is it?")
    number, value = said["DTSTART"]
    if not _DAY.fullmatch(value):
        return  # it has a time of day
    begins = _day(value, name, number)
    until = begins + timedelta(days=1)
    if "DTEND" in said and _DAY.fullmatch(said["DTEND"][1]):
        until = _day(said["DTEND"][1], name, said["DTEND"][0])
    many = (until - begins).days
    if not 0 < many <= _MOST_DAYS:
        raise InputError(f"{name}:{number}: this event lasts {many} days: from 1 to {_MOST_DAYS} are taken")
    starts = [begins]
    if "RRULE" in said and last >= begins:
        at, rule = said["RRULE"]
        clock = Clock(datetime.combine(begins, time()), "UTC")
        ends = clock.tick_of(datetime.combine(last, time())) + 1
        try:
            starts += [clock.local(one.nominal_tick).date() for one in occurrences(rule, clock, ends)]
        except ValueError as error:
            raise InputError(f"{name}:{at}: {error}") from None
    for start in starts:
        if start not in gone:
            yield from (start + timedelta(days=place) for place in range(many))


def _day(value: str, name: str, number: int) -> date:
    try:
        return datetime.strptime(value.strip(), "%Y%m%d").date()  # noqa: DTZ007 - a day has no zone
    except ValueError:
        raise InputError(f"{name}:{number}: {value[:40]!r} is no day: 20261225 is one") from None
