"""What passes between the broker and the workers: alarms, requests for work, answers?"""

from typing import Any, Final

from emulator.broker.order import Entry
from emulator.broker.requests import LeaseGrant
from emulator.broker.rules import Outcome
from emulator.record.reasons import Because
from emulator.timeline.agenda import ENDS, MESSAGES, REST
from emulator.world.contact import Request
from emulator.world.learning import Learning
from emulator.world.plan import JobPlan
from emulator.world.worker import ON, Execution, Worker

__all__ = ["Exchange"]

_RANKS: Final = {"time_limit": ENDS, "total limit": ENDS, "start": ENDS}


class Exchange(Learning):
    """The layer of the world in which the broker and the workers talk."""

    _doubled: dict[str, tuple[str, int]]
    doubles: dict[str, tuple[LeaseGrant, JobPlan, str]]

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
        for plan in affected:
            for execution in plan.running:  # somebody else's too, if a token was delivered twice
                self.heartbeats.settle(execution.worker)
        self.broker.silence_due(self.agenda.now, worker, incarnation)
        for plan in affected:
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
        if worker.incarnation == incarnation:
            self.ask(worker)
            reaches = worker.is_plain and self.broker.is_up
            if worker.waiting and reaches and worker.model.silence is not None:
                self.broker.hear(self.agenda.now, worker.name, incarnation, 0)

    def ask(self, worker: Worker) -> None:
        """Let a worker ask for work, if it has a free slot and may take any; what it gets, it gets as work is handed
        over at the end of this instant, or as its request has come."""
        if worker.waiting:  # another of its slots was free before
            if not worker.poll:
                self.polls.stay(worker)
                return
            self.polls.leave(worker)  # it asks at once after each attempt
        if not self._may_take(worker):
            return
        if worker.retires_after is not None and worker.attempts_begun >= worker.retires_after:
            if not worker.executions:
                worker.gone = True
                self.begin_to_finish(worker, "attempts_done", 0)
            return
        if not self.broker.is_up or worker.cut_out or worker.cut_back:
            return  # it asks again when it is reached again
        if worker.asking is not None:
            return
        if worker.is_plain:
            self.polls.wait(worker, self.agenda.now)
            if worker.model.woken_on_demand:
                self.power.idle(worker)
            return
        worker.asking = request = Request("take", worker)
        self.contact.send(request)

    def _may_take(self, worker: Worker) -> bool:
        """Say whether a worker has a free slot, and a program that asks for work."""
        return (
            len(worker.executions) < worker.slots
            and worker.state is ON
            and worker.frozen_at < 0
            and not worker.finishing
            and worker.registered == worker.incarnation
            and not worker.is_driven
        )

    def take_at_once(self, worker: Worker, found: Entry) -> None:
        """Let a worker that waits have a job, over a link without delay or loss: a request and its answer in one."""
        now, broker = self.agenda.now, self.broker
        worker.number = number = worker.number + 1
        queues, equipment = worker.queues, worker.equipment
        grant = broker.take(now, 0, worker.name, worker.incarnation, queues, equipment, None, number, found)
        assert grant is not None, "whoever waits is registered, and what was found a moment ago is there"
        plan: JobPlan = broker.payload(grant.job)
        if self._doubled:
            self._double(worker, grant, plan)
        self._take_slot(worker, now)
        self.labour.begin(worker, grant, plan, now)

    def _take_slot(self, worker: Worker, now: int) -> None:
        """A worker that waits gets a job: it waits no longer if that fills its slots, or is its last."""
        last = worker.retires_after is not None and worker.attempts_begun + 1 >= worker.retires_after
        if last or len(worker.executions) + 1 >= worker.slots:
            self.polls.leave(worker)
        else:
            worker.idle_since = now
            self.polls.stay(worker)

    def grant(self, request: Request) -> None:
        """Let the broker decide on a request for work that has reached it."""
        worker = request.worker
        request.is_decided = True
        grant = self.broker.take(
            self.agenda.now,
            0,
            worker.name,
            request.incarnation,
            worker.queues,
            worker.equipment,
            self.time_left(worker, worker.real_speed),
            request.number,
            order=request.arrived,
        )
        if grant is not None:
            plan = self.broker.payload(grant.job)
            if self._doubled:
                self._double(worker, grant, plan)
            request.granted = (grant, plan)

    def hand_in_at_once(self, execution: Execution, outcome: Outcome, why: Because, retry_after: int | None) -> None:
        """Hand an outcome in over a link without delay or loss: a request and its answer in one step."""
        worker, now = execution.worker, self.agenda.now
        worker.number = number = worker.number + 1
        name, incarnation, token = worker.name, worker.incarnation, execution.token
        answer = self.broker.hand_in(
            now, execution.event, name, incarnation, number, token, outcome, why, retry_after, now
        )
        self._outcome_answered(execution, answer)

    # -- handed out twice ----------------------------------------------------------------------------------------------

    def _double(self, worker: Worker, grant: LeaseGrant, plan: JobPlan) -> None:
        """Hand a job out twice, if a fault says so: the token to the next who asks, or as if it had been forgotten."""
        queue = plan.routine.queue
        how, cause = self._doubled.pop(queue, ("", 0))
        if how == "same_token":
            self.doubles[queue] = (grant, plan, worker.name)
        elif how == "forgets":
            self.agenda.at(self.agenda.now, self._forget, (cause, grant.token, plan))

    def double_for(self, worker: Worker) -> str:
        """Name a queue of a worker in which somebody else's job is to be handed out again, "" if there is none."""
        found = (queue for queue in worker.queues if queue in self.doubles and self.doubles[queue][2] != worker.name)
        return next(found, "")

    def take_double(self, worker: Worker, queue: str) -> None:
        """Let a worker that waits have somebody else's job, over a link without delay or loss."""
        grant, plan, _ = self.doubles.pop(queue)
        self._take_slot(worker, self.agenda.now)
        self.labour.begin(worker, grant, plan, self.agenda.now)
        if plan.asked:  # the first has been told to stand still; this one is told by its next heartbeat
            self.heartbeats.want_contact(worker)

    def grant_double(self, request: Request, queue: str) -> None:
        """Answer a request with somebody else's job."""
        request.is_decided = True
        request.granted = self.doubles.pop(queue)[:2]

    def _forget(self, what: tuple[int, int, JobPlan]) -> None:
        cause, token, plan = what
        self.broker.forget(self.agenda.now, cause, token)
        self.after_job_change(plan, plan.number)
        if self.broker.fresh:
            self.match()

    def time_left(self, worker: Worker, speed: float) -> int | None:
        """Give the work that a worker of some speed could do before its schedule shuts it down, if it minds that."""
        schedule = worker.model.power
        if schedule is None or not schedule.skips_jobs_too_long_to_finish:
            return None
        now = self.agenda.now
        for at in self.shutdowns.get(worker.index, ()):
            if at > now:
                return int((at - now) * speed)
        return None

    def answered(self, request: Request, answer: Any) -> None:
        """The answer to a request has reached its worker."""
        worker = request.worker
        request.answered = True
        if request.what == "take":
            worker.asking = None
            if answer is None:
                if not worker.waiting and self._may_take(worker):
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
        if self.broker.fresh:
            self.match()
        if worker.finishing and not worker.executions:
            self.leave_now(worker, execution.event)
        else:
            self.ask(worker)
