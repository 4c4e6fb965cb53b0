"""Folds the events of a night into its history: jobs with their attempts, workers, and what lasted from when to when.

Stories, pages, exports and the live state read this one fold. It takes what it is given: all events of a night, those
of one job, or those so far of a night that goes on. An attempt is a hand-out under one token. Work under it is done by
the worker that it was handed to, and by another one too where it was handed out twice.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

from emulator.record.event_view import EventView, name_of
from emulator.record.events import DETAILS
from emulator.record.reasons import NONE, Because, Values

__all__ = [
    "STANDING",
    "WAITING",
    "Attempt",
    "History",
    "Interval",
    "Job",
    "Work",
    "WorkerHistory",
    "job_of",
    "overlaps",
]

STANDING: Final = MappingProxyType({"work_paused": True, "suspended": True, "work_continued": False, "resumed": False})
"""The kinds of event between which work is not executed, and whether it stands still from then on."""

WAITING: Final = ("queued", "requeued")
"""The states in which a job waits for nothing but a worker: the backlog."""

_ENTERS: Final = MappingProxyType({"handed_out": "running", "suspended": "suspended", "resumed": "running"})
"""The state of a job after events that do not carry it."""


@dataclass(slots=True)
class Interval:
    """What was so from one event up to another; ``ended`` is None while it lasts.

    ``what`` is the state of a job, a reason to hold it, or ``outage``, ``queue_held``, ``fault``.
    """

    what: str
    began: EventView
    ended: EventView | None = None

    @property
    def begin(self) -> int:
        """The tick from which on it was so."""
        return self.began.at

    @property
    def end(self) -> int:
        """The tick at which it ended; -1 while it lasts."""
        return -1 if self.ended is None else self.ended.at


@dataclass(slots=True)
class Work:
    """What one worker did under a token; ticks and events are -1 and 0 where the thing has not happened.

    ``still`` are the stretches in which it stood still (frozen or suspended); since ``stands`` it stands still now.
    ``parts`` counts the parts that it has finished; ``job`` and ``attempt`` are the numbers of what it works on.
    """

    worker: str
    token: int
    began: int
    event: int
    stopped: int = -1
    stop: int = 0
    why: str = ""
    values: Values = field(default_factory=dict)
    still: list[tuple[int, int]] = field(default_factory=list)
    stands: int = -1
    parts: int = 0
    job: int = 0
    attempt: int = 0

    def moves(self, until: int) -> list[tuple[int, int]]:
        """Give the stretches in which it was executed."""
        end = self.stopped if self.stopped >= 0 else until
        stretches, since = [], self.began
        for begin, goes_on in (*self.still, *(((self.stands, end),) if self.stands >= 0 else ())):
            if begin > since:
                stretches.append((since, begin))
            since = goes_on
        if end > since:
            stretches.append((since, end))
        return stretches

    def executed(self, since: int, until: int) -> int:
        """Give for how long it was executed from one tick on, up to its stop or another tick.

        >>> Work("dome-2", 3, began=0, event=1, still=[(120, 200)]).executed(100, until=240)
        60
        """
        return sum(end - max(begin, since) for begin, end in self.moves(until) if end > since)

    def stand(self, kind: str, at: int) -> None:
        """Take up an event of one of the kinds ``STANDING``: it stands still from a tick on, or goes on."""
        if STANDING[kind]:
            self.stands = at if self.stands < 0 else self.stands
        elif self.stands >= 0:
            self.still.append((self.stands, at))
            self.stands = -1


@dataclass(slots=True)
class Attempt:
    """One hand-out of a job, and what came of it.

    Attributes:
        job, number, token, worker: whose it is; ``worker`` is the one that it was handed to.
        at, event: the tick and the event of the hand-out.
        lease, until: how long the lease was at first, and up to when.
        ended, end: the tick and the event of its end, or of its being handed back; -1 and 0 before.
        outcome, why, values: how it ended; ``handed_back``, or "" before.
        nominal: when it was due to end.
        work: what each worker did under it, in order.
        events: all events that carry its token, and the messages that were lost about its work.
    """

    job: int
    number: int
    token: int
    worker: str
    at: int
    event: int
    lease: int
    until: int
    ended: int = -1
    end: int = 0
    outcome: str = ""
    why: str = ""
    values: Values = field(default_factory=dict)
    nominal: int = -1
    work: list[Work] = field(default_factory=list)
    events: list[EventView] = field(default_factory=list)

    def of_kind(self, *kinds: str) -> list[EventView]:
        """Give its events of some kinds."""
        return [event for event in self.events if event.kind in kinds]

    @property
    def own(self) -> Work | None:
        """The work of the worker that it was handed to."""
        return self.work_of(self.worker)

    def work_of(self, worker: str) -> Work | None:
        """Give the work of a worker; None if it never began."""
        return next((work for work in self.work if work.worker == worker), None)

    @property
    def reason(self) -> Because:
        """Why it ended."""
        return Because(self.why, self.values) if self.end else NONE

    def take(self, event: EventView) -> None:
        """Take up an event under its token."""
        kind, at, worker = event.kind, event.at, event.worker
        self.events.append(event)
        if kind == "work_began":
            self.work.append(Work(worker, self.token, at, event.event, job=self.job, attempt=self.number))
        elif kind == "attempt_ended":
            self.ended, self.end, self.outcome, self.nominal = at, event.event, event.outcome, event.was_due
            self.why, self.values = event.because
        elif kind == "handed_back":
            self.ended, self.end, self.outcome = at, event.event, "handed_back"
        elif kind in _OF_WORK:
            for work in self.work:
                if work.worker != worker or work.stopped >= 0:
                    continue
                if kind == "work_stopped":
                    work.stopped, work.stop, (work.why, work.values) = at, event.event, event.because
                elif kind == "part_finished":
                    work.parts += 1
                else:
                    work.stand(kind, at)


_OF_WORK: Final = frozenset({"work_stopped", "part_finished", *STANDING})


class Job:
    """What events tell of one job.

    Attributes:
        number: its number.
        came: its submission; None while no event has told of it. finished: the event of its end; None before.
        events: all of its events, in order.
        states: its state after each event that tells one. holds: the reasons to hold it, in the order of their ends.
        attempts: in the order of their hand-outs.
        token: that of the lease which the broker holds to be valid; 0 for none.
    """

    __slots__ = (
        "_holding",
        "_of_event",
        "_of_token",
        "attempts",
        "came",
        "events",
        "finished",
        "holds",
        "number",
        "states",
        "token",
    )

    def __init__(self, number: int) -> None:
        self.number = number
        self.came: EventView | None = None
        self.finished: EventView | None = None
        self.events: list[EventView] = []
        self.states: list[Interval] = []
        self.holds: list[Interval] = []
        self.attempts: list[Attempt] = []
        self.token = 0
        self._holding: dict[str, Interval] = {}
        self._of_token: dict[int, Attempt] = {}
        self._of_event: dict[int, Attempt] = {}  # by the events in which work began or stopped

    @property
    def name(self) -> str:
        """What people call it; "" if its submission is not known."""
        return "" if self.came is None else name_of(self.came)

    @property
    def submission(self) -> EventView:
        """The event by which it came; there must be one."""
        assert self.came is not None, f"no event tells how job {self.number} came"
        return self.came

    @property
    def state(self) -> str:
        """Its state; "" while no event has told it."""
        return self.states[-1].what if self.states else ""

    def attempt_under(self, token: int) -> Attempt | None:
        """Give the attempt under a token; None if no event tells of its hand-out."""
        return self._of_token.get(token)

    def of_kind(self, *kinds: str) -> list[EventView]:
        """Give its events of some kinds."""
        return [event for event in self.events if event.kind in kinds]

    def take(self, event: EventView) -> None:
        """Take up its next event."""
        self.events.append(event)
        kind = event.kind
        if kind in _TELLS_STATE:
            if self.states:
                self.states[-1].ended = event
            self.states.append(Interval(_ENTERS.get(kind) or event.state, event))
        if kind in _HAS_TOKEN:
            self._take_attempt(event)
        elif kind == "message_lost":
            if event.cause in self._of_event:
                self._of_event[event.cause].events.append(event)
        elif kind == "submitted":
            self.came = event
            for reason in event.reasons.split(",") if event.reasons else ():
                self._hold(reason, event)
        elif kind == "held":
            self._hold(event.reason, event)
        elif kind == "hold_ended":
            self._release(event.reason, event)
        elif kind == "requeued":
            if event.state == "requeued_held" and not event.at >= event.due >= 0:
                self._hold("pausing", event)
        elif kind == "finished":
            self.finished = event
            for reason in tuple(self._holding):
                self._release(reason, event)

    def _take_attempt(self, event: EventView) -> None:
        kind, token = event.kind, event.token
        if kind == "handed_out":
            made = Attempt(
                self.number,
                event.attempt,
                token,
                event.worker,
                event.at,
                event.event,
                event.lease_until - event.at,
                event.lease_until,
            )
            self._of_token[token] = made
            self.attempts.append(made)
            self.token = token
        elif kind in _ENDS_LEASE:
            self.token = 0
        attempt = self._of_token.get(token)
        if attempt is not None:
            attempt.take(event)
            if kind in ("work_began", "work_stopped"):
                self._of_event[event.event] = attempt

    def _hold(self, reason: str, event: EventView) -> None:
        self._holding[reason] = Interval(reason, event)

    def _release(self, reason: str, event: EventView) -> None:
        held = self._holding.pop(reason, None)
        if held is not None:
            held.ended = event
            self.holds.append(held)

    def every_hold(self) -> list[Interval]:
        """Give the reasons for which it was or is held, in the order in which they began."""
        found = (*self.holds, *self._holding.values())
        return sorted(found, key=lambda hold: (hold.begin, hold.began.event, hold.what))


_TELLS_STATE: Final = frozenset({"submitted", "held", "hold_ended", "handed_back", "requeued", "finished", *_ENTERS})
_HAS_TOKEN: Final = frozenset(kind for kind, names in DETAILS.items() if "token" in names)
_ENDS_LEASE: Final = frozenset({"attempt_ended", "handed_back", "lease_forgotten"})


def job_of(events: Iterable[EventView]) -> Job:
    """Gather what the events of one job tell of it."""
    job: Job | None = None
    for event in events:
        if job is None:
            job = Job(event.job)
        job.take(event)
    return job or Job(0)


class WorkerHistory:
    """What events tell of one worker.

    Attributes:
        name: its name.
        changes: the events by which its state changed.
        works: what it executes now, oldest first.
        worked_since_change: whether work of it began since its state was told last.
    """

    __slots__ = ("changes", "name", "worked_since_change", "works")

    def __init__(self, name: str) -> None:
        self.name = name
        self.changes: list[EventView] = []
        self.works: list[Work] = []
        self.worked_since_change = False


class History:
    """The night as far as its events have been taken.

    Attributes:
        jobs, workers: by number and by name, in the order in which events first told of them.
        lasting: outages of the broker, holds of queues and faults, in the order in which they began.

    >>> from emulator.record.event_view import views
    >>> night = History()
    >>> night.take_all(views([(5, "submitted", 0, 1, "", "queued", "copy", "night", "plates", 1, "", 0, "", 0)]))
    >>> night.jobs[1].name, night.jobs[1].state
    ('plates#1', 'queued')
    """

    __slots__ = ("_open", "jobs", "lasting", "workers")

    def __init__(self) -> None:
        self.jobs: dict[int, Job] = {}
        self.workers: dict[str, WorkerHistory] = {}
        self.lasting: list[Interval] = []
        self._open: dict[tuple[object, ...], Interval] = {}

    def take_all(self, events: Iterable[EventView]) -> None:
        """Take up events, in order."""
        for event in events:
            self.take(event)

    def take(self, event: EventView) -> None:
        """Take up the next event."""
        kind = event.kind
        if event.job:
            job = self.jobs.get(event.job)
            if job is None:
                job = self.jobs[event.job] = Job(event.job)
            job.take(event)
            if kind == "work_began":
                attempt = job.attempt_under(event.token)
                if attempt is not None:
                    worker = self.worker(event.worker)
                    worker.works.append(attempt.work[-1])
                    worker.worked_since_change = True
            elif kind == "work_stopped":
                worker = self.worker(event.worker)
                worker.works = [work for work in worker.works if work.stopped < 0]
        if kind == "worker_changed":
            worker = self.worker(event.worker)
            worker.changes.append(event)
            worker.worked_since_change = False
        elif kind in _BEGINS:
            key = _key(_BEGINS[kind], event)
            if key not in self._open:
                self._open[key] = Interval(_BEGINS[kind], event)
                self.lasting.append(self._open[key])
        elif kind in _ENDS:
            ended = self._open.pop(_key(_ENDS[kind], event), None)
            if ended is not None:
                ended.ended = event

    def worker(self, name: str) -> WorkerHistory:
        """Give a worker by its name; of one that no event has named there is nothing to tell."""
        found = self.workers.get(name)
        if found is None:
            found = self.workers[name] = WorkerHistory(name)
        return found

    def of_kind(self, *kinds: str) -> list[EventView]:
        """Give the events of all jobs that are of some kinds, in order."""
        return sorted(event for job in self.jobs.values() for event in job.of_kind(*kinds))

    def intervals(self, what: str) -> list[Interval]:
        """Give what lasted, of one sort (``outage``, ``queue_held``, ``fault``), in the order in which it began."""
        return [interval for interval in self.lasting if interval.what == what]

    def now(self, what: str) -> list[Interval]:
        """Give what lasts just now, of one sort."""
        return [interval for interval in self._open.values() if interval.what == what]


_BEGINS: Final = MappingProxyType({"broker_down": "outage", "queue_held": "queue_held", "fault_began": "fault"})
_ENDS: Final = MappingProxyType(
    {"broker_up": "outage", "queue_released": "queue_held", "fault_ended": "fault", "fault_missed": "fault"}
)


def _key(what: str, event: EventView) -> tuple[object, ...]:
    """Give what tells one thing that lasts from another of its sort."""
    if what == "fault":
        return what, event.place, event.occurrence, event.target
    return (what, event.queue) if what == "queue_held" else (what,)


def overlaps(attempts: Iterable[Attempt], until: int) -> list[tuple[int, int, tuple[Work, ...]]]:
    """Give (begin, end, who) of the stretches in which two or more workers executed the job at once."""
    changes: list[tuple[int, int, Work]] = []
    for attempt in attempts:
        for work in attempt.work:
            for begin, end in work.moves(until):
                changes += [(begin, 1, work), (end, 0, work)]
    changes.sort(key=lambda change: (change[0], change[1], change[2].event))
    found: list[tuple[int, int, tuple[Work, ...]]] = []
    moving: list[Work] = []
    since = 0
    for at, begins, work in changes:
        if len(moving) >= 2 and at > since:
            who = tuple(sorted(moving, key=lambda one: one.event))
            if found and found[-1][1] == since and found[-1][2] == who:
                found[-1] = found[-1][0], at, who
            else:
                found.append((since, at, who))
        since = at
        if begins:
            moving.append(work)
        else:
            moving.remove(work)
    return found
