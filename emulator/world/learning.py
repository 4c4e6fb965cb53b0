"""What does a worker do when it learns that its lease is lost, or that somebody wants its work to stand still?"""

from emulator.broker.requests import HeartbeatReply
from emulator.broker.states import State
from emulator.record.reasons import OWN_CLOCK, TOLD_LOST
from emulator.world.machines import Machines
from emulator.world.worker import Execution, Worker

__all__ = ["Learning"]


class Learning(Machines):
    """The layer of the world in which workers follow what they learn: from heartbeats, or from their own clocks."""

    def told(self, worker: Worker, reply: HeartbeatReply) -> None:
        """A heartbeat has brought back what the worker did not know."""
        for execution in list(worker.executions):
            token = execution.token
            if token in reply.refused:
                if execution.is_told:
                    continue
                execution.is_told = True
                row = (self.agenda.now, "worker_notified", execution.event, execution.plan.number, worker.name)
                event = self.emit((*row, token, "lease_lost"))
                if not execution.handing_in:
                    self._stop(execution, TOLD_LOST, event)
            elif token in reply.suspend and not execution.suspended and not execution.handing_in:
                self._suspend(execution)
            elif token in reply.resume and execution.suspended:
                self._resume(execution)

    def _stop(self, execution: Execution, why: str, cause: int) -> None:
        worker = execution.worker
        self.labour.drop(execution, why, cause)
        if worker.finishing and not worker.executions:
            self.leave_now(worker, cause)
        else:
            self.ask_soon(worker)

    def stop_itself(self, execution: Execution) -> None:
        """A worker stops because its own clock says that its lease has ended."""
        if not execution.handing_in:
            self.heartbeats.settle(execution.worker)
            self._stop(execution, OWN_CLOCK, execution.event)
            self.heartbeats.dropped(execution.worker, execution)

    def _suspend(self, execution: Execution) -> None:
        worker = execution.worker
        now = self.agenda.now
        row = (now, "worker_notified", execution.event, execution.plan.number, worker.name, execution.token, "suspend")
        event = self.emit(row)
        self.labour.pause(execution)
        execution.suspended = True
        self.emit((now, "work_paused", event, execution.plan.number, worker.name, execution.token))
        if self._can_say_at_once(worker):
            self.broker.suspension_acknowledged(now, event, execution.token)

    def _resume(self, execution: Execution) -> None:
        worker = execution.worker
        now = self.agenda.now
        row = (now, "worker_notified", execution.event, execution.plan.number, worker.name, execution.token, "resume")
        event = self.emit(row)
        execution.suspended = False
        self.emit((now, "work_continued", event, execution.plan.number, worker.name, execution.token))
        if self._can_say_at_once(worker):
            self.broker.resumption_acknowledged(now, event, execution.token)
        self.labour.thaw(execution)

    def _can_say_at_once(self, worker: Worker) -> bool:
        """Say whether the broker hears at once that work stands still or goes on; else the next heartbeat says it."""
        return worker.is_plain and self.broker.is_up

    def needs_contact(self, worker: Worker) -> bool:
        """Say whether the worker has something to learn from its next heartbeat, or to say by it."""
        for execution in worker.executions:
            if execution.handing_in:
                continue
            if execution.disowned:
                return True
            plan = execution.plan
            is_suspended = self.broker.state_of(plan.number) is State.SUSPENDED
            if not plan.asked is execution.suspended is is_suspended:
                return True
        return False
