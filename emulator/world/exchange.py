"""What passes between the broker and the workers: alarms, requests for work, answers?"""

from typing import Any, Final

from emulator.broker.order import Entry
from emulator.broker.requests import LeaseGrant
from emulator.broker.rules import Outcome
from emulator.timeline.agenda import ENDS, HANDING, MESSAGES, REST
from emulator.world.contact import Request
from emulator.world.learning import Learning
from emulator.world.plan import JobPlan
from emulator.world.worker import ON, Execution, Worker

__all__ = ["Exchange"]

_RANKS: Final = {"time_limit": ENDS, "total limit": ENDS, "start": ENDS}


class Exchange(Learning):
    """The layer of the world in which the broker and the workers talk."""

    _doubled: dict[str, tuple[str, int]]
    _to_deliver: dict[str, tuple[LeaseGrant, JobPlan, str]]

    # -- alarms and requests -------------------------------------------------------------------------------------------

    def ring(self, at: int, what: str, job: int, token: int) -> None:
        """The broker wants to be woken."""
        rank = _RANKS.get(what, REST)
        if rank == ENDS:
            self.agenda.at(at, self._woken, (what, job, token), rank, job, token)
        else:
            self.agenda.at(at, self._woken, (what, job, token))

    def _woken(self, what: tuple[str, int, int]) -> None:
        self.wake_broker(*what)

    def wake_broker(self, what: str, job: int, token: int) -> None:
        """Wake the broker, let workers learn what they lost, and idle ones take what became eligible."""
        broker = self.broker
        ending = what in ("lease", "time_limit", "total limit", "start")
        plan = broker.payload(job) if ending and job else None
        if plan is not None and what != "lease":
            for execution in plan.running:
                self.heartbeats.settle(execution.worker)
        broker.due(self.agenda.now, 0, what, job, token)
        if plan is not None:
            self.after_job_change(plan, job)
        if broker.fresh:
            self.match()

    def silence_due(self, worker: str, incarnation: int) -> None:
        """Wake the broker for a worker that may be silent."""
        known = self.workers[worker]
        affected = [self.broker.payload(job) for job in self._jobs_of(known)]
        self.broker.silence_due(self.agenda.now, worker, incarnation)
        for plan in affected:
            if plan is not None:
                self.after_job_change(plan, plan.number)
        if self.broker.fresh:
            self.match()

    def _jobs_of(self, worker: Worker) -> list[int]:
        """Give the unfinished jobs whose lease a worker's incarnations may hold."""
        broker = self.broker
        found = []
        for job in broker.jobs_unfinished():
            lease = broker.lease_of(broker.token_of(job))
            if lease is not None and lease[1] == worker.name:
                found.append(job)
        return found

    def after_job_change(self, plan: JobPlan, job: int) -> None:
        """Let whoever works without a lease learn of it at the next contact, and who waits for the end know."""
        broker = self.broker
        for execution in plan.running:
            if not execution.disowned and broker.lease_of(execution.token) is None:
                execution.disowned = True
                if not execution.handing_in:
                    self.heartbeats.want_contact(execution.worker)

    def broker_acted(self, execution: Execution) -> None:
        """The broker has taken an outcome, whether its worker will know or not: let others have what that frees."""
        self.after_job_change(execution.plan, execution.plan.number)
        if self.broker.fresh:
            self.match()

    def ask_soon(self, worker: Worker) -> None:
        """Let a worker ask among the messages of this instant, if it can."""
        self.agenda.at(self.agenda.now, self._ask_if_idle, (worker, worker.incarnation), MESSAGES, worker.index)

    def _ask_if_idle(self, what: tuple[Worker, int]) -> None:
        worker, incarnation = what
        if worker.incarnation == incarnation and not worker.waiting:
            self.ask(worker)

    def ask(self, worker: Worker, found: Entry | None = None) -> None:
        """Let a worker ask for work, if it has a free slot and may take any."""
        while (
            worker.state is ON
            and worker.registered == worker.incarnation
            and not worker.waiting
            and not worker.finishing
            and worker.frozen_at < 0
            and len(worker.executions) < worker.slots
            and not worker.is_driven
        ):
            if worker.retires_after is not None and worker.attempts_begun >= worker.retires_after:
                if not worker.executions:
                    worker.gone = True
                    self.begin_to_finish(worker, "it has done its attempts", 0)
                return
            if not self.broker.is_up or worker.cut_out or worker.cut_back:
                return  # it asks again when it is reached again
            if worker.is_plain and not self._to_deliver:
                if not self._take_at_once(worker, found):
                    return
                found = None
                continue
            if worker.asking is not None:
                return
            request = Request("take", worker)
            before = len(worker.executions)
            worker.asking = request
            self.contact.send(request)
            if not request.answered or len(worker.executions) == before:
                return

    def _take_at_once(self, worker: Worker, found: Entry | None) -> bool:
        """Ask over a link without delay or loss: the same as a request and its answer, in one step."""
        now, broker = self.agenda.now, self.broker
        left = None
        if worker.model.power is not None:
            left = self._time_left(worker)
            found = found if left is None else None  # it may have to decline that
        worker.number = number = worker.number + 1
        queues, equipment = worker.queues, worker.equipment
        grant = broker.take(now, 0, worker.name, worker.incarnation, queues, equipment, left, number, found)
        if grant is None:
            self.polls.wait(worker, now)
            self.power.idle(worker)
            return False
        plan: JobPlan = broker.payload(grant.job)
        if self._doubled:
            self._double(worker, grant, plan)
        self.labour.begin(worker, grant, plan, now)
        return True

    def hand_in_at_once(self, execution: Execution, outcome: Outcome, why: str, retry_after: int | None) -> None:
        """Hand an outcome in over a link without delay or loss: a request and its answer in one step."""
        worker, now = execution.worker, self.agenda.now
        worker.number = number = worker.number + 1
        name, incarnation, token = worker.name, worker.incarnation, execution.token
        answer = self.broker.hand_in(
            now, execution.event, name, incarnation, number, token, outcome, why, retry_after, now
        )
        self._outcome_answered(execution, answer)

    def hand_out(self, request: Request) -> Any:
        """Let the broker answer a request for work; a fault may have it hand a job out twice."""
        worker = request.worker
        if self._to_deliver and request.granted is None:
            for queue in worker.queues:
                double = self._to_deliver.get(queue)
                if double is not None and double[2] != worker.name:
                    del self._to_deliver[queue]
                    request.granted = double[:2]
                    return request.granted
        grant = self.broker.take(
            self.agenda.now,
            0,
            worker.name,
            request.incarnation,
            worker.queues,
            worker.equipment,
            self._time_left(worker),
            request.number,
            order=request.arrived,
        )
        if request.granted is not None or grant is None:
            return request.granted
        plan = self.broker.payload(grant.job)
        if self._doubled:
            self._double(worker, grant, plan)
        request.granted = (grant, plan)
        return request.granted

    def _double(self, worker: Worker, grant: LeaseGrant, plan: JobPlan) -> None:
        queue = plan.routine.queue
        how, cause = self._doubled.pop(queue, ("", 0))
        if how == "same_token":
            self._to_deliver[queue] = (grant, plan, worker.name)
            other = self.polls.anyone_waits(worker)
            if other is not None:
                self.polls.leave(other)
                self.ask_soon(other)
        elif how == "forgets":
            self.agenda.at(self.agenda.now, self._forget, (cause, grant.token, plan))

    def _forget(self, what: tuple[int, int, JobPlan]) -> None:
        cause, token, plan = what
        self.broker.forget(self.agenda.now, cause, token)
        self.after_job_change(plan, plan.number)
        if self.broker.fresh:
            self.match()

    def _time_left(self, worker: Worker) -> int | None:
        """Give the work that a worker could do before its schedule shuts it down, if it minds that."""
        schedule = worker.model.power
        if schedule is None or not schedule.skips_jobs_too_long_to_finish:
            return None
        now = self.agenda.now
        for at in self.shutdowns.get(worker.index, ()):
            if at > now:
                return int((at - now) * worker.real_speed)
        return None

    def answered(self, request: Request, answer: Any) -> None:
        """The answer to a request has reached its worker."""
        worker = request.worker
        request.answered = True
        if request.what == "take":
            worker.asking = None
            if answer is None:
                if not worker.waiting:
                    self.polls.wait(worker, request.sent)
                    self.power.idle(worker)
            else:
                grant, plan = answer
                self.labour.begin(worker, grant, plan, request.first_sent)
                if not worker.is_plain:
                    self.ask_soon(worker)
            return
        assert request.execution is not None
        self._outcome_answered(request.execution, answer)

    def _outcome_answered(self, execution: Execution, answer: Any) -> None:
        """A worker knows that its outcome was taken or refused: its slot is free."""
        plan, worker = execution.plan, execution.worker
        self.labour.forget(execution)
        if answer is True and plan.running:
            self.after_job_change(plan, plan.number)
        if self._is_handed_work(worker):
            agenda = self.agenda
            now, entries = agenda.now, agenda.entries
            if entries and entries[0][0] == now:
                # more happens at this instant: what it makes eligible is handed over together, best job first
                self.polls.wait(worker, now)
                agenda.at(now, self._hand_over, (worker, worker.incarnation), HANDING)
            elif self.polls.handed:
                self.polls.wait(worker, now)
                self._hand_over((worker, worker.incarnation))
            else:
                self._hand_over_to(worker)
            return
        if self.broker.fresh:
            self.match()
        if worker.finishing and not worker.executions:
            self.leave_now(worker, execution.event)
        else:
            self.ask(worker)

    def _is_handed_work(self, worker: Worker) -> bool:
        """Say whether a worker that is free again has nothing to do but to wait until work is handed over to it."""
        return (
            worker.is_handed
            and worker.state is ON
            and worker.frozen_at < 0
            and not worker.waiting
            and not worker.finishing
            and worker.registered == worker.incarnation
            and not self._to_deliver
            and self.broker.is_up
        )

    def _hand_over(self, what: tuple[Worker, int]) -> None:
        """End an instant: idle workers get what is eligible, lowest place first; one that got nothing is idle."""
        worker, incarnation = what
        self.polls.hand_over()
        if self.broker.fresh:
            self.match()
        if worker.waiting and worker.incarnation == incarnation:
            self.power.idle(worker)

    def _hand_over_to(self, worker: Worker) -> None:
        """End an instant in which no other worker waits to be handed work: the same in fewer steps."""
        broker = self.broker
        found = broker.best(worker.queues, worker.equipment, None)
        if found is None:
            self.polls.wait(worker, self.agenda.now)
            self.power.idle(worker)
        elif self._take_at_once(worker, found) and len(worker.executions) < worker.slots:
            self.ask(worker)
        if broker.fresh:
            self.match()
