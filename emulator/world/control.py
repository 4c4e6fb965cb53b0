"""What do people and faults do to jobs, queues and the broker, and what do workers learn of it?"""

from typing import TYPE_CHECKING, Any

from emulator.broker.jobs import Attempt, Job
from emulator.broker.states import State
from emulator.broker.workers import HeartbeatReply
from emulator.record.reasons import OWN_CLOCK, TOLD_LOST
from emulator.world.arrivals import Arrivals
from emulator.world.plan import ReadyRoutine
from emulator.world.planned import Sources
from emulator.world.worker import ON, Worker
from emulator.world.worker_lifecycle import WorkerLifecycle

if TYPE_CHECKING:
    from emulator.world.world import World

__all__ = ["Control", "Doubles"]


class Control(WorkerLifecycle):
    """The part of the world that changes jobs, queues and the broker."""

    arrivals: Arrivals
    remembered: dict[tuple[str, int], Job]
    sources: Sources
    routines: dict[str, ReadyRoutine]
    workers: dict[str, Worker]
    _generations: dict[tuple[str, int], int]
    poisoned: dict[tuple[str, int], str]

    # -- what workers learn -------------------------------------------------------------------------------------------

    def told(self, worker: Worker, reply: HeartbeatReply) -> None:
        """A heartbeat has brought back what the worker did not know."""
        for attempt in list(worker.attempts):
            token = attempt.token
            if token in reply.refused:
                if attempt.is_told:
                    continue
                attempt.is_told = True
                row = (self.agenda.now, "worker_notified", attempt.event, attempt.job.number, worker.name)
                event = self.emit((*row, token, "lease_lost"))
                if not attempt.handing_in:
                    self._stop(attempt, TOLD_LOST, event)
            elif token in reply.suspend and not attempt.suspended and not attempt.handing_in:
                self._suspend(attempt)
            elif token in reply.resume and attempt.suspended:
                self._resume(attempt)

    def _stop(self, attempt: Attempt, why: str, cause: int) -> None:
        worker = attempt.worker
        self.labour.drop(attempt, why, cause)
        if worker.finishing and not worker.attempts:
            self.leave_now(worker, cause)
        else:
            self.dispatcher.ask_soon(worker)

    def stop_itself(self, attempt: Attempt) -> None:
        """A worker stops because its own clock says that its lease has ended."""
        if not attempt.handing_in:
            self.heartbeats.settle(attempt.worker)
            self._stop(attempt, OWN_CLOCK, attempt.event)
            self.heartbeats.dropped(attempt.worker, attempt)

    def _suspend(self, attempt: Attempt) -> None:
        worker = attempt.worker
        now = self.agenda.now
        row = (now, "worker_notified", attempt.event, attempt.job.number, worker.name, attempt.token, "suspend")
        event = self.emit(row)
        self.labour.pause(attempt)
        attempt.suspended = True
        self.emit((now, "work_paused", event, attempt.job.number, worker.name, attempt.token))
        if self._can_say_at_once(worker):
            self.broker.suspension_acknowledged(now, event, attempt.token)

    def _resume(self, attempt: Attempt) -> None:
        worker = attempt.worker
        now = self.agenda.now
        row = (now, "worker_notified", attempt.event, attempt.job.number, worker.name, attempt.token, "resume")
        event = self.emit(row)
        attempt.suspended = False
        self.emit((now, "work_continued", event, attempt.job.number, worker.name, attempt.token))
        if self._can_say_at_once(worker):
            self.broker.resumption_acknowledged(now, event, attempt.token)
        self.labour.thaw(attempt)

    def _can_say_at_once(self, worker: Worker) -> bool:
        """Say whether the broker hears at once that work stands still or goes on; else the next heartbeat says it."""
        return worker.is_plain and self.broker.is_up

    def needs_contact(self, worker: Worker) -> bool:
        """Say whether the worker has something to learn from its next heartbeat, or to say by it."""
        for attempt in worker.attempts:
            if attempt.handing_in:
                continue
            if attempt.disowned:
                return True
            job = attempt.job
            is_suspended = self.broker.state_of(job.number) is State.SUSPENDED
            if not job.asked is attempt.suspended is is_suspended:
                return True
        return False

    # -- jobs ---------------------------------------------------------------------------------------------------------

    def job_of(self, entry: str, ordinal: int) -> int:
        """Give the number of a job that faults or actions name, 0 if it has not come yet."""
        job = self.remembered.get((entry, ordinal))
        return 0 if job is None else job.number

    def run_again(self, cause: int, number: int) -> str:
        """Put a job in anew; give the code of why not if it cannot be done."""
        for first in self.remembered.values():
            if first.number == number:
                if not self.broker.is_up:
                    return "broker_is_down"
                name = (first.source.arrival, first.ordinal)
                generation = self._generations.get(name, 0) + 1
                again = self.sources.again(first, generation)
                taken = self.dispatcher.submit(cause, again)
                if taken and self.broker.job(taken) is again:
                    self._generations[name] = generation
                return "" if taken else "queue_is_full"
        return "no_such_job"

    def _named_jobs(self) -> frozenset[str]:
        """Give the entries whose jobs faults and actions name."""
        names: set[str] = set()
        for fault in self.scenario.faults:
            if fault.poison_job:
                names.add(fault.poison_job.partition("#")[0])
        for action in self.scenario.actions:
            for kind in ("run_again", "withdraw", "hold", "release", "suspend", "resume"):
                if getattr(action, kind):
                    names.add(getattr(action, kind).partition("#")[0])
        return frozenset(names)

    def poison(self, cause: int, entry: str, ordinal: int, how: str) -> bool:
        """Let a job fail, or take its worker down, every time."""
        self.poisoned[(entry, ordinal)] = how
        job = self.broker.job(number) if (number := self.job_of(entry, ordinal)) else None
        if job is not None:
            job.poison = how
        return True

    def set_routine_error_share(self, cause: int, routine: str, share: float | None) -> bool:
        """Let a share of a routine's parts fail on top of their own shares."""
        self.routines[routine].error_share = share or 0.0
        return True

    def new_version(self, cause: int, routine: str, action: Any) -> bool:
        """Put in a new version of a routine."""
        ready = self.routines[routine]
        ready.version += 1
        ready.old_jobs = action.old_jobs
        ready.factors.append(ready.factors[-1] if action.speed is None else action.speed)
        if action.requires is not None:
            ready.requires = tuple(sorted(action.requires))
        return True

    def hand_out_twice(self, cause: int, queue: str, how: str) -> bool:
        """Let the next job of a queue be handed out twice."""
        self.dispatcher.doubles.wanted[queue] = (how, cause)
        return True

    # -- what people do to jobs ---------------------------------------------------------------------------------------

    def do_to_job(self, what: str, cause: int, number: int) -> str:
        """Hold, release, suspend, resume or withdraw a job; give the code of why not if it was refused."""
        broker, now = self.broker, self.agenda.now
        if not broker.is_up:
            return "broker_is_down"
        job = broker.job(number)
        if job is not None:
            for attempt in job.running:
                self.heartbeats.settle(attempt.worker)
        refused: str = getattr(broker, what)(now, cause, number)
        if refused or job is None:
            return refused
        if what in ("suspend", "resume"):
            job.asked = what == "suspend"
            for attempt in job.running:
                if not attempt.disowned:
                    self.heartbeats.want_contact(attempt.worker)
        self.dispatcher.after_job_change(job)
        if broker.fresh:
            self.dispatcher.match()
        return ""

    def do_to_queue(self, what: str, cause: int, queue: str) -> str:
        """Hold or release a queue."""
        if not self.broker.is_up:
            return "broker_is_down"
        refused: str = getattr(self.broker, what)(self.agenda.now, cause, queue)
        if self.broker.fresh:
            self.dispatcher.match()
        return refused

    # -- the broker's outage ------------------------------------------------------------------------------------------

    def broker_down(self, cause: int) -> bool:
        """The broker goes down: its state survives, no call succeeds."""
        if not self.broker.is_up:
            return False
        for worker in self.workers.values():
            self.heartbeats.settle(worker)
        self.broker.go_down(self.agenda.now, cause)
        for worker in self.workers.values():
            if worker.state is ON:
                self.heartbeats.changed(worker)
        self.arrivals.broker_went_down()
        return True

    def broker_up(self, cause: int) -> bool:
        """The broker is back: what fell due meanwhile falls due now."""
        if self.broker.is_up:
            return False
        jobs = [self.broker.job(number) for number in self.broker.jobs_unfinished()]
        for worker in self.workers.values():
            self.heartbeats.settle(worker)
        self.broker.come_up(self.agenda.now, cause)
        for job in jobs:
            if job is not None:
                self.dispatcher.after_job_change(job)
        for worker in self.workers.values():
            if worker.state is ON:
                self.heartbeats.changed(worker)
                if not worker.waiting:
                    self.dispatcher.ask_soon(worker)
        self.arrivals.broker_came_up(cause)
        self.dispatcher.match()
        return True


class Doubles:
    """The jobs that are to be handed out twice.

    Attributes:
        wanted: how the next job of a queue is to be handed out twice, with the event of the fault, by queue.
        offered: the attempts that another worker is to be given too, with the name of the first, by queue.
    """

    __slots__ = ("_world", "offered", "wanted")

    def __init__(self, world: "World") -> None:
        self._world = world
        self.wanted: dict[str, tuple[str, int]] = {}
        self.offered: dict[str, tuple[Attempt, str]] = {}

    def note(self, worker: Worker, attempt: Attempt) -> None:
        """A job was handed out: hand it out twice, if that is wanted."""
        queue = attempt.job.queue.name
        how, cause = self.wanted.pop(queue, ("", 0))
        if how == "same_token":
            self.offered[queue] = (attempt.twin(), worker.name)
        elif how == "forgets":
            self._world.agenda.at(self._world.agenda.now, self._forget, (cause, attempt))

    def queue_for(self, worker: Worker, free: int) -> str:
        """Name a queue in which somebody else's job is to be handed out again, to a worker with so many free slots.

        "" if there is none.
        """
        for queue in worker.queues:
            if queue in self.offered:
                twin, first = self.offered[queue]
                if first != worker.name and twin.job.routine.slots <= free:
                    return queue
        return ""

    def _forget(self, what: tuple[int, Attempt]) -> None:
        cause, attempt = what
        self._world.broker.forget(self._world.agenda.now, cause, attempt.token)
        self._world.dispatcher.broker_acted(attempt)
