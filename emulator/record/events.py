"""Writes and reads events; ``record.kinds`` declares their kinds and what each carries.

An event is written as a plain tuple, because hundreds of thousands are made a second::

    (at, kind, cause, job, worker, *details)

``at`` is the tick, ``cause`` the number of the event that led to this one (0: nothing did), ``job`` the number of the
job (0: none), ``worker`` the name of the worker (``""``: none); what the details are is told by ``DETAILS[kind]``.
An event's number is its place in the stream, counted from 1. Who reads events gets them as ``Event``.

Two views are kept apart. What the **broker** holds to be true is told by ``handed_out``, ``lease_renewed``,
``attempt_ended``, ``requeued``, ``finished``; what the **worker** does is told by ``work_began`` and
``work_stopped``. A worker that lost its lease and does not know it yet works on between the two.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from operator import itemgetter
from types import MappingProxyType
from typing import Any, Final, Literal, Protocol

from emulator.record.kinds import BEGUN, COMPOUND, ENDED_WELL, HEARTBEAT_KINDS, KINDS, QUEUED
from emulator.record.reasons import NONE, Because
from emulator.records import record
from emulator.timeline.ticks import SECOND

__all__ = [
    "BEGUN",
    "DETAILS",
    "ENDED_WELL",
    "HEARTBEAT_KINDS",
    "NO_ALLOWANCE",
    "QUEUED",
    "WITH_VALUES",
    "Emit",
    "Event",
    "EventKind",
    "Row",
    "Sink",
    "apart",
    "details_of",
    "emitter",
    "events_of",
    "read",
    "reason_in",
    "reason_of",
    "to_json_object",
]

_KIND: Final = itemgetter(1)
_APART: Final = {kind: compound.apart for kind, compound in COMPOUND.items()}

Row = tuple[Any, ...]
"""An event as it is written: ``(at, kind, cause, job, worker, *details)``."""


EventKind = Literal[
    "run_began",
    "factor_drawn",
    "run_ended",
    "submitted",
    "submission_repeated",
    "submission_refused",
    "held",
    "hold_ended",
    "handed_out",
    "lease_renewed",
    "handed_back",
    "attempt_ended",
    "requeued",
    "finished",
    "suspend_requested",
    "suspended",
    "resume_requested",
    "resumed",
    "stale_refused",
    "lease_forgotten",
    "queue_held",
    "queue_released",
    "broker_down",
    "broker_up",
    "worker_registered",
    "worker_declared_lost",
    "worker_signed_off",
    "heartbeat_received",
    "worker_changed",
    "worker_speed_changed",
    "equipment_changed",
    "work_began",
    "part_finished",
    "work_stopped",
    "work_paused",
    "work_continued",
    "worker_notified",
    "outcome_unanswered",
    "effect_landed",
    "effect_refused",
    "effect_found",
    "call_ended",
    "call_served_late",
    "system_changed",
    "access_changed",
    "credential_changed",
    "occurrence_skipped",
    "entry_complete",
    "fault_began",
    "fault_ended",
    "fault_missed",
    "action_taken",
    "action_refused",
    "message_lost",
]
"""The name of a kind of event, such as ``"handed_out"``."""


class Sink(Protocol):
    """What the broker and the world write events to."""

    def emit(self, row: Row) -> int:
        """Take one row and give its number, counted from 1."""
        ...


class Emit(Protocol):
    """Takes one row, which may be a compound one of so many events, and gives the number of its last event."""

    def __call__(self, row: Row, events: int = 1, /) -> int: ...


def apart(rows: Iterable[Row], first: int) -> list[Row]:
    """Give the events that rows stand for, which are numbered from ``first``.

    >>> [row[1:3] for row in apart([(5, "stopped_and_done", 2, 1, "dome-1", 1, 7)], 3)]
    [('work_stopped', 2), ('attempt_ended', 3), ('finished', 4)]
    """
    found: list[Row] = []
    for row in rows:
        ways = _APART.get(row[1])
        if ways is None:
            found.append(row)
        else:
            found += ways(row, first + len(found))
    return found


def events_of(rows: Iterable[Row]) -> int:
    """Count the events that rows stand for.

    >>> events_of([(5, "queue_held", 0, 0, "", "night"), (5, "stopped_and_done", 2, 1, "dome-1", 1, 7)])
    4
    """
    kinds = Counter(map(_KIND, rows))
    return sum(count * COMPOUND[kind].events if kind in COMPOUND else count for kind, count in kinds.items())


def emitter(sink: Sink) -> Emit:
    """Give what writes rows, compound ones too, to a sink; one that takes none of them gets their events.

    A sink that takes compound rows says so by ``takes_compound``, and its ``emit`` is an ``Emit``.
    """
    emit: Any = sink.emit
    if getattr(sink, "takes_compound", False):
        return emit  # type: ignore[no-any-return]  # what the sink says of it

    def each(row: Row, events: int = 1, /) -> int:
        compound = COMPOUND.get(row[1])
        if compound is None:
            return sink.emit(row)
        number = sink.emit(compound.apart(row, 0)[0])  # whose number the others may name
        for one in compound.apart(row, number)[1:]:
            number = sink.emit(one)
        return number

    return each


DETAILS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType({name: kind.details for name, kind in KINDS.items()})
"""The details of each kind of event, in order."""

WITH_VALUES: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {kind: (*names, "values") for kind, names in DETAILS.items() if "why" in names}
)
"""The details of an event whose reason has values."""

NO_ALLOWANCE: Final = -1
"""The detail ``retries_left`` of a queue that has no allowance of retries."""


@record
class Event:
    """One event as it is read.

    Attributes:
        number: its place in the run, counted from 1.
        at: the tick at which it happened (``seconds`` gives it in seconds).
        kind: what happened, such as ``handed_out``.
        cause: the number of the event that led to it; 0 for none.
        job: the number of the job that it concerns; 0 for none.
        worker: the name of the worker that it concerns; "" for none.
        details: what else is known of it, by name.
    """

    number: int
    at: int
    kind: EventKind
    cause: int
    job: int
    worker: str
    details: Mapping[str, Any]

    @property
    def seconds(self) -> float:
        """The seconds from the start of the scenario at which it happened, as ``emu.time`` counts them.

        >>> [event] = read([(1_500_000, "broker_down", 0, 0, "")]); event.at, event.seconds
        (1500000, 1.5)
        """
        return self.at / SECOND


def details_of(row: Row) -> dict[str, Any]:
    """Give the details of a row by name.

    >>> details_of((5, "queue_held", 0, 0, "", "night"))
    {'queue': 'night'}
    """
    names, values = DETAILS[row[1]], row[5:]
    if len(values) > len(names):
        names = WITH_VALUES.get(row[1], names)
    return dict(zip(names, values, strict=True))


def reason_in(event: Event) -> Because:
    """Give the reason that an event carries as its ``why``."""
    return Because(event.details["why"], event.details.get("values", NONE.values))


def reason_of(row: Row) -> Because:
    """Give the reason that a row carries as its ``why``.

    >>> reason_of((5, "work_stopped", 0, 3, "dome-1", 1, 7, "part_failed", {"part": "copy"}))
    Because(code='part_failed', values={'part': 'copy'})
    """
    names = DETAILS[row[1]]
    code = row[5 + names.index("why")]
    return Because(code, row[-1]) if len(row) > 5 + len(names) else Because(code)


def read(rows: Iterable[Row], first: int = 1) -> Iterator[Event]:
    """Turn rows into events, numbering them from ``first``.

    >>> [event] = read([(5, "broker_down", 0, 0, "")]); event.number, event.kind
    (1, 'broker_down')
    """
    for number, row in enumerate(rows, first):
        yield Event(number, row[0], row[1], row[2], row[3], row[4], details_of(row))


def to_json_object(number: int, row: Row) -> dict[str, Any]:
    """Give the JSON object of one row as it stands in the JSON Lines export: fixed keys first, details after them.

    >>> to_json_object(7, (5, "queue_held", 3, 0, "", "night"))
    {'n': 7, 'at': 5, 'kind': 'queue_held', 'cause': 3, 'queue': 'night'}
    """
    line: dict[str, Any] = {"n": number, "at": row[0], "kind": row[1], "cause": row[2]}
    if row[3]:
        line["job"] = row[3]
    if row[4]:
        line["worker"] = row[4]
    line.update(details_of(row))
    return line
