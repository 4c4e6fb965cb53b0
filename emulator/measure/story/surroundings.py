"""Tells what went on around a job or a worker, and why a job waited from one moment to another.

It is made once for a run, and asked for many stories.

A stretch of waiting is parted into pieces, each with one reason that held throughout it, and the reason that goes first
wins: the broker was down, a person held the queue, the queue ran as many jobs as it may, the key was busy, no worker
served the queue, none had what is required, none was on, all were busy (with fewer free slots than the job takes). What
is left is the time in which a worker was idle and had not asked yet (or declined the job).
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property
from operator import attrgetter
from typing import Final, NamedTuple

from emulator.broker.rules import meets
from emulator.measure.story.facts import MOST_CITED, SURROUNDING, Causes, Piece, Settings, Source
from emulator.measure.story.occupation import BUSY, IDLE, LEASING, NONE_ON, OCCUPYING, Leases, Occupation
from emulator.record.event_view import EventView
from emulator.record.history import Attempt, History, Job, job_of

__all__ = [
    "BROKER_DOWN",
    "KEY_BUSY",
    "QUEUE_FULL",
    "QUEUE_HELD",
    "Surroundings",
    "Waiting",
    "pieces",
]


_BAD_STATES: Final = ("off", "frozen", "cut_off")
_number: Final = attrgetter("event")


class Surroundings:
    """What is known of a run besides the events of one subject.

    Args:
        source: gives the events.
        settings: what the scenario says.
        lasts: the tick at which the run ends (of one that was stopped before: its last event).

    Attributes:
        source, settings, until: the same; ``until`` is where what is unfinished is cut off.
        causes: follows causes.
    """

    def __init__(self, source: Source, settings: Settings, lasts: int) -> None:
        self.source = source
        self.settings = settings
        self.until = lasts if source.finished else max(0, source.last[1])
        self.causes = Causes(source)
        self._of_kind: dict[str, list[EventView]] = {}
        self._history = History()
        self._jobs: dict[int, Job] = {}
        for event in source.of_kinds(SURROUNDING):
            self._of_kind.setdefault(event.kind, []).append(event)
            self._history.take(event)
        self._occupations: dict[tuple[str, ...], Occupation] = {}

    def job(self, number: int) -> Job:
        """Tell what became of a job."""
        if number not in self._jobs:
            self._jobs[number] = job_of(self.source.of_job(number))
        return self._jobs[number]

    @cached_property
    def _again(self) -> list[EventView]:
        """Give the submissions by which jobs were resubmitted."""
        return [came for came in self.source.of_kinds(("submitted",)) if came.resubmitted_from]

    @cached_property
    def _takes_slots(self) -> dict[int, int]:
        """Give the slots of each job that takes several."""
        takes = {name: routine.takes_slots for name, routine in self.settings.scenario.routines.items()}
        if not any(slots > 1 for slots in takes.values()):
            return {}
        submissions = self.source.of_kinds(("submitted",))
        return {came.job: slots for came in submissions if (slots := takes.get(came.routine, 1)) > 1}

    @cached_property
    def leases(self) -> Leases:
        """Tell how many jobs of a queue or of a key ran."""
        return Leases(self.source.heads(LEASING), self.source.of_kinds(("submitted",)))

    def resubmitted(self, job: int) -> list[EventView]:
        """Give the submissions by which a job was resubmitted."""
        return [came for came in self._again if came.resubmitted_from == job]

    def family(self, job: int) -> list[int]:
        """Give the jobs of a family, whose effects are counted together, in the order in which they came."""
        first: dict[int, int] = {}
        for came in self._again:
            first[came.job] = first.get(came.resubmitted_from, came.resubmitted_from)
        origin = first.get(job, job)
        return [origin, *(one for one, of in first.items() if of == origin)]

    def name(self, job: int) -> str:
        """Name a job as people do; "" if its submission is not known."""
        return self.job(job).name

    def requires(self, came: EventView) -> tuple[str, ...]:
        """Give what the broker asked of a worker for a job, by its submission."""
        return self._needs(came, came.at) if self.settings.queue(came.queue).matches_equipment else ()

    def _needs(self, came: EventView, at: int) -> tuple[str, ...]:
        """Give what the version of a job's routine that was in force at a tick requires."""
        found = self.settings.requires(came.routine)
        for event in self.kind("action_taken"):
            if event.at <= at and event.action == "new_version" and event.target == came.routine:
                found = self.settings.new_requires(event.place, found)
        return found

    def lacked_tool(self, came: EventView, attempt: Attempt) -> bool:
        """Say whether an attempt ended as it began, because its worker lacked what the job requires."""
        own = attempt.own
        if own is None or not own.stop or own.stopped != own.began or own.stop > attempt.end:
            return False
        needs = self._needs(came, attempt.at)
        if not needs or attempt.outcome != self.settings.missing_tool(came.routine):
            return False
        worker = self.settings.workers.get(own.worker)
        changed = self.latest("equipment_changed", own.event, worker=own.worker)
        has = changed.equipped_with.split(", ") if changed is not None else worker.equipment if worker else ()
        return not meets(needs, [item for item in has if item])

    def kind(self, kind: str) -> Sequence[EventView]:
        """Give the events of one kind that tells of surroundings, in order."""
        return self._of_kind.get(kind, ())

    def occupation(self, queue: str) -> Occupation:
        """Tell by what the workers that serve a queue were taken."""
        workers = {name: one for name, one in self.settings.workers.items() if queue in one.queues}
        names = tuple(workers)
        if names not in self._occupations:
            events = self.source.of_kinds(OCCUPYING, frozenset(names))
            self._occupations[names] = Occupation(events, workers, self._takes_slots)
        return self._occupations[names]

    def stretches(self, what: str, queue: str = "") -> list[tuple[int, int, tuple[int, ...]]]:
        """Give (begin, end, events) of each outage of the broker (``outage``) or hold of a queue (``queue_held``)."""
        found: list[tuple[int, int, tuple[int, ...]]] = []
        for one in self._history.intervals(what):
            if queue and one.began.queue != queue:
                continue
            if one.ended is None:
                found.append((one.begin, self.until + 1, (one.began.event,)))
            else:
                found.append((one.begin, one.end, (one.began.event, one.ended.event)))
        return found

    def fault_on(self, worker: str, kinds: Sequence[str], at: int) -> int:
        """Give the event of the last fault of some kinds that a worker suffers from at a tick; 0 if none."""
        found = 0
        for fault in self._history.intervals("fault"):
            if fault.begin > at:
                break
            hits = fault.began.worker == worker and fault.began.fault in kinds
            if fault.ended is not None:
                hits = hits and fault.ended.kind != "fault_missed" and fault.end >= at
            if hits:
                found = fault.began.event
        return found

    def trouble(self, worker: str, after: int, before: int) -> EventView | None:
        """Give the last event between two by which a worker went off, froze or was cut off."""
        found = None
        changes = self.changes(worker)
        for change in changes[bisect_right(changes, after, key=_number) :]:
            if change.event >= before:
                break
            if change.state in _BAD_STATES:
                found = change
        return found

    def changes(self, worker: str) -> list[EventView]:
        """Give the events by which a worker told of its state, in order."""
        return self._history.worker(worker).changes

    def latest(self, kind: str, before: int, **values: object) -> EventView | None:
        """Give the last event of a kind before another, with such values (``system="archive"``)."""
        events = self.kind(kind)
        for place in range(bisect_left(events, before, key=_number) - 1, -1, -1):
            event = events[place]
            if all(getattr(event, name) == value for name, value in values.items()):
                return event
        return None


BROKER_DOWN: Final = "broker down"
QUEUE_HELD: Final = "queue held"
QUEUE_FULL: Final = "queue full"
KEY_BUSY: Final = "key busy"

_Layer = Sequence[tuple[int, int, tuple[int, ...]]]


class Waiting(NamedTuple):
    """What is asked of a job that waits: its queue and key, what its worker must have, and how many free slots."""

    queue: str
    key: str
    requires: tuple[str, ...]
    slots: int = 1


def pieces(around: Surroundings, job: Waiting, begin: int, end: int) -> list[Piece]:
    """Part a stretch of waiting into pieces with one reason each; together they cover [begin, end)."""
    if begin >= end:
        return []
    occupation = around.occupation(job.queue)
    found: list[Piece] = []
    left = [(begin, end)]
    for reason, layer in _layers(around, job):
        rest: list[tuple[int, int]] = []
        for since, until in left:
            for a, b, events in _within(layer, since, until):
                found.append(Piece(a, b, reason, events, queue=job.queue))
                if a > since:
                    rest.append((since, a))
                since = b
            if until > since:
                rest.append((since, until))
        left = rest
    for since, until in left:
        found += _of_workers(occupation, job, since, until)
    found.sort(key=lambda piece: piece.begin)
    return _joined(found)


def _layers(around: Surroundings, job: Waiting) -> Iterator[tuple[str, _Layer]]:
    yield BROKER_DOWN, around.stretches("outage")
    yield QUEUE_HELD, around.stretches("queue_held", job.queue)
    queue = around.settings.queue(job.queue)
    if queue.running_at_most is not None:
        yield QUEUE_FULL, around.leases.queue_full(job.queue, queue.running_at_most)
    if job.key:
        yield KEY_BUSY, around.leases.key_busy(job.key, queue.per_key_at_most)


def _within(layer: _Layer, begin: int, end: int) -> Iterator[tuple[int, int, tuple[int, ...]]]:
    """Give what of a layer lies within [begin, end), cut to it."""
    for since, until, events in layer[bisect_right(layer, begin, key=lambda one: one[1]) :]:
        if since >= end:
            return
        yield max(since, begin), min(until, end), events


def _of_workers(occupation: Occupation, job: Waiting, begin: int, end: int) -> Iterator[Piece]:
    group = occupation.group(job.requires, job.slots)
    for since, until, what in group.during(begin, end):
        workers, events = group.workers, occupation.equipped_by(since)
        if what == BUSY:
            events = occupation.holders(workers, since)
        elif what == NONE_ON:
            events = occupation.states_of(workers, since)
        elif what == IDLE:
            workers = (occupation.idle_one(job.requires, since, job.slots),)
            events = occupation.states_of(workers, since)
        yield Piece(since, until, what, events or (1,), workers, job.queue)


def _joined(found: Iterable[Piece]) -> list[Piece]:
    """Join neighbours with the same reason and workers."""
    joined: list[Piece] = []
    for piece in found:
        last = joined[-1] if joined else piece
        if (last.end, last.reason, last.workers) == (piece.begin, piece.reason, piece.workers):
            events = tuple(dict.fromkeys((*last.events, *piece.events)))[:MOST_CITED]
            joined[-1] = Piece(last.begin, piece.end, last.reason, events, last.workers, last.queue)
        else:
            joined.append(piece)
    return joined
