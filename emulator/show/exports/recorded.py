"""Holds the recorded night that every export is made from, its attempts, and how values are written.

Names are the scenario's, and may hold what a format or a program would take for a command:

- control characters, halves of surrogate pairs, what Unicode calls no character and marks that turn the direction of
  what follows become U+FFFD in XML, OpenMetrics, CSV and attributes of CloudEvents, which cannot hold (or should not
  show) them; JSON holds them as escapes;
- a cell of a CSV file that begins with ``=``, ``+``, ``-``, ``@``, a tab or a return, which spreadsheets would take
  for a formula, gets an apostrophe in front. Only texts do; numbers and times never begin so.

One attempt is one worker with one token: what the broker granted, and what the worker did with it. A lease that two
workers work on has two, the second with the outcome ``second_hand_out`` and no lease of its own. An attempt that was
handed back unstarted, which no figure counts, stands here as ``handed back``.
"""

import hashlib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from emulator.measure.night import IN_PROGRESS, SECOND_HAND_OUT, WITHDRAWN, Night
from emulator.measure.occurrences import Judged
from emulator.record.event_view import EventView, views
from emulator.record.events import Event, Row, read
from emulator.record.history import Attempt as Granted
from emulator.record.history import History, Work
from emulator.record.meta import RunMeta
from emulator.record.reasons import FINISHED, NONE, WITHDRAWN_BY_PERSON, Because
from emulator.scenario.clock import Clock
from emulator.timeline.ticks import SECOND

__all__ = [
    "HANDED_BACK",
    "Attempt",
    "PartDone",
    "Recorded",
    "as_json",
    "attempts_of",
    "cell",
    "local_time",
    "of_workers",
    "plain",
    "seconds",
    "unix_microseconds",
    "utc_time",
]


@dataclass(frozen=True, slots=True)
class Recorded:
    """One night, as its log tells it.

    Attributes:
        title: of the scenario, with the variant that was run.
        about: what the run was made of.
        clock: the scenario's clock.
        rows: the events; the number of each is its place, counted from 1.
        night, judged: what they fold to, and the requirements. also_true: the facts of the lesson.
        finished: whether the run came to its end.
        parts: routine -> (name, whether it is done for each element of a list) of its parts, in order.
        breaks_off: where the log ends, in a sentence, if that is before the run was finished; else "".
        digest: the digest of the events of a finished run; "" for one that was not finished.
    """

    title: str
    about: RunMeta
    clock: Clock
    rows: Sequence[Row] = field(repr=False)
    night: Night = field(repr=False)
    judged: tuple[Judged, ...]
    finished: bool
    parts: Mapping[str, tuple[tuple[str, bool], ...]]
    also_true: tuple[Judged, ...] = ()
    breaks_off: str = ""
    digest: str = ""

    def events(self) -> Iterator[Event]:
        """Give the events in order."""
        return read(self.rows)

    def history(self) -> History:
        """Fold the events into their history."""
        night = History()
        night.take_all(views(self.rows))
        return night

    @property
    def key(self) -> str:
        """What tells this night from others, in 32 hex digits; two that differ in any event never have the same.

        It is made of the scenario and the files that it refers to, of the seed, the variant, the mode of heartbeats and
        what was set on the command line for the run, and of the digest of the events.
        """
        about = self.about
        chosen = [about.seed, about.variant, about.heartbeats, *([about.changes] if about.changes else [])]
        made_of = json.dumps([about.scenario_text, sorted(about.files.items()), *chosen, self.digest])
        return hashlib.sha256(made_of.encode()).hexdigest()[:32]

    def job(self, number: int) -> str:
        """Name a job, "" for none."""
        return self.night.name_of(number) if number else ""


_TURNING: Final = "\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069"  # Bidi_Control in the Unicode Character Database
_UNFIT: Final = re.compile(f"[\x00-\x1f\x7f-\x9f{_TURNING}\u2028\u2029\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")
_SURROGATE: Final = re.compile("[\ud800-\udfff]")
_encode = json.JSONEncoder(ensure_ascii=True, allow_nan=False, check_circular=False, separators=(",", ":")).encode
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def plain(text: str) -> str:
    r"""Replace what a text of an open format cannot hold.

    >>> plain("dome\x1b[2J")
    'dome\ufffd[2J'
    """
    return _UNFIT.sub("\ufffd", text)


def cell(text: str) -> str:
    """Write a text as a cell of a CSV file.

    >>> cell("=1+1"), cell("dome-1")
    ("'=1+1", 'dome-1')
    """
    return plain("'" + text if text.startswith(_FORMULA) else text)


def as_json(value: Any) -> str:
    r"""Write JSON in ASCII alone, without blanks: what is no ASCII, and every control character, is an escape.

    Half a surrogate pair becomes U+FFFD, since readers of JSON disagree on it (RFC 8259, section 8.2).

    >>> as_json({"who": "dome\x7f"})
    '{"who":"dome\\u007f"}'
    """
    text = _encode(value)
    if "\\ud" in text:  # perhaps half a pair, which is rare: it is looked for only now
        text = _encode(_whole(value))
    return text.replace("\x7f", "\\u007f")


def _whole(value: Any) -> Any:
    if isinstance(value, str):
        return _SURROGATE.sub("\ufffd", value)
    if isinstance(value, dict):
        return {_whole(key): _whole(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_whole(inner) for inner in value]
    return value


def local_time(clock: Clock, tick: int) -> str:
    """Write a tick as the scenario's clock shows it, with the offset from UTC and microseconds (ISO 8601).

    >>> from datetime import datetime
    >>> local_time(Clock(datetime(2026, 6, 12, 21, 30), "America/Santiago"), 1)
    '2026-06-12T21:30:00.000001-04:00'
    """
    return clock.local(tick).isoformat(timespec="microseconds")


def utc_time(clock: Clock, tick: int) -> str:
    """Write a tick as RFC 3339 has it, in UTC, whose offset is whole in every year.

    >>> from datetime import datetime
    >>> utc_time(Clock(datetime(2026, 6, 12, 21, 30), "America/Santiago"), 1)
    '2026-06-13T01:30:00.000001Z'
    """
    return clock.local(tick).astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def unix_microseconds(clock: Clock, tick: int) -> int:
    """Give a tick as microseconds since 1970 in UTC; what lies before is negative.

    >>> from datetime import datetime
    >>> unix_microseconds(Clock(datetime(1970, 1, 1), "UTC"), 1_500_000)
    1500000
    """
    return tick + (clock.local(0) - _EPOCH) // _MICROSECOND


def seconds(ticks: int) -> str:
    """Write ticks as seconds, exactly.

    >>> seconds(1_500_000), seconds(-1)
    ('1.500000', '-0.000001')
    """
    whole, rest = divmod(abs(ticks), SECOND)
    return f"{'-' if ticks < 0 else ''}{whole}.{rest:06d}"


HANDED_BACK: Final = "handed_back"

Parts = Mapping[str, tuple[tuple[str, bool], ...]]


@dataclass(slots=True)
class PartDone:
    """One part of an attempt; ``name`` is "" where neither events nor scenario tell it. ``finished``: to its end."""

    name: str
    element: str
    begins: int
    ends: int
    finished: bool


@dataclass(slots=True)
class Attempt:
    """One worker with one token. Ticks are -1 where the thing has not happened, or not by the horizon.

    Attributes:
        event: the number of the event with which it begins: the hand-out, or the begin of the work.
        handed_out, until: when the lease was granted, and its first end; -1: this worker was granted none.
        ended: when it ended in the broker's view.
        why: why it ended in the broker's view.
        work: what it did; None before it began. began, stopped, stopped_why: when, and why it stopped.
        events: every event that names job, token and worker, and those that end it, in order.
    """

    job: int
    number: int
    token: int
    worker: str
    event: int
    handed_out: int = -1
    until: int = -1
    ended: int = -1
    outcome: str = IN_PROGRESS
    why: Because = NONE
    work: Work | None = None
    parts: list[PartDone] = field(default_factory=list)
    events: list[EventView] = field(default_factory=list)

    @property
    def began(self) -> int:
        """When the worker began to work on it."""
        return -1 if self.work is None else self.work.began

    @property
    def stopped(self) -> int:
        """When the worker stopped."""
        return -1 if self.work is None else self.work.stopped

    @property
    def stopped_why(self) -> Because:
        """Why the worker stopped."""
        return NONE if self.work is None else Because(self.work.why, self.work.values)

    @property
    def begins(self) -> int:
        """The first tick of it."""
        return self.handed_out if self.handed_out >= 0 else self.began

    def executed(self, horizon: int) -> int:
        """Give for how long it was executed by the horizon; -1 if it never began."""
        return -1 if self.work is None else self.work.executed(self.began, horizon)

    def ends(self, horizon: int) -> int:
        """Give the last tick of it, of the lease or of the work, whichever is later."""
        if self.began >= 0 and self.stopped < 0:
            return horizon
        if self.handed_out >= 0 and self.ended < 0:
            return horizon
        return max(self.ended, self.stopped, self.begins)


def attempts_of(recorded: Recorded) -> list[Attempt]:
    """Give every attempt of a night, in the order in which they began."""
    found = []
    for job in recorded.history().jobs.values():
        routine = recorded.parts.get(job.submission.routine, ())
        for granted in job.attempts:
            for attempt in of_workers(granted):
                attempt.events = [
                    event
                    for event in granted.events
                    if event.worker == attempt.worker and event.event >= attempt.event and event.kind != "message_lost"
                ]
                _parts(attempt, routine, recorded.night.horizon)
                found.append(attempt)
    return sorted(found, key=lambda attempt: attempt.event)


def of_workers(granted: Granted) -> Iterator[Attempt]:
    """Give what each worker did under one token, the one to which it was granted first; without events and parts."""
    own = granted.own
    made = Attempt(granted.job, granted.number, granted.token, granted.worker, granted.event, work=own)
    made.handed_out, made.until, made.ended, made.why = granted.at, granted.until, granted.ended, granted.reason
    withdrawn = granted.outcome == "lease_lost" and granted.why == WITHDRAWN_BY_PERSON
    made.outcome = WITHDRAWN if withdrawn else granted.outcome or IN_PROGRESS
    yield made
    for work in granted.work:
        if work is not own:
            yield Attempt(
                granted.job, granted.number, granted.token, work.worker, work.event, outcome=SECOND_HAND_OUT, work=work
            )


def _parts(attempt: Attempt, routine: tuple[tuple[str, bool], ...], horizon: int) -> None:
    """Add the parts: those that events tell of, and the one in which the work stopped, which has no event."""
    if attempt.began < 0:
        return
    begins = attempt.began
    for event in attempt.events:
        if event.kind == "part_finished":
            attempt.parts.append(PartDone(event.part, event.element, begins, event.at, True))
            begins = event.at
    finished = attempt.stopped_why.code == FINISHED
    ends = attempt.stopped if attempt.stopped >= 0 else horizon
    attempt.parts.append(PartDone(_after(routine, attempt, finished), "", begins, ends, finished))


def _after(routine: tuple[tuple[str, bool], ...], one: Attempt, finished: bool) -> str:
    """Name the part after the last that was finished, "" where the events leave that open.

    They do where it may be a part for each element of a list that has more elements or none, and where the attempt may
    have resumed after a part.
    """
    names = [name for name, _ in routine]
    if not names or any(part.name not in names for part in one.parts):  # a handler has parts of its own
        return ""
    if finished:
        return names[-1]
    if not one.parts and one.number > 1:
        return ""
    place = 0
    if one.parts:
        last = names.index(one.parts[-1].name)
        place = last if routine[last][1] else last + 1
    if place >= len(names) or (routine[place][1] and place + 1 < len(names)):
        return ""
    return names[place]
