"""Does what people and faults want done to jobs, routines, queues and the broker, and lets workers learn of it."""

from collections.abc import Callable, Mapping
from typing import Any

from emulator.broker.broker import Broker
from emulator.broker.jobs import Attempt
from emulator.broker.states import State
from emulator.broker.workers import HeartbeatReply
from emulator.record.reasons import OWN_CLOCK, TOLD_LOST
from emulator.world.arrivals import Arrivals
from emulator.world.dispatcher import Dispatcher
from emulator.world.execution import Execution
from emulator.world.heartbeat_schedule import Heartbeats
from emulator.world.plan import ReadyRoutine, Sources
from emulator.world.worker import ON, RunContext, Worker

__all__ = [
    "Control",
    "LeaseNotices",
]


class Control:
    """Changes jobs, routines, queues and the broker; every method takes the number of the event that led to it."""

    __slots__ = (
        "_agenda",
        "_arrivals",
        "_broker",
        "_dispatcher",
        "_generations",
        "_heartbeats",
        "_routines",
        "_sources",
        "_workers",
    )

    def __init__(
        self,
        context: RunContext,
        broker: Broker,
        heartbeats: Heartbeats,
        dispatcher: Dispatcher,
        arrivals: Arrivals,
        sources: Sources,
    ) -> None:
        self._agenda, self._workers = context.agenda, context.workers
        self._broker, self._heartbeats, self._dispatcher = broker, heartbeats, dispatcher
        self._arrivals, self._sources = arrivals, sources
        self._routines: Mapping[str, ReadyRoutine] = sources.routines
        self._generations: dict[tuple[str, int], int] = {}

    # -- jobs ---------------------------------------------------------------------------------------------------------

    def job_of(self, entry: str, ordinal: int) -> int:
        """Give the number of a job that faults or actions name, 0 if it has not come yet."""
        job = self._dispatcher.remembered.get((entry, ordinal))
        return 0 if job is None else job.number

    def run_again(self, cause: int, number: int) -> str:
        """Put a job in anew; give the code of why not if it cannot be done."""
        for first in self._dispatcher.remembered.values():
            if first.number == number:
                if not self._broker.is_up:
                    return "broker_is_down"
                name = (first.source.arrival, first.ordinal)
                generation = self._generations.get(name, 0) + 1
                again = self._sources.again(first, generation)
                taken = self._dispatcher.submit(cause, again)
                if taken and self._broker.job(taken) is again:
                    self._generations[name] = generation
                return "" if taken else "queue_is_full"
        return "no_such_job"

    def poison(self, cause: int, entry: str, ordinal: int, how: str) -> bool:
        """Let a job fail, or take its worker down, every time."""
        self._dispatcher.poisoned[(entry, ordinal)] = how
        job = self._broker.job(number) if (number := self.job_of(entry, ordinal)) else None
        if job is not None:
            job.poison = how
        return True

    def set_routine_error_share(self, cause: int, routine: str, share: float | None) -> bool:
        """Let a share of a routine's parts fail on top of their own shares."""
        self._routines[routine].error_share = share or 0.0
        return True

    def new_version(self, cause: int, routine: str, action: Any) -> bool:
        """Put in a new version of a routine."""
        ready = self._routines[routine]
        ready.version += 1
        ready.old_jobs = action.old_jobs
        ready.factors.append(ready.factors[-1] if action.speed is None else action.speed)
        if action.requires is not None:
            ready.requires = tuple(sorted(action.requires))
        return True

    def hand_out_twice(self, cause: int, queue: str, how: str) -> bool:
        """Let the next job of a queue be handed out twice."""
        self._dispatcher.doubles.wanted[queue] = (how, cause)
        return True

    # -- what people do to jobs ---------------------------------------------------------------------------------------

    def do_to_job(self, what: str, cause: int, number: int) -> str:
        """Hold, release, suspend, resume or withdraw a job; give the code of why not if it was refused."""
        broker, now = self._broker, self._agenda.now
        if not broker.is_up:
            return "broker_is_down"
        job = broker.job(number)
        if job is not None:
            for attempt in job.running:
                self._heartbeats.settle(attempt.worker)
        refused: str = getattr(broker, what)(now, cause, number)
        if refused or job is None:
            return refused
        if what in ("suspend", "resume"):
            job.asked = what == "suspend"
            for attempt in job.running:
                if not attempt.disowned:
                    self._heartbeats.want_contact(attempt.worker)
        self._dispatcher.after_job_change(job)
        if broker.fresh:
            self._dispatcher.match()
        return ""

    def do_to_queue(self, what: str, cause: int, queue: str) -> str:
        """Hold or release a queue."""
        if not self._broker.is_up:
            return "broker_is_down"
        refused: str = getattr(self._broker, what)(self._agenda.now, cause, queue)
        if self._broker.fresh:
            self._dispatcher.match()
        return refused

    # -- the broker's outage ------------------------------------------------------------------------------------------

    def broker_down(self, cause: int) -> bool:
        """The broker goes down: its state survives, no call succeeds."""
        if not self._broker.is_up:
            return False
        for worker in self._workers.values():
            self._heartbeats.settle(worker)
        self._broker.go_down(self._agenda.now, cause)
        for worker in self._workers.values():
            if worker.state is ON:
                self._heartbeats.changed(worker)
        self._arrivals.broker_went_down()
        return True

    def broker_up(self, cause: int) -> bool:
        """The broker is back: what fell due meanwhile falls due now."""
        if self._broker.is_up:
            return False
        jobs = [self._broker.job(number) for number in self._broker.jobs_unfinished()]
        for worker in self._workers.values():
            self._heartbeats.settle(worker)
        self._broker.come_up(self._agenda.now, cause)
        for job in jobs:
            if job is not None:
                self._dispatcher.after_job_change(job)
        for worker in self._workers.values():
            if worker.state is ON:
                self._heartbeats.changed(worker)
                if not worker.waiting:
                    self._dispatcher.ask_soon(worker)
        self._arrivals.broker_came_up(cause)
        self._dispatcher.match()
        return True


class LeaseNotices:
    """What workers do about what they learn.

    Attributes:
        ask_soon: lets a worker ask for work; leave_now: lets one leave that has finished.
    """

    __slots__ = ("_agenda", "_broker", "_emit", "_execution", "_heartbeats", "ask_soon", "leave_now")

    ask_soon: Callable[[Worker], None]
    leave_now: Callable[[Worker, int], None]

    def __init__(self, context: RunContext, broker: Broker, heartbeats: Heartbeats, execution: Execution) -> None:
        self._agenda, self._emit = context.agenda, context.emit
        self._broker, self._heartbeats, self._execution = broker, heartbeats, execution

    def learn(self, worker: Worker, reply: HeartbeatReply) -> None:
        """A heartbeat has brought back what the worker did not know."""
        for attempt in list(worker.attempts):
            token = attempt.token
            if token in reply.refused:
                if attempt.is_told:
                    continue
                attempt.is_told = True
                row = (self._agenda.now, "worker_notified", attempt.event, attempt.job.number, worker.name)
                event = self._emit((*row, token, "lease_lost"))
                if not attempt.handing_in:
                    self._stop(attempt, TOLD_LOST, event)
            elif token in reply.suspend and not attempt.suspended and not attempt.handing_in:
                self._suspend(attempt)
            elif token in reply.resume and attempt.suspended:
                self._resume(attempt)

    def _stop(self, attempt: Attempt, why: str, cause: int) -> None:
        worker = attempt.worker
        self._execution.drop(attempt, why, cause)
        if worker.finishing and not worker.attempts:
            self.leave_now(worker, cause)
        else:
            self.ask_soon(worker)

    def stop_itself(self, attempt: Attempt) -> None:
        """A worker stops because its own clock says that its lease has ended."""
        if not attempt.handing_in:
            self._heartbeats.settle(attempt.worker)
            self._stop(attempt, OWN_CLOCK, attempt.event)
            self._heartbeats.dropped(attempt.worker, attempt)

    def _suspend(self, attempt: Attempt) -> None:
        worker = attempt.worker
        now = self._agenda.now
        row = (now, "worker_notified", attempt.event, attempt.job.number, worker.name, attempt.token, "suspend")
        event = self._emit(row)
        self._execution.pause(attempt)
        attempt.suspended = True
        self._emit((now, "work_paused", event, attempt.job.number, worker.name, attempt.token))
        if self._can_say_at_once(worker):
            self._broker.suspension_acknowledged(now, event, attempt.token)

    def _resume(self, attempt: Attempt) -> None:
        worker = attempt.worker
        now = self._agenda.now
        row = (now, "worker_notified", attempt.event, attempt.job.number, worker.name, attempt.token, "resume")
        event = self._emit(row)
        attempt.suspended = False
        self._emit((now, "work_continued", event, attempt.job.number, worker.name, attempt.token))
        if self._can_say_at_once(worker):
            self._broker.resumption_acknowledged(now, event, attempt.token)
        self._execution.thaw(attempt)

    def _can_say_at_once(self, worker: Worker) -> bool:
        """Say whether the broker hears at once that work stands still or goes on; else the next heartbeat says it."""
        return worker.is_plain and self._broker.is_up

    def needs_contact(self, worker: Worker) -> bool:
        """Say whether the worker has something to learn from its next heartbeat, or to say by it."""
        for attempt in worker.attempts:
            if attempt.handing_in:
                continue
            if attempt.disowned:
                return True
            job = attempt.job
            is_suspended = self._broker.state_of(job.number) is State.SUSPENDED
            if not job.asked is attempt.suspended is is_suspended:
                return True
        return False
