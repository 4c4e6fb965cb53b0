"""The nights ahead: of which kinds they are, which are holidays, and the scenario on each of them with more jobs.

The scenario is moved to each date: the same clock times, on that date. Two dates are of one kind when the night is
the same on both, to the tick, growth aside: what recurs comes at the same times, workers are on for the same times,
and the clocks change in neither or alike. So kinds are what the scenario makes of the calendar, and are named after
what their dates have in common.

What has a date of its own is apart. A fault or an action with a date happens on that date alone. Access, a credential
or an outage with a date in the time ahead is a **dated end**: it is left out of the kinds, as if it were renewed, and
each is tried by itself on its own date.

Events with a time of day are no holidays and are passed over, as is everything that is no event. Nothing is fetched.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any, Final

from emulator.errors import InputError
from emulator.scenario.clock import Clock
from emulator.scenario.files import open_regular
from emulator.scenario.load import Loaded, varied
from emulator.scenario.models import Rates, Scenario
from emulator.scenario.names import expand
from emulator.scenario.recurrence import occurrences
from emulator.scenario.schedules import days_of, grown, is_on, power_switches, rates_over
from emulator.timeline.ticks import HOUR

__all__ = [
    "DatedEnd",
    "Kind",
    "NightsAhead",
    "Patch",
    "days_in",
    "growing_entries",
    "holidays_of",
    "in_months",
    "nights_ahead",
]


_STAMP: Final = re.compile(r"\d{4}-\d\d-\d\d.*", re.DOTALL)
_MOVED: Final = (
    *(("arrivals", "*", key) for key in ("at", "from", "until", "not_before")),
    ("pools", "*", "joins"),
    ("pools", "*", "per_worker", "*", "joins"),
    ("pools", "*", "equipment_changes", "*", "at"),
)
_ONCE: Final = (("faults", ("at", "from", "until")), ("actions", ("at", "until")))
_DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MOST_KINDS: Final = 24
_MOST_MONTHS: Final = 60
_NEVER: Final = datetime(9999, 1, 1)  # noqa: DTZ001 - a local time, as all here


@dataclass(frozen=True, slots=True)
class Kind:
    """Nights that are the same, growth aside.

    Attributes:
        name: in words: Mon to Thu, month-ends, holidays, clocks put forward.
        dates: on which the nights begin, in order.
        patch: what the scenario changes to on the first of them: dotted paths and values.
        comes: whether any job is due.
    """

    name: str
    dates: tuple[date, ...]
    patch: Mapping[str, Any]
    comes: bool = True


@dataclass(frozen=True, slots=True)
class DatedEnd:
    """Something with a date in the time ahead.

    Attributes:
        what: in words: access of dome to archive ends.
        path: of the value that holds the date.
        when: local time.
        passes: it is over by itself, as an outage is; else it lasts until somebody renews it.
        nights: the first night that it touches, and the first that it touches whole (an outage: those that it meets).
        patches: what the scenario changes to on each of those nights.
    """

    what: str
    path: str
    when: datetime
    passes: bool
    nights: tuple[date, ...]
    patches: tuple[Mapping[str, Any], ...]


@dataclass(frozen=True, slots=True)
class NightsAhead:
    """The time ahead.

    Attributes:
        first, last: its first night, and the first that is no longer in it.
        kinds: of its nights.
        ends: the dated ends in it.
        once: what happens on its own date alone, in words.
        shifted: the nights in which the clocks change and that are, to the tick, as others.
    """

    first: date
    last: date
    kinds: tuple[Kind, ...]
    ends: tuple[DatedEnd, ...]
    once: tuple[str, ...]
    shifted: tuple[date, ...]


def in_months(first: date, months: int) -> date:
    """Give the day so many months later; of a day that its month has not, the last of the month.

    >>> in_months(date(2026, 1, 31), 1), in_months(date(2026, 6, 12), 12)
    (datetime.date(2026, 2, 28), datetime.date(2027, 6, 12))
    """
    year, month = divmod(first.year * 12 + first.month - 1 + months, 12)
    for day in range(first.day, 0, -1):
        try:
            return date(year, month + 1, day)
        except ValueError:
            continue
    raise AssertionError("every month has a first day")


def nights_ahead(loaded: Loaded, months: int, holidays: Iterable[date] = ()) -> NightsAhead:
    """Sort the nights ahead by kind.

    Args:
        loaded: the scenario.
        months: how far ahead, from 1 to 60.
        holidays: days on which entries with `excludes` bring nothing.

    Raises:
        InputError: for a number of months out of range, an arrival with a date of its own, holidays that no entry
            observes, or more than 24 kinds of nights.
    """
    if not 1 <= months <= _MOST_MONTHS:
        raise InputError(f"{months} months are out of range: give a number from 1 to {_MOST_MONTHS}")
    for pattern in _MOVED:
        for loc, value in expand(loaded.data, pattern):
            if isinstance(value, str) and _STAMP.fullmatch(value):
                path = ".".join(map(str, loc))
                raise InputError(
                    f"{loaded.place(loc)}: {path} has a date, so the night cannot be moved to others: write the time "
                    "of day alone, or an offset from the start"
                )
    move = _Move(loaded, months, frozenset(holidays))
    grouped: dict[Any, list[date]] = {}
    for day in move.days():
        grouped.setdefault(move.signature(day), []).append(day)
    if len(grouped) > MOST_KINDS:
        raise InputError(
            f"{loaded.name}: no two of some nights are alike: {len(grouped)} kinds of nights ahead, and at most "
            f"{MOST_KINDS} are played: ask for fewer months, or let what recurs come on days of the week or month"
        )
    names = _names([tuple(days) for days in grouped.values()], move)
    kinds = [
        Kind(name, tuple(days), move.patch(days[0]), move.comes(days[0]))
        for name, days in zip(names, grouped.values(), strict=True)
    ]
    shifted = tuple(
        day for kind in kinds if not kind.name.startswith("clocks") for day in kind.dates if move.shift(day) is not None
    )
    return NightsAhead(move.first, move.last, tuple(kinds), tuple(move.ends), tuple(move.once_in_words()), shifted)


class _Move:
    """Moves a scenario to other dates."""

    def __init__(self, loaded: Loaded, months: int, holidays: frozenset[date]) -> None:
        self._loaded, self._data = loaded, loaded.data
        self._starts = loaded.clock.starts
        self.first = self._starts.date()
        self.last = in_months(self.first, months)
        self._observing = [
            place for place, entry in enumerate(loaded.scenario.arrivals) if entry.excludes and entry.recurs is not None
        ]
        if holidays and not self._observing:
            raise InputError(
                f"{loaded.name}: no arrival entry observes holidays: state `excludes` for those that do, such as "
                "`excludes: [sunday]`"
            )
        said = {day for place in self._observing for day in loaded.scenario.arrivals[place].excludes}
        self.holidays = holidays | {date.fromisoformat(day) for day in said if _STAMP.fullmatch(day)}
        self._added = sorted(day.isoformat() for day in holidays)
        self._moved: dict[date, tuple[Clock, Scenario]] = {}
        self._known = self._once()
        self._neutral = self._dated()
        self.ends = [self._end(one) for one in self._neutral]

    def days(self) -> Iterator[date]:
        yield from (self.first + timedelta(days=place) for place in range((self.last - self.first).days))

    # -- what happens on its own date alone --------------------------------------------------------------------------

    def _once(self) -> list[tuple[str, int, datetime, datetime]]:
        """List the faults and actions with a date: list, place, when they begin and end."""
        found = []
        for name, keys in _ONCE:
            for place, item in enumerate(self._data.get(name) or ()):
                stamps = [item[key] for key in keys if isinstance(item.get(key), str) and _STAMP.fullmatch(item[key])]
                if stamps:
                    at = [self._local(stamp) for stamp in stamps]
                    found.append((name, place, min(at), max(at)))
        return found

    def _local(self, stamp: str) -> datetime:
        clock = self._loaded.clock
        when = f"{stamp}T00:00:00" if len(stamp) == len("2026-06-12") else stamp
        return clock.local(clock.moment(when)).replace(tzinfo=None)

    def once_in_words(self) -> Iterator[str]:
        for name, place, begins, _ in self._known:
            item = self._data[name][place]
            kind = next(iter(key for key in item if key not in ("name", "at", "from", "until")), name)
            yield f"{item.get('name', f'{name}.{place} ({kind})')}, {begins:%Y-%m-%d %H:%M}"

    def _is_within(self, day: date, begins: datetime, ends: datetime) -> bool:
        starts = datetime.combine(day, self._starts.time())
        over = starts + timedelta(microseconds=self._loaded.scenario.lasts)
        return starts <= begins < over and ends >= starts

    # -- dated ends --------------------------------------------------------------------------------------------------

    def _dated(self) -> list[tuple[str, str, str, datetime, datetime]]:
        """List what has a date ahead: path, list or key to leave it out by, words, when it begins and ends to tell."""
        found = []
        for place, grant in enumerate(self._data.get("access") or ()):
            if at := self._ahead(grant.get("until")):
                what = f"access of {grant['who']} to {grant['to']} ends"
                found.append((f"access.{place}.until", "", what, at, _NEVER))
        for place, shown in enumerate(self._data.get("credentials") or ()):
            if at := self._ahead(shown.get("ends")):
                what = f"the credential of {shown['who']} for {shown['to']} ends"
                alone = "" if "life" in shown else "credentials"
                found.append((f"credentials.{place}.ends", alone, what, at, _NEVER))
        for system, said in (self._data.get("systems") or {}).items():
            for place, outage in enumerate((said or {}).get("outages") or ()):
                begins, ends = outage.get("from"), outage.get("until")
                if (at := self._ahead(begins)) or (self._ahead(ends) and _STAMP.fullmatch(str(begins))):
                    until = self._local(ends) if _STAMP.fullmatch(str(ends)) else _NEVER
                    path = f"systems.{system}.outages"
                    found.append((f"{path}.{place}", path, f"planned outage of {system}", at or self._starts, until))
        return found

    def _ahead(self, value: Any) -> datetime | None:
        if not isinstance(value, str) or not _STAMP.fullmatch(value):
            return None
        when = self._local(value)
        last = datetime.combine(self.last, time())
        return when if self._starts < when < last else None

    def _end(self, one: tuple[str, str, str, datetime, datetime]) -> DatedEnd:
        path, _, what, begins, ends = one
        touched = [day for day in self.days() if self._touches(day, begins, ends)]
        nights = tuple(touched[:2])
        return DatedEnd(what, path, begins, ends != _NEVER, nights, tuple(self.patch(day, but=path) for day in nights))

    def _touches(self, day: date, begins: datetime, ends: datetime) -> bool:
        starts = datetime.combine(day, self._starts.time())
        return begins < starts + timedelta(microseconds=self._loaded.scenario.lasts) and ends > starts

    # -- one date ----------------------------------------------------------------------------------------------------

    def patch(self, day: date, *, but: str = "") -> dict[str, Any]:
        """Give what the scenario changes to on a date; dated ends are left out, ``but`` one."""
        patch: dict[str, Any] = {"starts": datetime.combine(day, self._starts.time()).isoformat()}
        gone: dict[str, list[str]] = {}
        for path, holder, _, _, _ in self._neutral:
            if path != but and not holder:
                patch[path] = None
            elif path != but:
                gone.setdefault(holder, []).append(
                    path.split(".")[1] if holder == "credentials" else path.split(".")[-1]
                )
        for name, place, begins, ends in self._known:
            if not self._is_within(day, begins, ends):
                gone.setdefault(name, []).append(str(place))
        for place in self._observing if self._added else ():
            patch[f"arrivals.{place}.excludes"] = {"add": self._added}
        for path, places in gone.items():
            patch[path] = {"remove": places}
        return patch

    def _on(self, day: date) -> tuple[Clock, Scenario]:
        if day not in self._moved:
            made = varied(self._loaded, self.patch(day), f"on {day}")
            self._moved[day] = (made.clock, made.scenario)
        return self._moved[day]

    def signature(self, day: date) -> Any:
        """Give all that the calendar makes of a night, to be compared."""
        clock, scenario = self._on(day)
        zero = clock.local(0).utcoffset()
        shifts = tuple(
            (hour, str(offset))
            for hour in range(scenario.lasts // HOUR + 2)
            if (offset := clock.local(min(hour * HOUR, scenario.lasts)).utcoffset()) != zero
        )
        power = tuple(
            tuple((at, on) for at, on, _ in power_switches(clock, pool.windows, scenario.lasts) if at < scenario.lasts)
            for pool in scenario.pools.values()
        )
        given = tuple(grant.given <= 0 for grant in scenario.access)
        once = tuple(place for place, one in enumerate(self._known) if self._is_within(day, one[2], one[3]))
        by_the_clock = any(one.started_by or one.finished_by for one in scenario.must_hold)
        return (shifts[:1] if by_the_clock else (), self._arrivals(day), power, given, once, self._ticks(scenario))

    def shift(self, day: date) -> timedelta | None:
        """Give by how much the clocks are put forward in the night of a date, None for not at all."""
        clock, scenario = self._on(day)
        before, after = clock.local(0).utcoffset(), clock.local(scenario.lasts).utcoffset()
        return None if before is None or after is None or before == after else after - before

    def _within_run(self, tick: int | None) -> int:
        """Cut a tick to the run: what lies before or behind it is alike on all nights; never is behind it."""
        lasts = self._loaded.scenario.lasts
        return lasts if tick is None else min(max(tick, 0), lasts)

    def _ticks(self, scenario: Scenario) -> tuple[Any, ...]:
        """Give the ticks of what has a clock time: a clock that is put forward moves them."""
        faults = [(one.at, one.begins, one.ends) for one in scenario.faults]
        actions = [(one.at, one.ends) for one in scenario.actions]
        entries = [(one.at, one.begins, one.ends, one.not_before) for one in scenario.arrivals]
        pools = [
            (pool.joins, *(one.joins for one in pool.per_worker.values()), *(one.at for one in pool.equipment_changes))
            for pool in scenario.pools.values()
        ]
        access = [(self._within_run(one.given), self._within_run(one.until)) for one in scenario.access]
        ends = [self._within_run(one.ends) for one in scenario.credentials]
        down = [one for system in scenario.systems.values() for one in system.outages]
        outages = [(self._within_run(one.begins), self._within_run(one.ends)) for one in down]
        found = (scenario.lasts, *faults, *actions, *entries, *pools, *access, *ends, *outages)
        return tuple(found)

    def _arrivals(self, day: date) -> tuple[Any, ...]:
        """Give when jobs may come, by entry."""
        clock, scenario = self._on(day)
        found: list[Any] = []
        for entry in scenario.arrivals:
            begins, ends = entry.window(scenario.lasts)
            if entry.recurs is not None:
                due = occurrences(
                    entry.recurs, clock, ends, from_tick=begins, excluded=entry.excludes, at_changes=entry.at_changes
                )
                found.append(tuple(one.nominal_tick for one in due))
            elif entry.at is not None and entry.days:
                found.append(tuple(days_of(entry.at, entry.days, clock, scenario.lasts, entry.at_changes)))
            elif isinstance(entry.per_hour, Rates):
                spans = rates_over(entry.per_hour, clock, scenario.lasts)
                found.append((begins, ends, *self._within(spans, scenario.lasts), self._open(entry.days, clock, ends)))
            else:
                found.append((entry.at, begins, ends, self._open(entry.days, clock, ends)))
        return tuple(found)

    @staticmethod
    def _within(spans: Sequence[tuple[int, float]], lasts: int) -> tuple[tuple[int, float], ...]:
        """Cut rates to the run: the one in force at its start, then those that begin in it."""
        before = [rate for at, rate in spans if at <= 0]
        return ((0, before[-1] if before else 0.0), *((at, rate) for at, rate in spans if 0 < at < lasts))

    @staticmethod
    def _open(days: tuple[str, ...] | None, clock: Clock, ends: int) -> tuple[bool, ...]:
        """Say of each hour whether it lies on a day on which jobs may come."""
        return tuple(is_on(days, clock.local(hour * HOUR)) for hour in range(ends // HOUR + 1)) if days else ()

    def comes(self, day: date) -> bool:
        """Say whether any job is due in the night of a date."""
        _, scenario = self._on(day)
        for entry, said in zip(scenario.arrivals, self._arrivals(day), strict=True):
            if entry.recurs is not None or (entry.at is not None and entry.days):
                if said and entry.count != 0:
                    return True
            elif isinstance(entry.per_hour, Rates):
                if any(isinstance(one, tuple) and len(one) == 2 and one[1] for one in said[2:]):
                    return True
            elif entry.count != 0 and (not said[3] or any(said[3])):
                return True
        return False


def _names(groups: Sequence[tuple[date, ...]], move: _Move) -> list[str]:
    """Name each group of dates after what its dates have in common and others have not."""
    if len(groups) == 1:
        return ["every night"]
    found = [_plain_name(days, groups, move) for days in groups]
    for place, name in enumerate(found):
        if found.count(name) > 1:
            found[place] = f"{name}, {_weekdays(groups[place])}"
    for place, name in enumerate(found):
        if found.count(name) > 1:
            found[place] = f"{name}, from {groups[place][0]}"
    return found


def _plain_name(days: tuple[date, ...], groups: Sequence[tuple[date, ...]], move: _Move) -> str:
    shift = move.shift(days[0])
    if shift is not None and all(move.shift(day) == shift for day in days):
        return "clocks put forward" if shift > timedelta() else "clocks put back"
    if all(day in move.holidays for day in days):
        return "holidays"
    if len(days) > 1 and all((day + timedelta(days=1)).day == 1 for day in days):
        return "month-ends"
    if len(days) > 1 and all(day.day == 1 for day in days):
        return "firsts of the month"
    plain = [day for day in days if day not in move.holidays]
    if len(plain) < len(days) < max(map(len, groups)):
        return f"{_weekdays(plain)} and holidays"
    if len(days) == 1:
        return f"the night of {days[0]}"
    if len(days) == max(map(len, groups)) and len({day.weekday() for day in days}) == 7:
        return "other nights"
    return _weekdays(days)


def _weekdays(days: Iterable[date]) -> str:
    """Name days of the week: Mon to Thu, Sat and Sun."""
    places = sorted({day.weekday() for day in days})
    if len(places) == 7:
        return "any day"
    if len(places) > 2 and places == list(range(places[0], places[-1] + 1)):
        return f"{_DAYS[places[0]]} to {_DAYS[places[-1]]}"
    names = [_DAYS[place] for place in places]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


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


Patch = Callable[[float, float], dict[str, Any]]
"""Gives what a scenario changes to with so many times as many jobs, for a night at a place among its like."""


def growing_entries(loaded: Loaded) -> list[tuple[str, Patch]]:
    """List the entries that can bring more jobs, in file order, each with what it takes.

    Those by `at`, `per_hour`, `again_after` and by a recurrence bring more at once or an hour; those by `every` and
    `gaps` come at shorter gaps. A trace is as it was recorded, and a drawn `batch` stays as it is.

    >>> import emulator
    >>> loaded = emulator.from_settings({
    ...     "title": "Copies", "starts": "2026-06-12T21:30:00", "lasts": "6h", "queues": {"night": {}},
    ...     "pools": {"dome": {"count": 1, "serves": ["night"]}},
    ...     "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "4m"}]}},
    ...     "arrivals": [{"name": "nightly", "routine": "copy", "count": 12, "at": "21:30"}],
    ... })
    >>> [(entry, more(1.5, 0.5)) for entry, more in growing_entries(loaded)]
    [('nightly', {'arrivals.0.count': 18})]
    """
    found: list[tuple[str, Patch]] = []
    for place, (entry, said) in enumerate(zip(loaded.scenario.arrivals, loaded.data["arrivals"], strict=True)):
        path = f"arrivals.{place}"
        if entry.way in ("at", "again_after"):
            found.append((entry.label, _more(f"{path}.count", said.get("count", 1))))
        elif entry.way == "per_hour":
            found.append((entry.label, _more(f"{path}.per_hour", said["per_hour"])))
        elif entry.way == "recurs" and isinstance(said.get("batch", 1), int):
            found.append((entry.label, _more(f"{path}.batch", said.get("batch", 1))))
        elif entry.way in ("every", "gaps") and grown(said[entry.way], 2.0) is not None:
            found.append((entry.label, _sooner(f"{path}.{entry.way}", said[entry.way])))
    return found


def _more(path: str, value: Any) -> Patch:
    # a rate is a number with decimals, whatever it was written as
    plain = float(value) if path.endswith("per_hour") and isinstance(value, int) else value
    return lambda factor, place: {path: grown(plain, factor, place)}


def _sooner(path: str, value: Any) -> Patch:
    return lambda factor, place: {path: grown(value, 1 / factor, place)}
