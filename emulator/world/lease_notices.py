"""Lets workers learn from their heartbeats what became of their leases, and stop, pause or go on accordingly."""

from collections.abc import Callable

from emulator.broker.broker import Broker
from emulator.broker.jobs import Attempt
from emulator.broker.states import State
from emulator.broker.workers import HeartbeatReply
from emulator.record.reasons import OWN_CLOCK, TOLD_LOST
from emulator.world.execution import Execution
from emulator.world.heartbeat_schedule import Heartbeats
from emulator.world.worker import RunContext, Worker

__all__ = ["LeaseNotices"]


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
