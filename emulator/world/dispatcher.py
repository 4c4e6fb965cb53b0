"""Brings jobs to the broker, and decides which worker gets which when work is handed over at an instant's end.

The law: everything else of an instant goes first, so that all that came, ended or became free in its course is there.
Then the best job that anybody who asks may have is handed over, and so on until nobody may have any. Of those who may
have it, the worker that has been idle for the longest gets it; among equals, the first by its place in the scenario.
Neither the order of wake-ups nor what else is due at the instant has a say. A job that takes several slots may be had
by workers with as many free: where there are such jobs, only workers with equally many free slots are alike.

Who asks at an instant: an idle worker with ``poll: 0``, at every one; another, every p ticks from its last request on
(the first after each attempt comes at once); and whose request has come over a link that takes time. A request of an
idle worker that would find nothing changes nothing, so it is not simulated: when a job becomes eligible, the next one
that could get it follows by arithmetic, from the places of the idle workers within the period. A worker whose link is
slow or loses messages is told at once that there is work, and sends for it.
"""

from bisect import bisect_left, insort
from collections.abc import Callable, Sequence
from heapq import heapify, heappop, heappush
from itertools import count
from typing import Any, Final

from emulator.broker.broker import Broker
from emulator.broker.jobs import Attempt, Entry, Job
from emulator.broker.rules import Hint, Offer, Outcome
from emulator.record.reasons import Because
from emulator.scenario.schedules import Switch
from emulator.timeline.agenda import ENDS, MESSAGES, REST
from emulator.world.candidates import Alike, Doubles, Signature
from emulator.world.execution import Execution
from emulator.world.heartbeat_schedule import Heartbeats
from emulator.world.transport import Transport
from emulator.world.worker import ON, Request, RunContext, Worker

__all__ = ["Dispatcher"]

Reply = Callable[[Request, Any], None]

_RANKS: Final = {"time_limit": ENDS, "total limit": ENDS, "start": ENDS}

_BY_REQUEST: Final = -1
"""Stands for the period of those who ask by a request that comes over a link."""


class Dispatcher:
    """Brings jobs to the broker, wakes it, knows who waits for work, and hands it over.

    Args:
        context: the event queue and the workers.
        heartbeats: of the mode in which the night is played.
        by_slots: some jobs take several slots.

    Attributes:
        broker, transport, execution: set as soon as there are any; the broker wants to know first whom it may ask to be
            woken.
        begin_to_finish, leave_now: let a worker take nothing more, let one leave that has finished.
        idle, wake_for, switches: told of a worker without work, and of a queue with work for those that sleep until
            there is any; when the schedules of a worker switch it on and off.
        remembered: the jobs that somebody names later on; poisoned: how a job fails every time; both by name.
        sleepers: the queues of machines that sleep until there is work.
        lease, silence: by which the broker asks to be woken (``emulator.broker.workers.Alarms``).
        doubles: what a fault has the broker hand out twice.
        waiting: how many workers wait.
    """

    __slots__ = (
        "_agenda",
        "_alike",
        "_asked",
        "_by_slots",
        "_due_at",
        "_groups",
        "_heartbeats",
        "_number",
        "_periodic",
        "_to_wake",
        "_workers",
        "begin_to_finish",
        "broker",
        "doubles",
        "execution",
        "idle",
        "lease",
        "leave_now",
        "poisoned",
        "remembered",
        "silence",
        "sleepers",
        "switches",
        "transport",
        "waiting",
        "wake_for",
    )

    broker: Broker
    transport: Transport
    execution: Execution
    begin_to_finish: Callable[[Worker, str, int], None]
    leave_now: Callable[[Worker, int], None]
    idle: Callable[[Worker], None]
    wake_for: Callable[[str], None]
    switches: Callable[[Worker], Sequence[Switch]]

    def __init__(self, context: RunContext, heartbeats: Heartbeats, by_slots: bool) -> None:
        self._agenda, self._workers = context.agenda, context.workers
        self._heartbeats = heartbeats
        self._by_slots = by_slots
        self._alike: dict[Signature, Alike] = {}
        self._groups: list[Alike] = []
        self._periodic: list[Alike] = []  # those of them who do not ask at every instant
        self._asked: list[tuple[Request, Reply]] = []
        self._due_at = -1
        self._to_wake: dict[str, None] = {}
        self._number = count().__next__
        self.waiting = 0
        self.doubles = Doubles(context.agenda, self._forget)
        self.lease = heartbeats.lease
        self.silence = heartbeats.silence
        self.remembered: dict[tuple[str, int], Job] = {}
        self.poisoned: dict[tuple[str, int], str] = {}
        self.sleepers = dict.fromkeys(
            queue for worker in self._workers.values() if worker.model.woken_on_demand for queue in worker.queues
        )

    # -- jobs and alarms ----------------------------------------------------------------------------------------------

    def submit(self, cause: int, job: Job) -> int:
        """Submit a job; 0 if it was refused."""
        broker, source = self.broker, job.source
        if self.poisoned:
            job.poison = self.poisoned.get((source.arrival, job.ordinal), "")
        job.version = job.routine.version
        number = broker.submit(self._agenda.now, cause, job)
        if source.is_remembered and number and broker.job(number) is job:
            self.remembered[source.arrival, job.ordinal] = job
        if broker.fresh:
            self.match()
        return number

    def ring(self, at: int, what: str, job: int, token: int) -> None:
        """The broker wants to be woken."""
        rank = _RANKS.get(what, REST)
        if rank == ENDS:
            self._agenda.at(at, self._woken, (what, job, token), rank, job, token)
        else:
            self._agenda.at(at, self._woken, (what, job, token))

    def _woken(self, what: tuple[str, int, int]) -> None:
        self.wake_broker(*what)

    def wake_broker(self, what: str, job: int, token: int) -> None:
        """Wake the broker, let workers learn what they lost, and idle ones take what became eligible."""
        broker = self.broker
        ending = what in ("lease", "time_limit", "total limit", "start")
        known = broker.job(job) if ending and job else None
        if known is not None and what != "lease":
            for attempt in known.running:
                self._heartbeats.settle(attempt.worker)
        broker.due(self._agenda.now, 0, what, job, token)
        if known is not None:
            self.after_job_change(known)
        if broker.fresh:
            self.match()

    def silence_due(self, worker: str, incarnation: int) -> None:
        """Wake the broker for a worker that may be silent."""
        known = self._workers[worker]
        affected = self._jobs_of(known)
        for job in affected:
            for attempt in job.running:  # somebody else's too, if a token was delivered twice
                self._heartbeats.settle(attempt.worker)
        self.broker.silence_due(self._agenda.now, worker, incarnation)
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
                    self._heartbeats.want_contact(attempt.worker)

    def broker_acted(self, attempt: Attempt) -> None:
        """The broker has taken an outcome, whether its worker will know or not: let others have what that frees."""
        self.after_job_change(attempt.job)
        if self.broker.fresh:
            self.match()

    def _forget(self, cause: int, attempt: Attempt) -> None:
        """The broker forgets that it has handed an attempt out."""
        self.broker.forget(self._agenda.now, cause, attempt.token)
        self.broker_acted(attempt)

    # -- workers that ask ---------------------------------------------------------------------------------------------

    def ask_soon(self, worker: Worker) -> None:
        """Let a worker ask among the messages of this instant, if it can."""
        self._agenda.at(self._agenda.now, self._ask_if_idle, (worker, worker.incarnation), MESSAGES, worker.index)

    def _ask_if_idle(self, what: tuple[Worker, int]) -> None:
        worker, incarnation = what
        if worker.incarnation == incarnation:
            self.ask(worker)
            reaches = worker.is_plain and self.broker.is_up
            if worker.waiting and reaches and worker.model.silence is not None:
                self.broker.hear(self._agenda.now, worker.name, incarnation, 0)

    def ask(self, worker: Worker) -> None:
        """Let a worker ask for work, if it has a free slot and may take any; what it gets, it gets as work is handed
        over at the end of this instant, or as its request has come."""
        if worker.waiting:  # another of its slots was free before
            if not worker.poll:
                self.stay(worker, worker.free)
                return
            self.leave(worker)  # it asks at once after each attempt
        if not self._may_take(worker):
            return
        if worker.retires_after is not None and worker.attempts_begun >= worker.retires_after:
            if not worker.attempts:
                worker.gone = True
                self.begin_to_finish(worker, "attempts_done", 0)
            return
        if not self.broker.is_up or worker.asking is not None:
            return  # it asks again when it is reached again
        if worker.is_plain:
            self.wait(worker, self._agenda.now)
            if self.sleepers and worker.model.woken_on_demand:
                self.idle(worker)
        elif not (worker.cut_out or worker.cut_back):
            worker.asking = request = Request("take", worker)
            self.transport.send(request)

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

    def hand_in(self, attempt: Attempt, outcome: Outcome, why: Because, hint: Hint | None) -> None:
        """Hand an outcome in over a link without delay or loss: a request and its answer in one step."""
        worker, now = attempt.worker, self._agenda.now
        worker.number = number = worker.number + 1
        message = (worker.holder, number, 0)
        answer = self.broker.hand_in(now, attempt.event, message, attempt.token, outcome, why, hint)
        self._outcome_answered(attempt, answer)

    def end_well(self, attempt: Attempt) -> None:
        """Hand in that an attempt went well, whose work stops at this very instant, likewise."""
        worker = attempt.worker
        worker.number = number = worker.number + 1
        answer = self.broker.end_well(self._agenda.now, worker.holder, number, attempt)
        self._outcome_answered(attempt, answer)

    def answered(self, request: Request, answer: Any) -> None:
        """The answer to a request has reached its worker."""
        worker = request.worker
        request.answered = True
        if request.what == "take":
            worker.asking = None
            if answer is None:
                if not worker.waiting and self._may_take(worker):
                    self.wait(worker, request.sent)
                    self.idle(worker)
            else:
                self.execution.begin(worker, answer, request.first_sent)
                if not worker.is_plain:
                    self.ask_soon(worker)
            return
        assert request.attempt is not None
        self._outcome_answered(request.attempt, answer)

    def _outcome_answered(self, attempt: Attempt, answer: Any) -> None:
        """A worker knows that its outcome was taken or refused: its slot is free."""
        job, worker = attempt.job, attempt.worker
        self.execution.forget(attempt)
        if answer is True and job.running:
            self.after_job_change(job)
        if self.broker.fresh:
            self.match()
        if worker.finishing and not worker.attempts:
            self.leave_now(worker, attempt.event)
        else:
            self.ask(worker)

    # -- idle workers -------------------------------------------------------------------------------------------------

    def wait(self, worker: Worker, anchor: int, free: int | None = None) -> None:
        """A worker has a free slot and nothing to put in it; one that polls asks every period, from ``anchor`` on.

        ``free``: how many of its slots are free, if not as many as it says itself.
        """
        if self._by_slots:
            self._group(worker, worker.poll, worker.free if free is None else free)
        alike: Alike = worker.group or self._group(worker, worker.poll, 1)
        worker.waiting = True
        self.waiting += 1
        heappush(alike.candidates, (worker.idle_since, worker.index, self._number(), worker, None))
        if alike.poll:
            worker.poll_anchor = anchor
            worker.asked_at = -1
            insort(alike.places, (anchor % alike.poll, worker.index, worker), key=_place)
        if self._due_at < 0:
            for queue, _ in alike.view:
                if queue.waiting:
                    self.hand_over_soon()
                    return
            if self.doubles.offered:
                self.hand_over_soon()

    def offer(self, worker: Worker, free: int) -> Offer:
        """Give what a worker with so many free slots offers a job."""
        return (worker.equipment, free) if self._by_slots and free != 1 else worker.equipment

    def has_room_for(self, queue: str, worker: Worker) -> bool:
        """Say whether a job of a queue fits the free slots of a worker; where no job takes several, one always does."""
        return not self._by_slots or self.broker.best((queue,), self.offer(worker, worker.free), None) is not None

    def stay(self, worker: Worker, free: int) -> None:
        """A worker that waits has begun or ended something: it stands behind those idle for longer.

        ``free``: how many of its slots are free, with what it is about to begin.
        """
        if self._by_slots:  # those with as many are others now
            asked_at = worker.asked_at
            self.leave(worker)
            self.wait(worker, worker.poll_anchor, free)
            worker.asked_at = asked_at
            return
        heappush(worker.group.candidates, (worker.idle_since, worker.index, self._number(), worker, None))

    def leave(self, worker: Worker) -> None:
        """A worker no longer waits, whatever the reason."""
        if not worker.waiting:
            return
        alike: Alike = worker.group
        worker.waiting = False
        self.waiting -= 1
        if alike.poll:
            alike.places.pop(bisect_left(alike.places, (worker.poll_anchor % alike.poll, worker.index), key=_place))

    def changed(self, worker: Worker, change: Callable[[], None]) -> None:
        """Change what makes a worker like others, waiting or not."""
        was_waiting = worker.waiting
        self.leave(worker)
        change()
        worker.group = None
        if was_waiting:
            self.wait(worker, worker.poll_anchor)

    def asked(self, request: Request, reply: Reply) -> None:
        """A request has reached the broker: ``reply`` is called with it and its answer as work is handed over."""
        worker = request.worker
        self.broker.hear(self._agenda.now, worker.name, request.incarnation, request.arrived)
        self._asked.append((request, reply))
        if not request.is_decided:
            alike = self._group(worker, _BY_REQUEST, request.free)
            heappush(alike.candidates, (worker.idle_since, worker.index, self._number(), worker, request))
        self.hand_over_soon()

    def _group(self, worker: Worker, poll: int, free: int) -> Alike:
        declines = any(window.skips_jobs_too_long_to_finish for window in worker.model.windows)
        able = (worker.pool, worker.real_speed) if declines else None
        signature = (worker.queues, self.offer(worker, free), poll, able)
        alike = self._alike.get(signature)
        if alike is None:
            alike = self._alike[signature] = Alike(signature, worker, self.broker.view(worker.queues, signature[1]))
            self._groups.append(alike)
            if poll:
                self._periodic.append(alike)
        if poll != _BY_REQUEST:
            worker.group = alike
        return alike

    # -- handing over -------------------------------------------------------------------------------------------------

    def match(self) -> None:
        """Jobs have become eligible: hand them over at the end of this instant, if anybody might have them."""
        fresh = self.broker.fresh
        if self.sleepers:
            self._to_wake.update(dict.fromkeys(fresh))
            self.hand_over_soon()
        elif self.waiting and self._due_at < 0:
            self.hand_over_soon()
        fresh.clear()

    def hand_over_soon(self) -> None:
        """Hand work over at the end of this instant."""
        if self._due_at < 0:
            self._due_at = self._agenda.now
            self._agenda.end_instant(self.hand_over)

    def hand_over(self, _: object) -> None:
        """End an instant: let those who ask have what is eligible by now."""
        now = self._agenda.now
        for alike in self._periodic:
            self._add_due(alike, now)
        if self.broker.is_up:
            while (self.waiting or self._asked) and self._hand_over_one(now):
                pass
        self._due_at = -1
        for alike in self._periodic:
            self._end_asking(alike, now)
        if self._asked:
            self._answer()
        if self._to_wake:
            self._wake()

    def _hand_over_one(self, now: int) -> bool:
        """Hand over the best job that anybody may have; say whether there was one."""
        if self.doubles.offered and self._hand_over_double(now):
            return True
        chosen: Alike | None = None
        found: Entry | None = None
        for alike in self._groups:
            candidates = alike.candidates
            if not candidates:
                continue
            left = None if alike.speed is None else self.time_left(alike.worker, alike.speed)
            entry = self.broker.first(alike.view, left)
            if entry is None or not self._asks_first(alike, now):
                continue
            if (
                found is None
                or entry < found
                or (entry is found and chosen is not None and candidates[0] < chosen.candidates[0])
            ):
                chosen, found = alike, entry
        if chosen is None or found is None:
            return False
        _, _, _, worker, request = heappop(chosen.candidates)
        if request is not None:
            self._decide(request, found)
        elif worker.is_plain:
            self._hand_out(worker, found)
        else:
            self.leave(worker)
            self.ask(worker)
        if self.waiting:  # and so this goes on; the last is the step that the entry stands for
            self._agenda.step(self.hand_over, (found[2], worker))
        return True

    def _asks_first(self, alike: Alike, now: int) -> bool:
        """Drop those who do not ask now from the head of a group; say whether anybody does."""
        candidates = alike.candidates
        while candidates:
            since, _, _, worker, request = candidates[0]
            if request is not None:
                return True
            if (
                worker.waiting
                and since == worker.idle_since
                and worker.group is alike
                and (not alike.poll or _asks(worker, now))
            ):
                return True
            heappop(candidates)  # it has left since, or has had something to do: then it stands further back
        return False

    def _hand_out(self, worker: Worker, found: Entry) -> None:
        """Let the broker give a job to a worker that waits: over its link a request and its answer are one."""
        worker.number = number = worker.number + 1
        message, begins = (worker.holder, number, 0), not worker.looks_at_end
        attempt = self.broker.take(self._agenda.now, message, worker.queues, worker.equipment, None, found, begins)
        if attempt is not None:
            if self.doubles.wanted:
                self.doubles.note(worker, attempt)
            self._begin(worker, attempt)

    def _decide(self, request: Request, found: Entry | None) -> None:
        """Let the broker decide what a worker gets whose request has come.

        ``found``: the job that is handed over, None if it is to be looked for.
        """
        worker, broker = request.worker, self.broker
        message = (broker.holder(worker.name, request.incarnation), request.number, request.arrived)
        offer, left = self.offer(worker, request.free), self.time_left(worker, worker.real_speed)
        attempt = broker.take(self._agenda.now, message, worker.queues, offer, left, found)
        if attempt is not None and self.doubles.wanted:
            self.doubles.note(worker, attempt)
        request.is_decided = True
        request.granted = attempt

    def _begin(self, worker: Worker, attempt: Attempt) -> None:
        """A worker that waits gets a job: it waits no longer if that fills its slots, or is its last."""
        now = self._agenda.now
        last = worker.retires_after is not None and worker.attempts_begun + 1 >= worker.retires_after
        free = worker.free - attempt.job.routine.slots
        if last or free <= 0:
            self.leave(worker)
        else:
            worker.idle_since = now
            self.stay(worker, free)
        self.execution.begin(worker, attempt, now)

    def time_left(self, worker: Worker, speed: float) -> int | None:
        """Give the work that a worker of some speed could do before its schedule shuts it down, if it minds that."""
        now = self._agenda.now
        for at, on, window in self.switches(worker):
            if at > now and not on:
                return int((at - now) * speed) if window.skips_jobs_too_long_to_finish else None
        return None

    def _hand_over_double(self, now: int) -> bool:
        """Deliver what a fault has the broker hand out twice; say whether anybody could have it."""
        asking = [
            (worker.idle_since, index, number, worker, request, alike.candidates)
            for alike in self._groups
            for _, index, number, worker, request in alike.candidates
            if request is not None or (worker.waiting and worker.group is alike and _asks(worker, now))
        ]
        for _, _, _, worker, request, candidates in sorted(asking, key=lambda one: one[:3]):
            if not (queue := self.doubles.queue_for(worker, worker.free if request is None else request.free)):
                continue
            if request is not None:
                candidates[:] = [candidate for candidate in candidates if candidate[4] is not request]
                heapify(candidates)
                request.is_decided = True
                request.granted, _ = self.doubles.offered.pop(queue)
            elif worker.is_plain:
                attempt, _ = self.doubles.offered.pop(queue)
                self._begin(worker, attempt)
                if attempt.job.asked:  # the first has been told to stand still; this one is told by its next heartbeat
                    self._heartbeats.want_contact(worker)
            else:
                self.leave(worker)
                self.ask(worker)
            return True
        return False

    def _answer(self) -> None:
        """Answer the requests that have come, now that it is decided what each is given."""
        asked, self._asked = self._asked, []
        if not self.broker.is_up:
            return
        for request, _ in asked:
            if not request.is_decided:
                self._decide(request, None)
        for request, reply in asked:
            reply(request, request.granted)

    def _wake(self) -> None:
        """Switch machines on that sleep until there is work."""
        fresh, self._to_wake = self._to_wake, {}
        for queue in self.sleepers:
            if queue in fresh:
                self.wake_for(queue)

    # -- those who poll -----------------------------------------------------------------------------------------------

    def _add_due(self, alike: Alike, now: int) -> None:
        """Let those ask whose period ends now."""
        places, due = alike.places, now % alike.poll
        place = bisect_left(places, (due, -1), key=_place)
        while place < len(places) and places[place][0] == due:
            worker = places[place][2]
            heappush(alike.candidates, (worker.idle_since, worker.index, self._number(), worker, None))
            place += 1

    def _end_asking(self, alike: Alike, now: int) -> None:
        """Nobody gets anything more at this instant: foresee when one asks again that could find something."""
        for _, _, _, worker, _ in alike.candidates:
            worker.asked_at = now
        alike.candidates.clear()
        if not alike.places or (not self.doubles.offered and self.broker.first(alike.view, None) is None):
            return
        period, start = alike.poll, now + 1
        place = bisect_left(alike.places, (start % period, -1), key=_place)
        wrapped = 0 if place < len(alike.places) else period
        found = alike.places[place if not wrapped else 0]
        at = start - start % period + wrapped + found[0]
        if not now < alike.next_at <= at:
            alike.next_at = at
            self._agenda.at(at, self._poll, None, MESSAGES, found[1])

    def _poll(self, _: object) -> None:
        self.hand_over_soon()


def _asks(worker: Worker, now: int) -> bool:
    """Say whether a worker that waits asks at this instant, and has not done so before in it."""
    poll = worker.poll
    return not poll or (worker.asked_at != now and (now - worker.poll_anchor) % poll == 0)


def _place(entry: tuple[int, int, Worker] | tuple[int, int]) -> tuple[int, int]:
    return entry[0], entry[1]
