"""What is everybody doing just now? A fold over events that can be asked at any moment of a night.

The law: it knows what the events have told so far and nothing of what is to come. What a worker executes is the
worker's view (``work_began`` to ``work_stopped``); under which token a job is leased is the broker's. A work whose
token is not the broker's any more goes on without a lease.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

from emulator.record.events import Row

__all__ = ["BUCKETS", "STATES", "WAITING", "FaultInForce", "Present", "WorkerNow", "Working"]

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

WAITING: Final = ("queued", "requeued")
"""The states in which a job waits for nothing but a worker: the backlog."""

BUCKETS: Final = 240
"""Into so many stretches of equal length a night is cut, to keep what the backlog was."""

_MOMENTARY: Final = ("hand_out_twice", "poison_job")
"""Faults that have no length: they are never in force."""

_NONE: Final[Mapping[str, int]] = MappingProxyType({})


@dataclass(slots=True)
class Working:
    """One execution under way: since when, of which job, which attempt, under which token, and how far it is."""

    since: int
    job: int
    attempt: int
    token: int
    parts: int = 0
    stands_still: bool = False
    slots: int = 1


@dataclass(slots=True)
class WorkerNow:
    """A worker as it is: the state that was last told, why, since when, and what it executes, oldest first."""

    name: str
    told: str = "off"
    why: str = ""
    since: int = 0
    works: list[Working] = field(default_factory=list)
    slots: int = 1

    @property
    def free(self) -> int:
        """How many of its slots nothing that it executes takes."""
        return self.slots - sum(work.slots for work in self.works)

    @property
    def state(self) -> str:
        """One of off, booting, idle, busy, draining, frozen, cut_off."""
        if self.told in ("idle", "busy"):
            return "busy" if self.works else "idle"
        return self.told


@dataclass(frozen=True, slots=True)
class FaultInForce:
    """A fault that has begun and not ended: since when, what, whom it hit."""

    since: int
    fault: str
    target: str
    worker: str


class Present:
    """The night as far as it has come.

    Args:
        workers: their names, in the order of the scenario.
        ends: the tick at which the night ends, above 0.
        slots: worker -> slots, where a worker has more than one.
        takes_slots: routine -> slots that a job of it takes, where that is more than one.

    Attributes:
        at: the tick of the last event. events: how many there were.
        workers: each worker by name; one that no event has named yet is off.
        jobs: how many jobs are in each state.
        faults: the faults in force, oldest first.
        held_queues: the queues that people hold. broker_is_up: whether the broker answers.
        peaks: the most jobs that waited in each stretch of the night so far; most: in all of it. Counted at the end
            of each instant, as ``emulator.measure.backlog`` counts: who is handed over at once never waited.

    >>> now = Present(("dome-1",), 1000)
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
        self.workers = {name: WorkerNow(name, slots=slots.get(name, 1)) for name in workers}
        self._takes_slots = takes_slots
        self._slots_of: dict[int, int] = {}  # by job, where it takes several
        self.jobs = dict.fromkeys(STATES, 0)
        self.held_queues: dict[str, None] = {}
        self.broker_is_up = True
        self.peaks: list[int] = [0]
        self.most = 0
        self._ends = ends
        self._moved_at = 0
        self._states: dict[int, str] = {}
        self._leases: dict[int, int] = {}
        self._names: dict[int, str] = {}
        self._faults: dict[tuple[str, int, str], FaultInForce] = {}
        self._handlers: Mapping[str, Callable[[Row], None]] = MappingProxyType(
            {
                "submitted": self._submitted,
                "held": self._moved,
                "hold_ended": self._moved,
                "requeued": self._moved,
                "handed_out": self._handed_out,
                "handed_back": self._handed_back,
                "attempt_ended": self._lease_ended,
                "lease_forgotten": self._lease_ended,
                "finished": self._finished,
                "suspended": self._suspended,
                "resumed": self._resumed,
                "queue_held": self._queue_held,
                "queue_released": self._queue_released,
                "broker_down": self._broker_changed,
                "broker_up": self._broker_changed,
                "worker_changed": self._worker_changed,
                "work_began": self._work_began,
                "work_stopped": self._work_stopped,
                "part_finished": self._part_finished,
                "work_paused": self._stands_still,
                "work_continued": self._goes_on,
                "fault_began": self._fault_began,
                "fault_ended": self._fault_over,
                "fault_missed": self._fault_over,
            }
        )

    @property
    def faults(self) -> tuple[FaultInForce, ...]:
        """The faults in force, oldest first."""
        return tuple(self._faults.values())

    @property
    def waiting(self) -> int:
        """The backlog: how many jobs wait for nothing but a worker."""
        return sum(self.jobs[state] for state in WAITING)

    def name(self, job: int) -> str:
        """Name a job as people do: ``entry#number``, and the number that it has itself if it was resubmitted."""
        return self._names.get(job, f"job {job}")

    def has_lease(self, work: Working) -> bool:
        """Say whether the broker holds the lease of a work to be valid."""
        return self._leases.get(work.job) == work.token

    def take(self, row: Row) -> None:
        """Take in the next event."""
        self.at = row[0]
        self.events += 1
        handler = self._handlers.get(row[1])
        if handler is not None:
            handler(row)

    def pass_to(self, tick: int) -> None:
        """Note that all events up to a tick have been taken, those of that instant included."""
        waiting = self.waiting
        self.most = max(self.most, waiting)
        self.peaks += [0] * (self._stretch(self._moved_at) + 1 - len(self.peaks))  # nothing but the one that begins
        self.peaks[-1] = max(self.peaks[-1], waiting)
        self.peaks += [waiting] * (self._stretch(tick) + 1 - len(self.peaks))

    def _stretch(self, tick: int) -> int:
        return min(BUCKETS - 1, tick * BUCKETS // self._ends)

    # -- jobs -----------------------------------------------------------------------------------------------------

    def _to(self, row: Row, state: str) -> None:
        if row[0] > self._moved_at:  # with the backlog as it was until now
            self.pass_to(row[0] - 1)
            self._moved_at = row[0]
        before = self._states.get(row[3])
        if before is not None:
            self.jobs[before] -= 1
        self.jobs[state] += 1
        self._states[row[3]] = state

    def _submitted(self, row: Row) -> None:
        name = f"{row[8]}#{row[9]}"
        self._names[row[3]] = f"{name} (resubmitted as job {row[3]})" if row[13] else name
        if (slots := self._takes_slots.get(row[6], 1)) > 1:
            self._slots_of[row[3]] = slots
        self._to(row, row[5])

    def _moved(self, row: Row) -> None:
        self._to(row, row[5])

    def _handed_out(self, row: Row) -> None:
        self._leases[row[3]] = row[6]
        self._to(row, "running")

    def _handed_back(self, row: Row) -> None:
        self._leases.pop(row[3], None)
        self._to(row, row[5])

    def _lease_ended(self, row: Row) -> None:
        self._leases.pop(row[3], None)

    def _finished(self, row: Row) -> None:
        self._to(row, row[5])
        del self._states[row[3]]  # it is final: nothing moves it, and it is counted

    def _suspended(self, row: Row) -> None:
        self._to(row, "suspended")
        self._set_still(row, True)

    def _resumed(self, row: Row) -> None:
        self._to(row, "running")
        self._set_still(row, False)

    # -- queues, the broker ---------------------------------------------------------------------------------------

    def _queue_held(self, row: Row) -> None:
        self.held_queues[row[5]] = None

    def _queue_released(self, row: Row) -> None:
        self.held_queues.pop(row[5], None)

    def _broker_changed(self, row: Row) -> None:
        self.broker_is_up = row[1] == "broker_up"

    # -- workers --------------------------------------------------------------------------------------------------

    def _worker(self, row: Row) -> WorkerNow:
        return self.workers.setdefault(row[4], WorkerNow(row[4]))

    def _worker_changed(self, row: Row) -> None:
        worker = self._worker(row)
        worker.told, worker.why, worker.since = row[5], row[6], row[0]

    def _work_began(self, row: Row) -> None:
        worker = self._worker(row)
        if worker.told == "off":  # nobody told that it came: it was there all the time
            worker.told = "idle"
        worker.works.append(Working(row[0], row[3], row[5], row[6], slots=self._slots_of.get(row[3], 1)))

    def _work_stopped(self, row: Row) -> None:
        worker = self._worker(row)
        worker.works = [work for work in worker.works if (work.job, work.token) != (row[3], row[6])]

    def _part_finished(self, row: Row) -> None:
        for work in self._worker(row).works:
            if (work.job, work.token) == (row[3], row[6]):
                work.parts += 1

    def _stands_still(self, row: Row) -> None:
        self._set_still(row, True)

    def _goes_on(self, row: Row) -> None:
        self._set_still(row, False)

    def _set_still(self, row: Row, still: bool) -> None:
        for work in self._worker(row).works:
            if (work.job, work.token) == (row[3], row[5]):
                work.stands_still = still

    # -- faults ---------------------------------------------------------------------------------------------------

    def _fault_began(self, row: Row) -> None:
        at, _, _, _, worker, fault, place, number, target = row
        if fault not in _MOMENTARY:
            self._faults[place, number, target] = FaultInForce(at, fault, target, worker)

    def _fault_over(self, row: Row) -> None:
        self._faults.pop((row[6], row[7], row[8]), None)
