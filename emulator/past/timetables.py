"""Reads the times of planned work from a crontab or a calendar (RFC 5545).

Such a file is no history: it states when work comes, and neither how long it takes nor whether it came. A crontab line
is a rule and a command, whose first word without its folder names the routine. An event of a calendar is a rule and a
summary, with a duration where it states one. The law: a line that cannot be taken over exactly is left out and counted.

A scenario begins with its night, and the rule of an event long before. So what a rule counts from its begin is counted
up to the night: COUNT becomes the moment of the last time, and of every second week the first that is still to come is
stated.
"""

import itertools
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from emulator.errors import InputError
from emulator.past.tables import LeftOut
from emulator.scenario.clock import Clock
from emulator.scenario.files import open_regular
from emulator.scenario.recurrence import MOST_OCCURRENCES, usual, validate
from emulator.scenario.recurrence_rule import parse_rule, rule_ticks
from emulator.scenario.spelling import LONGEST, parse_duration
from emulator.timeline.ticks import SECOND

__all__ = ["Planned", "Timetable", "read_timetable"]

_HEAD: Final = 65_536
_MOST: Final = 4_000_000
_NAMED: Final[Mapping[str, str]] = {
    "@hourly": "0 * * * *",
    "@daily": "0 0 * * *",
    "@midnight": "0 0 * * *",
    "@weekly": "0 0 * * 0",
    "@monthly": "0 0 1 * *",
    "@yearly": "0 0 1 1 *",
    "@annually": "0 0 1 1 *",
}
_SETTING: Final = re.compile(r"\s*([A-Za-z_]\w*)\s*=\s*[\"']?([^\"']*)[\"']?\s*")
_FIELD: Final = re.compile(r"[\d*,/A-Za-z-]+")
_DAYS: Final = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
_SHOWN: Final = 5
_SOME_END: Final = ";UNTIL=20000101T000000Z"
"""In place of an end that is told apart, so that a rule is refused which has COUNT too."""


@dataclass(frozen=True, slots=True)
class Planned:
    """Work that is planned to come by the clock.

    Attributes:
        routine: the kind of work.
        recurs: the rule by which it comes, as a scenario takes it, without COUNT and UNTIL.
        excludes: days on which it does not, as a scenario takes them.
        lasts: how long it is planned to take, in seconds; 0 where nobody says.
        place: where it stands, as ``file:line``.
        first: the local time from which the rule counts; None where it counts from none, as in a crontab.
        count: how often it comes at most; 0 for ever.
        until: after which moment it does not come; local time where it has no zone.
    """

    routine: str
    recurs: str
    excludes: tuple[str, ...]
    lasts: float
    place: str
    first: datetime | None = None
    count: int = 0
    until: datetime | None = None

    def from_night(self, starts: datetime, zone: str) -> tuple[str, datetime | None] | None:
        """Give the rule for a night and those after it, and from when on it counts; None where it is over.

        Args:
            starts: the local time at which the night begins.
            zone: of all local times.

        Raises:
            ValueError: it comes too often, or in a year of which no scenario can be.

        >>> Planned("index", "FREQ=DAILY;INTERVAL=2;BYHOUR=22;BYMINUTE=0", (), 0.0, "x.ics:3",
        ...         first=datetime(2026, 3, 1, 22), count=9).from_night(datetime(2026, 3, 10, 18), "UTC")
        ('FREQ=DAILY;INTERVAL=2;BYHOUR=22;BYMINUTE=0;UNTIL=20260317T220000Z', datetime.datetime(2026, 3, 11, 22, 0))
        """
        if self.first is None:
            return self.recurs, None
        clock = Clock(self.first, zone)
        night, every = clock.tick_of(starts), parse_rule(self.recurs)
        whole = f"{self.recurs};COUNT={self.count}" if self.count else self.recurs
        last = None if self.until is None else clock.tick_of(self.until)
        following = None
        if self.count or night < 0 or every.interval > 1 or last is not None:
            ticks = rule_ticks(parse_rule(whole), clock, 0, LONGEST, *usual(whole))
            ticks = itertools.takewhile(lambda tick: last is None or tick <= last, ticks)
            if self.count:
                if self.count > MOST_OCCURRENCES:
                    raise ValueError(f"it comes more than {MOST_OCCURRENCES:,} times: make it rarer")
                listed = sorted(set(ticks))
                last, ticks = (listed[-1] if listed else -1), iter(listed)
            following = next((tick for tick in ticks if tick >= night), None)
            if following is None:
                return None
        ends = "" if last is None else f";UNTIL={clock.local(last).astimezone(UTC):%Y%m%dT%H%M%SZ}"
        counts = following is not None and (every.interval > 1 or night < 0)
        return self.recurs + ends, clock.local(following or 0).replace(tzinfo=None, fold=0) if counts else None


@dataclass(slots=True)
class Timetable:
    """A file that states what comes by the clock.

    Attributes:
        name: the file.
        kind: ``crontab`` or ``calendar``.
        zone: the zone of its times, where it states one.
        planned: what it states.
        left_out: the lines that were not taken over.
    """

    name: str
    kind: str
    zone: str | None
    planned: list[Planned]
    left_out: list[LeftOut] = field(default_factory=list)


def read_timetable(path: Path | str) -> Timetable | None:
    """Read a crontab or a calendar; None where the file is neither.

    Raises:
        InputError: the file cannot be read, or is a calendar of more than 4 MB.
    """
    name = str(path)
    try:
        with open_regular(path) as file:
            head = file.read(_HEAD)
            calendar = head.lstrip(b"\xef\xbb\xbf \r\n").upper().startswith(b"BEGIN:VCALENDAR")
            if not calendar and not _is_crontab(head):
                return None
            rest = file.read(_MOST)
            if len(rest) == _MOST:
                raise InputError(f"{name}: is longer than {_MOST} bytes: give what recurs alone")
            text = (head + rest).decode("utf-8-sig")
    except OSError as error:
        raise InputError(f"{name}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise InputError(
            f"{name}: was taken for a {'calendar' if calendar else 'crontab'}, and is not UTF-8: save it as UTF-8"
        ) from error
    return _calendar(name, text) if calendar else _crontab(name, text)


class _Skipped:
    def __init__(self, name: str) -> None:
        self._name = name
        self._counts: Counter[str] = Counter()
        self._lines: dict[str, list[int]] = {}

    def add(self, why: str, line: int) -> None:
        self._counts[why] += 1
        self._lines.setdefault(why, []).append(line)

    def told(self) -> list[LeftOut]:
        return [
            LeftOut(why, count, tuple(self._lines[why][:_SHOWN]), self._name) for why, count in self._counts.items()
        ]


def _is_crontab(head: bytes) -> bool:
    """Whether the first lines that say anything are settings or rules with a command behind them."""
    try:
        lines = head.decode("utf-8-sig").splitlines()[:50]
    except UnicodeDecodeError:
        return False
    said = [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]
    rules = [line for line in said if not _SETTING.fullmatch(line)]
    fitting = [line for line in rules if _split(line) is not None]
    return bool(fitting) and len(fitting) >= 0.8 * len(rules)


def _split(line: str) -> tuple[str, str] | None:
    """Give the rule of a line and the command behind it; None where it is none."""
    word, *rest = line.split(None, 1)
    if word.startswith("@") and rest:
        return word, rest[0]
    parts = line.split(None, 5)
    if len(parts) < 6 or not all(_FIELD.fullmatch(part) for part in parts[:5]):
        return None
    rule = " ".join(parts[:5])
    # A line of numbers alone is a workload log's, and no command.
    says = any(one.isdigit() or one == "*" for one in rule) and any(one.isalpha() for one in parts[5])
    return (rule, parts[5]) if says else None


def _crontab(name: str, text: str) -> Timetable:
    skipped, zone = _Skipped(name), None
    lines: list[tuple[int, str, str]] = []
    for number, line in enumerate(text.splitlines(), 1):
        line = line.strip()
        if not line or line.startswith("#"):
            continue
        setting = _SETTING.fullmatch(line)
        if setting:
            zone = setting[2].strip() if setting[1] in ("CRON_TZ", "TZ") else zone
            continue
        found = _split(line)
        rule = None if found is None else _NAMED.get(found[0].lower(), found[0])
        try:
            validate(rule or "")
        except ValueError:
            skipped.add("no rule that recurs", number)
            continue
        assert found is not None and rule is not None
        lines.append((number, rule, found[1]))
    user = _names_users([command for _, _, command in lines])
    planned = [
        Planned(_routine_of(command.split(None, 1)[1] if user else command), rule, (), 0.0, f"{name}:{number}")
        for number, rule, command in lines
    ]
    return Timetable(name, "crontab", zone, planned, skipped.told())


def _names_users(commands: list[str]) -> bool:
    """Whether a user stands before each command, as in the crontab of a system: one word without a folder, always."""
    words = [command.split() for command in commands]
    return (
        all(len(each) > 1 and re.fullmatch(r"[a-z_][\w-]*", each[0]) for each in words)
        and len(words) > 1
        and len({each[0] for each in words}) <= max(1, len(words) // 2)
        and all(each[1].startswith("/") for each in words)
    )


def _routine_of(command: str) -> str:
    """Name the routine by the command's first word that is no setting, without its folder and its ending."""
    words = [word for word in command.split() if not _SETTING.fullmatch(word)]
    last = (words or [command])[0].rstrip("/").rpartition("/")[2]
    return last.rpartition(".")[0] or last


def _calendar(name: str, text: str) -> Timetable:
    skipped = _Skipped(name)
    zone, planned = None, []
    for number, event in _events(text):
        start = event.get("DTSTART")
        found = None if start is None else _moment(*start)
        if found is None:
            skipped.add("no time at which it begins", number)
            continue
        at, own = found
        zone = zone or own
        why = _refused(event, own, zone)
        if why:
            skipped.add(why, number)
            continue
        said = _parts(event["RRULE"][1])
        count, until = said.pop("COUNT", ""), said.pop("UNTIL", "")
        rule = _whole_rule(said, at)
        counted = f"{rule};COUNT={count}" if count else rule
        try:
            validate(counted + _SOME_END if until else counted)
        except ValueError:
            skipped.add("a rule that is not taken over", number)
            continue
        summary = event.get("SUMMARY", ({}, "event"))[1]
        excludes = tuple(
            day.isoformat()[:10]
            for each in event.get("EXDATE", ({}, ""))[1].split(",")
            if each and (day := _parsed(each)) is not None
        )
        plain = re.sub(r"\\(.)", lambda it: " " if it[1] in "nN" else it[1], summary)
        planned.append(
            Planned(
                plain.strip() or "event",
                rule,
                excludes,
                _lasts(event, at),
                f"{name}:{number}",
                at,
                int(count or 0),
                _until(until),
            )
        )
    return Timetable(name, "calendar", zone, planned, skipped.told())


_Event = dict[str, tuple[dict[str, str], str]]


def _events(text: str) -> Iterator[tuple[int, _Event]]:
    """Give the events with the line at which each begins; long lines are unfolded (RFC 5545, section 3.1)."""
    event: _Event | None = None
    begins, inside = 0, 0
    for number, line in _unfolded(text.splitlines()):
        name, _, value = line.partition(":")
        key, *parameters = name.split(";")
        key = key.upper()
        if key == "BEGIN" and value.upper() == "VEVENT":
            event, begins, inside = {}, number, 0
        elif key == "BEGIN":
            inside += 1
        elif key == "END" and value.upper() == "VEVENT" and event is not None:
            yield begins, event
            event = None
        elif key == "END":
            inside -= 1
        elif event is not None and not inside:
            said = {}
            for each in parameters:
                word, _, meant = each.partition("=")
                said[word.upper()] = meant
            if key == "EXDATE" and key in event:
                value = f"{event[key][1]},{value}"
            event[key] = (said, value)


def _unfolded(lines: Iterable[str]) -> Iterator[tuple[int, str]]:
    held: tuple[int, str] | None = None
    for number, line in enumerate(lines, 1):
        if line[:1] in (" ", "\t") and held is not None:
            held = (held[0], held[1] + line[1:])
            continue
        if held is not None:
            yield held
        held = (number, line)
    if held is not None:
        yield held


def _parsed(text: str) -> datetime | None:
    match = re.fullmatch(r"(\d{4})(\d\d)(\d\d)(?:T(\d\d)(\d\d)(\d\d)Z?)?", text.strip(), re.ASCII)
    try:
        return None if match is None else datetime(*(int(part or 0) for part in match.groups()))  # type: ignore[arg-type]  # noqa: DTZ001 - the zone stands beside it
    except ValueError:
        return None


def _moment(said: Mapping[str, str], text: str) -> tuple[datetime, str | None] | None:
    """Give the local time of a moment and its zone (None: whatever zone it is read in)."""
    at = _parsed(text)
    if at is None:
        return None
    return at, "UTC" if text.strip().endswith("Z") else said.get("TZID", "").strip('"') or None


def _refused(event: _Event, own: str | None, zone: str | None) -> str:
    """Say why an event cannot be taken over; empty where it can."""
    if "RECURRENCE-ID" in event:
        return "one occurrence that was moved"
    if "RRULE" not in event:
        return "comes once"
    if own is not None and own != zone:
        return "in another zone than the first event"
    if event.get("STATUS", ({}, ""))[1].strip().upper() == "CANCELLED":
        return "is cancelled"
    if "RDATE" in event:
        return "has further times of its own (RDATE)"
    until = _parts(event["RRULE"][1]).get("UNTIL", "")
    if until and _until(until) is None:
        return "ends at a time that no calendar shows (UNTIL)"
    if until and "T" not in until and "T" in event["DTSTART"][1].upper():
        return "ends with a day, though it begins at a time of day (UNTIL): write the time too"
    return ""


def _until(text: str) -> datetime | None:
    """Read the last moment of a rule; one without a zone is local."""
    at = _parsed(text)
    return at.replace(tzinfo=UTC) if at is not None and text.strip().endswith("Z") else at


def _parts(rule: str) -> dict[str, str]:
    return dict(part.strip().split("=", 1) for part in rule.upper().split(";") if "=" in part)


def _whole_rule(said: dict[str, str], at: datetime) -> str:
    """Write into a rule what it takes from the begin of its event (RFC 5545, section 3.3.10)."""
    often = said.get("FREQ", "")
    if often in ("DAILY", "WEEKLY", "MONTHLY", "YEARLY"):
        said.setdefault("BYHOUR", str(at.hour))
        said.setdefault("BYMINUTE", str(at.minute))
    if at.second:
        said.setdefault("BYSECOND", str(at.second))
    if often == "HOURLY":
        said.setdefault("BYMINUTE", str(at.minute))
    if often == "WEEKLY":
        said.setdefault("BYDAY", _DAYS[at.weekday()])
    if often == "MONTHLY" and "BYDAY" not in said:
        said.setdefault("BYMONTHDAY", str(at.day))
    if often == "YEARLY" and not said.keys() & {"BYDAY", "BYMONTHDAY", "BYYEARDAY", "BYWEEKNO"}:
        said.setdefault("BYMONTH", str(at.month))
        said["BYMONTHDAY"] = str(at.day)
    if often == "YEARLY" and "BYWEEKNO" in said and not said.keys() & {"BYDAY", "BYMONTHDAY", "BYYEARDAY"}:
        said["BYDAY"] = _DAYS[at.weekday()]
    return ";".join(f"{key}={value}" for key, value in said.items())


def _lasts(event: _Event, at: datetime) -> float:
    """Say how long an event lasts, in seconds; 0 where it does not say."""
    if "DTEND" in event:
        end = _parsed(event["DTEND"][1])
        return max(0.0, (end - at).total_seconds()) if end is not None else 0.0
    try:
        return parse_duration(event["DURATION"][1].strip()) / SECOND if "DURATION" in event else 0.0
    except ValueError:
        return 0.0
