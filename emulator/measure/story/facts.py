"""Holds the facts of stories, the events and settings that they are told from, and follows causes.

A fact names the events that it rests on, and those that led to it. Whoever doubts a sentence can look them up. Facts
hold numbers, names and ticks; their words are found by ``emulator.show.story``.

A story needs the events of one job or worker, a few kinds of everything else, and single ones by their number. From a
log they are asked for as they are needed (``emulator.report.storytelling``); a list in memory is ordered once.

Most events name their cause. Of some it follows from their kind: a job is handed out because it had come to wait for a
worker, work begins because the job was handed out. A chain ends at an arrival, an action, a fault, or at the start of
the run, which laid out everything that the scenario states (when workers are on, what they are equipped with).
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final, Protocol

from emulator.record.event_view import AT, KIND, WORKER, EventView, view, views
from emulator.record.events import Row
from emulator.scenario.models.pools import Queue
from emulator.scenario.models.routines import Part
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.schedules import Terms, terms_of

__all__ = [
    "MOST_CITED",
    "ROOTS",
    "SURROUNDING",
    "Causes",
    "Fact",
    "Piece",
    "Rows",
    "Settings",
    "Source",
    "Story",
    "WorkerSettings",
    "settings_of",
]


MOST_CITED: Final = 20
"""So many events are named of one kind where a fact rests on more; the first ones."""


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing that happened, and what led to it.

    Attributes:
        what: which sentence tells it.
        at: the tick.
        events: numbers of the events that it rests on, the one that tells of it first.
        because: numbers of further events that led to it, beyond the causes that its events name themselves.
        values: what the sentence says.
    """

    what: str
    at: int
    events: tuple[int, ...]
    because: tuple[int, ...] = ()
    values: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of waiting with one reason: ``[begin, end)`` in ticks, the reason, and the events that show it.

    ``workers`` are those that the reason is about: the able ones, or the idle one that had not asked.
    """

    begin: int
    end: int
    reason: str
    events: tuple[int, ...] = ()
    workers: tuple[str, ...] = ()
    queue: str = ""


@dataclass(frozen=True, slots=True)
class Story:
    """What happened to one subject, in order.

    Attributes:
        kind: ``job``, ``worker`` or ``requirement``.
        name: what the subject is called.
        number: of the job or the requirement; 0 for a worker.
        facts: in order of time; what another setting would have changed comes last.
        until: the tick up to which the events tell.
        finished: whether the run came to its end; else what it did after its last event is not known.
    """

    kind: str
    name: str
    number: int
    facts: tuple[Fact, ...]
    until: int
    finished: bool = True


SURROUNDING: Final = (
    "access_changed",
    "action_refused",
    "action_taken",
    "broker_down",
    "broker_up",
    "credential_changed",
    "equipment_changed",
    "fault_began",
    "fault_ended",
    "fault_missed",
    "queue_held",
    "queue_released",
    "run_began",
    "system_changed",
    "worker_changed",
    "worker_declared_lost",
    "worker_speed_changed",
)
"""The kinds of event that tell what surrounds a job."""


class Source(Protocol):
    """What gives the events of one run; every list is in order."""

    @property
    def last(self) -> tuple[int, int]:
        """Give the number and the tick of the last event; (0, -1) when there is none."""
        ...

    @property
    def finished(self) -> bool:
        """Say whether the run came to its end."""
        ...

    def of_job(self, job: int, before: int | None = None) -> Sequence[EventView]:
        """Give the events of a job, of those with numbers below ``before`` if it is given."""
        ...

    def of_worker(self, worker: str) -> Sequence[EventView]:
        """Give the events of a worker."""
        ...

    def of_kinds(self, kinds: tuple[str, ...], workers: frozenset[str] | None = None) -> Sequence[EventView]:
        """Give the events of some kinds, of those of some workers if they are given."""
        ...

    def heads(self, kinds: tuple[str, ...]) -> Iterable[EventView]:
        """Give the events of some kinds; what they carry beyond their worker may be missing."""
        ...

    def one(self, number: int) -> EventView:
        """Give the event with a number; there must be one."""
        ...


class Rows:
    """The events of a run as a list in memory, the first numbered 1.

    >>> rows = Rows([(0, "run_began", 0, 0, "", 7), (5, "run_ended", 0, 0, "")])
    >>> rows.last, rows.one(1).seed, rows.finished
    ((2, 5), 7, True)
    """

    def __init__(self, rows: Iterable[Row], *, finished: bool | None = None) -> None:
        self._rows = list(rows)
        self._finished = finished

    @property
    def last(self) -> tuple[int, int]:
        """Give the number and the tick of the last event; (0, -1) when there is none."""
        return (len(self._rows), self._rows[-1][AT]) if self._rows else (0, -1)

    @property
    def finished(self) -> bool:
        """Say whether the run came to its end."""
        if self._finished is not None:
            return self._finished
        return bool(self._rows) and self._rows[-1][KIND] == "run_ended"

    def of_job(self, job: int, before: int | None = None) -> Sequence[EventView]:
        """Give the events of a job, of those with numbers below ``before`` if it is given."""
        found = self._by_job.get(job, ())
        return found if before is None else [event for event in found if event.event < before]

    def of_worker(self, worker: str) -> Sequence[EventView]:
        """Give the events of a worker."""
        return self._by_worker.get(worker, ())

    def of_kinds(self, kinds: tuple[str, ...], workers: frozenset[str] | None = None) -> Sequence[EventView]:
        """Give the events of some kinds, of those of some workers if they are given."""
        return [
            view(number, row)
            for number, row in enumerate(self._rows, 1)
            if row[KIND] in kinds and (workers is None or row[WORKER] in workers)
        ]

    def heads(self, kinds: tuple[str, ...]) -> Iterable[EventView]:
        """Give the events of some kinds, whole."""
        return self.of_kinds(kinds)

    def one(self, number: int) -> EventView:
        """Give the event with a number."""
        return view(number, self._rows[number - 1])

    @cached_property
    def _by_job(self) -> dict[int, list[EventView]]:
        found: dict[int, list[EventView]] = {}
        for event in views(self._rows):
            if event.job:
                found.setdefault(event.job, []).append(event)
        return found

    @cached_property
    def _by_worker(self) -> dict[str, list[EventView]]:
        found: dict[str, list[EventView]] = {}
        for event in views(self._rows):
            if event.worker:
                found.setdefault(event.worker, []).append(event)
        return found


ROOTS: Final = frozenset(
    {
        "action_refused",
        "action_taken",
        "fault_began",
        "fault_missed",
        "occurrence_skipped",
        "run_began",
        "submission_refused",
        "submission_repeated",
        "submitted",
    }
)
"""The kinds of event at which a chain ends if they name no cause: arrivals, actions, faults, the start of the run."""

_LETS_WAIT: Final = frozenset({"submitted", "hold_ended", "requeued", "handed_back"})


class Causes:
    """Follows causes in one run.

    >>> from emulator.measure.story.facts import Rows
    >>> arrival = (0, "submitted", 0, 1, "", "queued", "copy", "night", "plates", 1, "", 0, "", 0)
    >>> rows = [arrival, (9, "handed_out", 0, 1, "dome-1", 1, 1, 99, 1), (9, "work_began", 0, 1, "dome-1", 1, 1)]
    >>> Causes(Rows(rows)).chain(3)
    (3, 2, 1)
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self._known: dict[int, int] = {}

    def chain(self, event: int) -> tuple[int, ...]:
        """Give an event, what led to it, what led to that, and so on to the root."""
        found = [event]
        while before := self.before(found[-1]):
            found.append(before)
        return tuple(found)

    def before(self, event: int) -> int:
        """Give the number of the event that led to one; 0 if it is a root."""
        if event not in self._known:
            self._known[event] = self._before(event)
        return self._known[event]

    def _before(self, event: int) -> int:
        one = self._source.one(event)
        if one.cause:
            return one.cause
        if one.kind in ROOTS:
            return 0
        if one.kind == "handed_out":
            return self._last(one, lambda before: before.kind in _LETS_WAIT)
        if one.kind == "work_began":
            return self._last(one, lambda before: before.kind == "handed_out" and before.token == one.token)
        return 1 if event > 1 else 0

    def _last(self, one: EventView, led_to_it: Callable[[EventView], bool]) -> int:
        before = self._source.of_job(one.job, one.event)
        return next((event.event for event in reversed(before) if led_to_it(event)), 1)


@dataclass(frozen=True, slots=True)
class WorkerSettings:
    """What the scenario says about one worker; ``equipment`` is what it has at the start."""

    name: str
    pool: str
    slots: int
    queues: tuple[str, ...]
    equipment: tuple[str, ...]
    poll: int
    declines: bool


@dataclass(frozen=True, slots=True)
class Settings:
    """What the scenario says; ``workers`` stand in its order."""

    scenario: Scenario
    workers: Mapping[str, WorkerSettings]

    def queue(self, name: str) -> Queue:
        """Give the settings of a queue; of one that the scenario does not know, those of a queue left as it is."""
        return self.scenario.queues.get(name) or Queue()

    def terms(self, entry: str, routine: str, queue: str) -> Terms:
        """Give the terms on which the jobs of a routine run that an entry brings to a queue."""
        arrivals = (arrival for arrival in self.scenario.arrivals if arrival.label == entry)
        return terms_of(self.scenario, next(arrivals, None), routine, queue)

    def requires(self, routine: str) -> tuple[str, ...]:
        """Give what a worker must have for a job of a routine."""
        found = self.scenario.routines.get(routine)
        return tuple(sorted(found.requires)) if found is not None else ()

    def takes_slots(self, routine: str) -> int:
        """Give how many slots of its worker a job of a routine takes."""
        found = self.scenario.routines.get(routine)
        return found.takes_slots if found is not None else 1

    def missing_tool(self, routine: str) -> str:
        """Give the outcome of an attempt whose worker lacks what its routine requires."""
        found = self.scenario.routines.get(routine)
        return found.missing_tool if found is not None else ""

    def new_requires(self, place: str, before: tuple[str, ...]) -> tuple[str, ...]:
        """Give what is required once a new version was put in by the action at a place, such as ``actions[0]``."""
        number = int(place[len("actions[") : -1])
        actions = self.scenario.actions
        requires = actions[number].requires if number < len(actions) else None
        return before if requires is None else tuple(sorted(requires))

    def part(self, routine: str, effect: str) -> Part | None:
        """Give the part of a routine that leaves an effect."""
        found = self.scenario.routines.get(routine)
        return next((part for part in found.parts if part.effect == effect), None) if found is not None else None

    def fence(self, part: Part) -> tuple[str, str]:
        """Name the system that holds the effect of a part, and how it is fenced; both "" if none does."""
        name = part.effect_in or (part.calls or "").partition("/")[0]
        system = self.scenario.systems.get(name)
        return (name, system.fenced) if system is not None else ("", "")


def settings_of(scenario: Scenario) -> Settings:
    """Read the settings of every worker of a scenario."""
    workers: dict[str, WorkerSettings] = {}
    for pool, model in scenario.pools.items():
        for name in model.names(pool):
            differs = model.per_worker.get(name)
            own = differs.equipped_with if differs is not None else None
            workers[name] = WorkerSettings(
                name,
                pool,
                (differs.slots if differs is not None else None) or model.slots,
                model.serves,
                model.equipped_with if own is None else own,
                model.poll.longest or 0,
                any(window.skips_jobs_too_long_to_finish for window in model.windows),
            )
    return Settings(scenario, workers)
