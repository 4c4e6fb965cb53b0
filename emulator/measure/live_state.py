"""Tells what everybody does at any moment of a night, from the events so far.

It knows nothing of what is to come. What a worker executes is the worker's view (``work_began`` to ``work_stopped``);
under which token a job is leased is the broker's. Work under another token goes on without a lease.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from emulator.record.event_view import EventView, view
from emulator.record.events import Row
from emulator.record.history import WAITING, History, Work, WorkerHistory
from emulator.scenario.fault_kinds import MOMENTARY_KINDS

__all__ = ["BUCKETS", "STATES", "FaultInForce", "LiveState", "WorkerNow"]

STATES: Final = (
    "queued",
    "queued_held",
    "running",
    "suspended",
    "requeued",
    "requeued_held",
    "done",
    "failed",
)
"""The states of a job, in the order in which most jobs go through them."""

BUCKETS: Final = 240
"""Into so many stretches of equal length a night is cut, to keep what the backlog was."""

_NONE: Final[Mapping[str, int]] = MappingProxyType({})


class WorkerNow:
    """A worker as it is: the state that was last told, why, since when, and what it executes, oldest first."""

    __slots__ = ("_history", "_state", "name", "slots")

    def __init__(self, state: "LiveState", name: str, slots: int) -> None:
        self._state = state
        self._history: WorkerHistory = state.history.worker(name)
        self.name = name
        self.slots = slots

    @property
    def works(self) -> list[Work]:
        """What it executes, oldest first."""
        return self._history.works

    @property
    def why(self) -> str:
        """Why it is in its state."""
        return self._history.changes[-1].why if self._history.changes else ""

    @property
    def since(self) -> int:
        """The tick since which it is in its state."""
        return self._history.changes[-1].at if self._history.changes else 0

    @property
    def free(self) -> int:
        """How many of its slots nothing that it executes takes."""
        return self.slots - sum(self._state.slots_of(work.job) for work in self.works)

    @property
    def state(self) -> str:
        """One of off, booting, idle, busy, draining, frozen, cut_off."""
        told = self._history.changes[-1].state if self._history.changes else "off"
        if told == "off" and self._history.worked_since_change:  # nobody told that it came: it was there all the time
            told = "idle"
        if told in ("idle", "busy"):
            return "busy" if self.works else "idle"
        return told


@dataclass(frozen=True, slots=True)
class FaultInForce:
    """A fault that has begun and not ended: since when, what, whom it hit."""

    since: int
    fault: str
    target: str
    worker: str


class LiveState:
    """The night as far as it has come.

    Args:
        workers: their names, in the order of the scenario.
        ends: the tick at which the night ends, above 0.
        slots: worker -> slots, where a worker has more than one.
        takes_slots: routine -> slots that a job of it takes, where that is more than one.

    Attributes:
        at: the tick of the last event. events: how many there were.
        history: what they tell.
        workers: each worker by name; one that no event has named yet is off.
        jobs: how many jobs are in each state.
        peaks: the most jobs that waited in each stretch of the night so far; most: in all of it. Counted at the end
            of each instant, as ``emulator.measure.backlog`` counts: who is handed over at once never waited.

    >>> now = LiveState(("dome-1",), 1000)
    >>> now.take((0, "worker_changed", 0, 0, "dome-1", "idle", "", 1))
    >>> now.take((5, "submitted", 0, 1, "", "queued", "copy", "night", "plates", 1, "", 0, "", 0))
    >>> now.workers["dome-1"].state, now.jobs["queued"], now.name(1)
    ('idle', 1, 'plates#1')
    """

    def __init__(
        self,
        workers: tuple[str, ...],
        ends: int,
        *,
        slots: Mapping[str, int] = _NONE,
        takes_slots: Mapping[str, int] = _NONE,
    ) -> None:
        self.at = 0
        self.events = 0
        self.history = History()
        self.workers = {name: WorkerNow(self, name, slots.get(name, 1)) for name in workers}
        self.jobs = dict.fromkeys(STATES, 0)
        self.peaks: list[int] = [0]
        self.most = 0
        self._takes_slots = takes_slots
        self._ends = ends
        self._moved_at = 0

    @property
    def faults(self) -> tuple[FaultInForce, ...]:
        """The faults in force, oldest first."""
        began = (fault.began for fault in self.history.now("fault"))
        return tuple(
            FaultInForce(event.at, event.fault, event.target, event.worker)
            for event in began
            if event.fault not in MOMENTARY_KINDS
        )

    @property
    def held_queues(self) -> list[str]:
        """The queues that people hold."""
        return [hold.began.queue for hold in self.history.now("queue_held")]

    @property
    def broker_is_up(self) -> bool:
        """Whether the broker answers."""
        return not self.history.now("outage")

    @property
    def waiting(self) -> int:
        """The backlog: how many jobs wait for nothing but a worker."""
        return sum(self.jobs[state] for state in WAITING)

    def name(self, job: int) -> str:
        """Name a job as people do: ``entry#number``, and the number that it has itself if it was resubmitted."""
        known = self.history.jobs.get(job)
        return (known.name if known is not None else "") or f"job {job}"

    def has_lease(self, work: Work) -> bool:
        """Say whether the broker holds the lease of a work to be valid."""
        return self.history.jobs[work.job].token == work.token

    def slots_of(self, job: int) -> int:
        """Give how many slots of its worker a job takes."""
        return self._takes_slots.get(self.history.jobs[job].submission.routine, 1) if self._takes_slots else 1

    def take(self, row: Row) -> None:
        """Take in the next event."""
        event = view(self.events + 1, row)
        self.at = event.at
        self.events += 1
        job = self.history.jobs.get(event.job)
        before = "" if job is None else job.state
        self.history.take(event)
        if event.worker and event.worker not in self.workers and event.worker in self.history.workers:
            self.workers[event.worker] = WorkerNow(self, event.worker, 1)
        if event.job:
            self._moved(event, before, self.history.jobs[event.job].state)

    def _moved(self, event: EventView, before: str, after: str) -> None:
        """Count a job in its new state."""
        if before == after:
            return
        if event.at > self._moved_at:  # with the backlog as it was until now
            self.pass_to(event.at - 1)
            self._moved_at = event.at
        if before:
            self.jobs[before] -= 1
        self.jobs[after] += 1

    def pass_to(self, tick: int) -> None:
        """Note that all events up to a tick have been taken, those of that instant included."""
        waiting = self.waiting
        self.most = max(self.most, waiting)
        self.peaks += [0] * (self._stretch(self._moved_at) + 1 - len(self.peaks))  # nothing but the one that begins
        self.peaks[-1] = max(self.peaks[-1], waiting)
        self.peaks += [waiting] * (self._stretch(tick) + 1 - len(self.peaks))

    def _stretch(self, tick: int) -> int:
        return min(BUCKETS - 1, tick * BUCKETS // self._ends)
