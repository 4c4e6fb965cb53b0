"""Converts local times to ticks, and ticks to what the clock on the wall shows.

The law: zone rules come from the tzdata package alone, never from the machine's own files, so that the same version
of that package gives the same ticks everywhere. A local time that the clocks jump over is read with the offset before
the gap; one that comes twice is the first of the two (RFC 5545, section 3.3.5). Real leap seconds are not counted, as
in POSIX time.
"""

import importlib
import pkgutil
import re
from bisect import bisect_left
from datetime import UTC, date, datetime, time, timedelta
from fractions import Fraction
from io import BytesIO
from zoneinfo import ZoneInfo

from emulator.scenario.spelling import nearest, parse_span
from emulator.timeline.ticks import MICROSECOND, SECOND

__all__ = ["Clock", "zone_data_version", "zone_names"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_TICK = timedelta(microseconds=MICROSECOND)
_DAY = timedelta(days=1)
_YEARS = range(1900, 9001)
"""In which a scenario may start: far enough from the ends of the calendar that no sum leaves it."""

_NEAR = 0.8
"""So like must a zone be to the one that is written: three letters are soon like three others."""

_TIME = r"(?P<hour>\d\d):(?P<minute>\d\d)(?::(?P<second>\d\d)(?:\.(?P<fraction>\d{1,18}))?)?"
_OFFSET = r"(?P<offset>[Zz]|[+-]\d\d:[0-5]\d)"
_TIME_OF_DAY = re.compile(_TIME, re.ASCII)
_TIMESTAMP = re.compile(rf"(?P<date>\d{{4}}-\d\d-\d\d)[Tt ]{_TIME}{_OFFSET}?", re.ASCII)


def zone_data_version() -> str:
    """Name the version of the zone data in use, as its publisher does (``2026a``).

    >>> len(zone_data_version())
    5
    """
    version: str = importlib.import_module("tzdata").IANA_VERSION
    return version


def zone_names() -> tuple[str, ...]:
    """List every zone that a scenario may name, in alphabetical order.

    >>> "America/Santiago" in zone_names()
    True
    """
    return tuple(sorted(_zone_data("zones").decode("ascii").split()))


def _zone(name: str) -> ZoneInfo:
    names = zone_names()
    if name not in names:  # this also keeps "../" and absolute paths from reaching the file system
        raise ValueError(f"{name!r} is no time zone: {_advice(name, names)}")
    return ZoneInfo.from_file(BytesIO(_zone_data(f"zoneinfo/{name}")), key=name)


def _advice(name: str, names: tuple[str, ...]) -> str:
    """Say what may be written for a zone: a name that is nearly the same, or ends in the same place; else the form."""
    place = name.casefold().replace(" ", "_")
    near = next((zone for zone in names if place and zone.casefold().endswith(f"/{place}")), None)
    if near := near or nearest(name, names, cutoff=_NEAR):
        return f"did you mean {near!r}?"
    return "write an area and a place, such as America/Santiago, or UTC"


def _zone_data(name: str) -> bytes:
    data = pkgutil.get_data("tzdata", name)  # importlib.resources would load archives and temporary files for it
    assert data is not None, "the package is read as every other"
    return data


class Clock:
    """The clock on the wall of one scenario: it starts at a local time, in one zone, and counts ticks from there.

    Args:
        starts: the local time of tick 0, without an offset, in a year from 1900 to 9000.
        zone: a name from the zone database, such as ``America/Santiago``.

    Raises:
        ValueError: for an unknown zone (the message names the nearest), a start with an offset, or a year out of range.

    >>> from datetime import datetime
    >>> clock = Clock(datetime(2026, 6, 12, 21, 30), "America/Santiago")
    >>> clock.moment("21:40"), clock.local(600_000_000).isoformat()
    (600000000, '2026-06-12T21:40:00-04:00')
    """

    __slots__ = ("_origin", "_zone", "starts", "zone")

    def __init__(self, starts: datetime, zone: str) -> None:
        if starts.tzinfo is not None:
            raise ValueError(f"the start {starts.isoformat()} has an offset: leave it out, the zone tells it")
        if starts.year not in _YEARS:
            raise ValueError(f"the start {starts.isoformat()} is out of range: years run from 1900 to 9000")
        self.starts = starts.replace(fold=0)
        self.zone = zone
        self._zone = _zone(zone)
        self._origin = 0
        self._origin = self.tick_of(self.starts)

    def __repr__(self) -> str:
        return f"Clock({self.starts!r}, {self.zone!r})"

    def __reduce__(self) -> tuple[type["Clock"], tuple[datetime, str]]:
        # A zone that was read from a file object cannot be pickled; the clock is made anew in the other process.
        return (Clock, (self.starts, self.zone))

    def in_zone(self, zone: str) -> "Clock":
        """Give the same ticks as they are read on a wall elsewhere.

        Raises:
            ValueError: for an unknown zone.

        >>> from datetime import datetime
        >>> Clock(datetime(2026, 6, 12, 21, 30), "UTC").in_zone("America/Santiago").local(0).isoformat()
        '2026-06-12T17:30:00-04:00'
        """
        other = Clock.__new__(Clock)
        other.zone = zone
        other._zone = _zone(zone)
        other._origin = self._origin
        other.starts = self.local(0).astimezone(other._zone).replace(tzinfo=None)
        return other

    def tick_of(self, when: datetime) -> int:
        """Give the tick of a local time, or of an instant that carries its own offset; before the start it is negative.

        A local time inside a gap is read with the offset before the gap; one that comes twice is the first.

        >>> from datetime import datetime
        >>> Clock(datetime(2007, 3, 11), "America/New_York").tick_of(datetime(2007, 3, 11, 3, 30))
        9000000000
        """
        instant = when if when.tzinfo is not None else when.replace(tzinfo=self._zone, fold=0)
        return (instant - _EPOCH) // _TICK - self._origin

    def local(self, tick: int) -> datetime:
        """Give the local time at a tick, with its offset from UTC.

        Raises:
            ValueError: for a tick beyond the calendar (years 1 to 9999).
        """
        try:
            return (_EPOCH + (self._origin + tick) * _TICK).astimezone(self._zone)
        except OverflowError:
            raise ValueError(f"{tick} microseconds after {self.starts.isoformat()} is beyond the calendar") from None

    def instants(self, local: datetime) -> tuple[int, ...]:
        """List the ticks at which the clock really shows a local time: one, two in an overlap, none in a gap.

        >>> from datetime import datetime
        >>> clock = Clock(datetime(2026, 10, 25), "Europe/London")
        >>> [tick // 60_000_000 for tick in clock.instants(datetime(2026, 10, 25, 1, 30))]
        [90, 150]
        """
        first, second = (self.tick_of(local.replace(tzinfo=self._zone, fold=fold)) for fold in (0, 1))
        return (first,) if first == second else (first, second) if first < second else ()

    def after_gap(self, local: datetime) -> int:
        """Give the tick at which the clock jumps over a local time that does not exist: the end of the gap."""
        last, first = (self.tick_of(local.replace(tzinfo=self._zone, fold=fold)) for fold in (0, 1))
        after = self.local(last).utcoffset()
        span = range(first, last)
        return first + bisect_left(span, True, key=lambda tick: self.local(tick).utcoffset() == after)

    def ticks_at(
        self, local: datetime, in_missing_hour: str = "shift", in_double_hour: str = "first"
    ) -> tuple[int, ...]:
        """List the ticks that are taken for a local time, as is wished where the clocks change.

        Args:
            local: without an offset.
            in_missing_hour: for a time that the clock never shows: ``skip`` (none), ``shift`` (as much later as the
                clock jumps) or ``at_its_end`` (when it has jumped). None on a day that the zone skips altogether.
            in_double_hour: for a time that the clock shows twice: ``first`` or ``both``.

        >>> from datetime import datetime
        >>> clock, missing = Clock(datetime(2026, 3, 29), "Europe/London"), datetime(2026, 3, 29, 1, 30)
        >>> [[tick // 60_000_000 for tick in clock.ticks_at(missing, wish)] for wish in ("skip", "shift", "at_its_end")]
        [[], [90], [60]]
        """
        shown = self.instants(local)
        if shown:
            return shown if in_double_hour == "both" else shown[:1]
        if in_missing_hour == "skip" or not self.has_day(local.date()):
            return ()
        return (self.tick_of(local) if in_missing_hour == "shift" else self.after_gap(local),)

    def has_day(self, day: date) -> bool:
        """Say whether there is such a day: a zone that changes its side of the date line may skip one.

        >>> from datetime import date, datetime
        >>> clock = Clock(datetime(2011, 12, 28), "Pacific/Apia")
        >>> [clock.has_day(date(2011, 12, day)) for day in (29, 30, 31)]
        [True, False, True]
        """
        midnight = datetime.combine(day, time())
        return bool(self.instants(midnight)) or self.local(self.after_gap(midnight)).date() == day

    def night_of(self, tick: int) -> int:
        """Say in which night of the run a tick lies, from 0; each begins at the clock time of the start.

        >>> from datetime import datetime
        >>> clock = Clock(datetime(2026, 9, 4, 21, 30), "America/Santiago")  # the clocks go forward in night 1
        >>> [clock.night_of(hours * 3_600_000_000) for hours in (0, 23, 24, 46, 47)]
        [0, 0, 1, 1, 2]
        """
        night = (self.local(tick).replace(tzinfo=None) - self.starts) // _DAY
        while tick < self.night_begins(night):
            night -= 1
        while tick >= self.night_begins(night + 1):
            night += 1
        return night

    def night_begins(self, night: int) -> int:
        """Give the tick at which a night of the run begins."""
        return self.tick_of(self.starts + night * _DAY)

    def moment(self, text: str) -> int:
        """Read a moment as a tick: a time of day, an offset from the start, or a full timestamp.

        ``"21:40"`` is the first such time at or after the start, past midnight if need be; ``"+2h30m"`` counts from
        the start, and ``"+P1D"`` is the same time on the next day; ``2026-06-12T21:40:00`` is local time, and with
        ``Z`` or ``-04:00`` behind it an RFC 3339 instant.
        Seconds and their decimals may follow, rounded to the microsecond. Only a full timestamp can lie before the
        start, and is negative then.

        Raises:
            ValueError: for anything else; the message says what to write.

        >>> from datetime import datetime
        >>> clock = Clock(datetime(2026, 6, 12, 21, 30), "America/Santiago")
        >>> clock.moment("02:00") == clock.moment("+4h30m") == clock.moment("2026-06-13T06:00:00Z")
        True
        """
        if text.startswith("+"):
            return self.span(text[1:])
        stamp = _TIMESTAMP.fullmatch(text)
        found = stamp or _TIME_OF_DAY.fullmatch(text)
        if found is None:
            shown = repr(text) if len(text) <= 40 else repr(text[:37]) + "..."
            raise ValueError(f'{shown} is not a time: write "21:40", "+2h30m" or 2026-06-12T21:40:00')
        fraction = round(Fraction("0." + (found["fraction"] or "0")) * SECOND)
        second = int(found["second"] or 0)
        # POSIX time gives 23:59:60 the number of the second after it; anywhere but in UTC it is a slip of the pen.
        leap = second == 60 and stamp is not None and stamp["offset"] is not None
        try:
            clock_time = time(int(found["hour"]), int(found["minute"]), second - leap)
            if stamp is None:
                return self._next(clock_time, fraction)
            offset = stamp["offset"] or ""
            whole = datetime.combine(date.fromisoformat(stamp["date"]), clock_time)
            if offset:
                whole = datetime.fromisoformat(whole.isoformat() + offset.upper())
            tick = self.tick_of(whole) + leap * SECOND
        except (ValueError, OverflowError):
            raise ValueError(f"{text!r} is not a time: no calendar and no clock shows it") from None
        if leap and not _starts_a_month(tick + self._origin):
            raise ValueError(f"{text!r} is not a time: a leap second ends the last minute of a month in UTC")
        return tick + fraction

    def span(self, text: str) -> int:
        """Read a duration that begins at the start: ``P1D`` and ``P1W`` are days of the zone, all else is exact.

        Raises:
            ValueError: for what is no duration.

        >>> from datetime import datetime
        >>> clock = Clock(datetime(2026, 3, 28, 22), "Europe/London")  # a night in which an hour is missing
        >>> [clock.span(text) // 3_600_000_000 for text in ("P1D", "24h", "1d", "P1DT1H")]
        [23, 24, 24, 24]
        """
        days, ticks = parse_span(text)
        return ticks + (self.tick_of(self.starts + days * _DAY) if days else 0)

    def unclear(self, text: str) -> tuple[datetime, tuple[int, ...]] | None:
        """Give the clock time that a moment states and the ticks at which the clock shows it, if that is not just one.

        None for what is clear: one tick, an offset from the start, an instant with an offset of its own.

        >>> from datetime import datetime
        >>> clock = Clock(datetime(2026, 9, 5, 21, 30), "America/Santiago")
        >>> clock.unclear("00:30"), clock.unclear("01:30"), clock.unclear("+3h")
        ((datetime.datetime(2026, 9, 6, 0, 30), ()), None, None)
        """
        stamp = _TIMESTAMP.fullmatch(text)
        found = stamp or _TIME_OF_DAY.fullmatch(text)
        if found is None or (stamp is not None and stamp["offset"] is not None):
            return None
        clock_time = time(int(found["hour"]), int(found["minute"]), int(found["second"] or 0))
        read = self.local(self.moment(text))
        day = read.date() - _DAY * (read.time() < clock_time)  # an hour that is jumped over can end on the next day
        local = datetime.combine(day if stamp is None else date.fromisoformat(stamp["date"]), clock_time)
        ticks = self.instants(local)
        if stamp is None:  # of two before and after the start, the one after it is meant
            ticks = tuple(at for at in ticks if at > -SECOND)
        return None if len(ticks) == 1 else (local, ticks)

    def _next(self, clock_time: time, fraction: int) -> int:
        """Give the first tick from 0 on that lies a fraction of a second after a time of day on the clock."""
        first = self.local(0).date()
        days = (datetime.combine(first + n * _DAY, clock_time) for n in range(3))
        ticks = (tick + fraction for day in days for tick in self.instants(day) or (self.tick_of(day),))
        return next(tick for tick in ticks if tick >= 0)


def _starts_a_month(microseconds: int) -> bool:
    when = _EPOCH + microseconds * _TICK
    return (when.day, when.time()) == (1, time())
