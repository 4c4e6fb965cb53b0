"""How do jobs come to the broker and from it to the workers, and what do people and faults do to them?"""

from typing import Any, Final

from emulator.broker.jobs import Attempt, Job
from emulator.broker.order import Entry
from emulator.broker.requests import HeartbeatReply
from emulator.broker.rules import Outcome
from emulator.broker.states import State
from emulator.record.reasons import OWN_CLOCK, TOLD_LOST, Because
from emulator.timeline.agenda import ENDS, MESSAGES, REST
from emulator.world.arrivals import Arrivals
from emulator.world.contact import Request
from emulator.world.plan import ReadyRoutine
from emulator.world.planned import Sources
from emulator.world.worker import ON, Worker
from emulator.world.worker_lifecycle import WorkerLifecycle

__all__ = ["Dispatch"]

_RANKS: Final = {"time_limit": ENDS, "total limit": ENDS, "start": ENDS}


class Dispatch(WorkerLifecycle):
    """The part of the world in which jobs, the broker and the workers meet."""

    _doubled: dict[str, tuple[str, int]]
    doubles: dict[str, tuple[Attempt, str]]
    arrivals: Arrivals
    remembered: dict[tuple[str, int], Job]
    sources: Sources
    routines: dict[str, ReadyRoutine]
    workers: dict[str, Worker]
    _generations: dict[tuple[str, int], int]
    _poisoned: dict[tuple[str, int], str]

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
        known = broker.job(job) if ending and job else None
        if known is not None and what != "lease":
            for attempt in known.running:
                self.heartbeats.settle(attempt.worker)
        broker.due(self.agenda.now, 0, what, job, token)
        if known is not None:
            self.after_job_change(known)
        if broker.fresh:
            self.match()

    def silence_due(self, worker: str, incarnation: int) -> None:
        """Wake the broker for a worker that may be silent."""
        known = self.workers[worker]
        affected = self._jobs_of(known)
        for job in affected:
            for attempt in job.running:  # somebody else's too, if a token was delivered twice
                self.heartbeats.settle(attempt.worker)
        self.broker.silence_due(self.agenda.now, worker, incarnation)
        for job in affected:
            self.after_job_change(job)
        if self.broker.fresh:
            self.match()

    def _jobs_of(self, worker: Worker) -> list[Job]:
        """Give the unfinished jobs whose lease a worker's incarnations may hold."""
        jobs = (self.broker.job(number) for number in self.broker.jobs_unfinished())
        return [job for job in jobs if job and job.attempt and job.attempt.holder.name == worker.name]

    def after_job_change(self, job: Job) -> None:
        """Let whoever works without a lease learn of it at the next contact, and who waits for the end know."""
        broker = self.broker
        for attempt in job.running:
            if not attempt.disowned and broker.lease_of(attempt.token) is None:
                attempt.disowned = True
                if not attempt.handing_in:
                    self.heartbeats.want_contact(attempt.worker)

    def broker_acted(self, attempt: Attempt) -> None:
        """The broker has taken an outcome, whether its worker will know or not: let others have what that frees."""
        self.after_job_change(attempt.job)
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
                self.polls.stay(worker, worker.free)
                return
            self.polls.leave(worker)  # it asks at once after each attempt
        if not self._may_take(worker):
            return
        if worker.retires_after is not None and worker.attempts_begun >= worker.retires_after:
            if not worker.attempts:
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
            worker.free > 0
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
        attempt = broker.take(now, 0, worker.name, worker.incarnation, queues, equipment, None, number, found)
        assert attempt is not None, "whoever waits is registered, and what was found a moment ago is there"
        if self._doubled:
            self._double(worker, attempt)
        self._take_slots(worker, attempt.job, now)
        self.labour.begin(worker, attempt, now)

    def _take_slots(self, worker: Worker, job: Job, now: int) -> None:
        """A worker that waits gets a job: it waits no longer if that fills its slots, or is its last."""
        last = worker.retires_after is not None and worker.attempts_begun + 1 >= worker.retires_after
        free = worker.free - job.routine.slots
        if last or free <= 0:
            self.polls.leave(worker)
        else:
            worker.idle_since = now
            self.polls.stay(worker, free)

    def grant(self, request: Request) -> None:
        """Let the broker decide on a request for work that has reached it."""
        worker = request.worker
        request.is_decided = True
        attempt = self.broker.take(
            self.agenda.now,
            0,
            worker.name,
            request.incarnation,
            worker.queues,
            self.polls.offer(worker, request.free),
            self.time_left(worker, worker.real_speed),
            request.number,
            order=request.arrived,
        )
        if attempt is not None and self._doubled:
            self._double(worker, attempt)
        request.granted = attempt

    def hand_in_at_once(self, attempt: Attempt, outcome: Outcome, why: Because, retry_after: int | None) -> None:
        """Hand an outcome in over a link without delay or loss: a request and its answer in one step."""
        worker, now = attempt.worker, self.agenda.now
        worker.number = number = worker.number + 1
        name, incarnation, token = worker.name, worker.incarnation, attempt.token
        answer = self.broker.hand_in(
            now, attempt.event, name, incarnation, number, token, outcome, why, retry_after, now
        )
        self._outcome_answered(attempt, answer)

    # -- handed out twice ----------------------------------------------------------------------------------------------

    def _double(self, worker: Worker, attempt: Attempt) -> None:
        """Hand a job out twice, if a fault says so: the token to the next who asks, or as if it had been forgotten."""
        queue = attempt.job.queue.name
        how, cause = self._doubled.pop(queue, ("", 0))
        if how == "same_token":
            self.doubles[queue] = (attempt.twin(), worker.name)
        elif how == "forgets":
            self.agenda.at(self.agenda.now, self._forget, (cause, attempt))

    def double_for(self, worker: Worker, free: int) -> str:
        """Name a queue in which somebody else's job is to be handed out again, to a worker with so many free slots.

        "" if there is none.
        """
        for queue in worker.queues:
            if queue in self.doubles:
                twin, first = self.doubles[queue]
                if first != worker.name and twin.job.routine.slots <= free:
                    return queue
        return ""

    def take_double(self, worker: Worker, queue: str) -> None:
        """Let a worker that waits have somebody else's job, over a link without delay or loss."""
        attempt, _ = self.doubles.pop(queue)
        self._take_slots(worker, attempt.job, self.agenda.now)
        self.labour.begin(worker, attempt, self.agenda.now)
        if attempt.job.asked:  # the first has been told to stand still; this one is told by its next heartbeat
            self.heartbeats.want_contact(worker)

    def grant_double(self, request: Request, queue: str) -> None:
        """Answer a request with somebody else's job."""
        request.is_decided = True
        request.granted, _ = self.doubles.pop(queue)

    def _forget(self, what: tuple[int, Attempt]) -> None:
        cause, attempt = what
        self.broker.forget(self.agenda.now, cause, attempt.token)
        self.after_job_change(attempt.job)
        if self.broker.fresh:
            self.match()

    def time_left(self, worker: Worker, speed: float) -> int | None:
        """Give the work that a worker of some speed could do before its schedule shuts it down, if it minds that."""
        now = self.agenda.now
        for at, on, window in self.power.switches(worker):
            if at > now and not on:
                return int((at - now) * speed) if window.skips_jobs_too_long_to_finish else None
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
                self.labour.begin(worker, answer, request.first_sent)
                if not worker.is_plain:
                    self.ask_soon(worker)
            return
        assert request.attempt is not None
        self._outcome_answered(request.attempt, answer)

    def _outcome_answered(self, attempt: Attempt, answer: Any) -> None:
        """A worker knows that its outcome was taken or refused: its slot is free."""
        job, worker = attempt.job, attempt.worker
        self.labour.forget(attempt)
        if answer is True and job.running:
            self.after_job_change(job)
        if self.broker.fresh:
            self.match()
        if worker.finishing and not worker.attempts:
            self.leave_now(worker, attempt.event)
        else:
            self.ask(worker)

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
            self.ask_soon(worker)

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

    def submit(self, cause: int, job: Job) -> int:
        """Submit a job; 0 if it was refused."""
        broker, source = self.broker, job.source
        if self._poisoned:
            job.poison = self._poisoned.get((source.arrival, job.ordinal), "")
        job.version = job.routine.version
        number = broker.submit(self.agenda.now, cause, job)
        if source.is_remembered and number and broker.job(number) is job:
            self.remembered[source.arrival, job.ordinal] = job
        if broker.fresh:
            self.match()
        return number

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
                taken = self.submit(cause, again)
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
        self._poisoned[(entry, ordinal)] = how
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
        self._doubled[queue] = (how, cause)
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
        self.after_job_change(job)
        if broker.fresh:
            self.match()
        return ""

    def do_to_queue(self, what: str, cause: int, queue: str) -> str:
        """Hold or release a queue."""
        if not self.broker.is_up:
            return "broker_is_down"
        refused: str = getattr(self.broker, what)(self.agenda.now, cause, queue)
        if self.broker.fresh:
            self.match()
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
                self.after_job_change(job)
        for worker in self.workers.values():
            if worker.state is ON:
                self.heartbeats.changed(worker)
                if not worker.waiting:
                    self.ask_soon(worker)
        self.arrivals.broker_came_up(cause)
        self.match()
        return True
