"""What does the broker hold to be true, and how does it change? Jobs, leases, workers and queues.

The broker is one object in three files: this one knows what is there, and how attempts and jobs end; ``leases`` has
what workers do, and what becomes of a job whose attempt did not go well; ``broker`` what people and arrivals ask.
``_move`` alone writes a job's state, as the table of states says.

Each start of a worker's program is an incarnation of its own. Former incarnations are remembered: their messages may
still be on the way. When a job is final, its idempotency key starts to run out, those who waited for it are judged,
and only a few bytes of it stay.
"""

from array import array
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final, Literal, cast

from emulator.broker.allowance import RetryAllowance
from emulator.broker.explain import explain
from emulator.broker.jobs import ENDS, PREREQUISITE, REASONS, Attempt, Finished, Holder, Job
from emulator.broker.matching import Offer
from emulator.broker.order import Entry, Keys, Queue
from emulator.broker.prerequisites import Key, Prerequisites, Unmet, Waiter
from emulator.broker.requests import Alarms
from emulator.broker.rules import Outcome, QueueRules
from emulator.broker.states import Facts, Request, State, in_plain_words, target
from emulator.errors import DefectError
from emulator.record.events import Sink
from emulator.record.reasons import Because, Reason, Why

__all__ = ["BrokerState"]

_GONE: Final = cast("Entry", ())
_NO_FACTS: Final = Facts()


class BrokerState:
    """The broker's memory; see ``emulator.broker.broker.Broker`` for the arguments.

    Attributes:
        fresh: the name of a queue for each time that something in it became eligible. Whoever hands work to idle
            workers at once looks here, and clears it.
        is_up: false during an outage.
        is_valid: says whether a token's lease is in the table.
    """

    __slots__ = (
        "_alarms",
        "_allowances",
        "_down_since",
        "_emit",
        "_ended",
        "_families",
        "_finished",
        "_first_job",
        "_former",
        "_idempotency",
        "_incarnations",
        "_jobs",
        "_key_ends",
        "_keys",
        "_last_job",
        "_last_place",
        "_last_serial",
        "_last_token",
        "_lease",
        "_leases_during_outage",
        "_missed",
        "_new_token_job",
        "_new_token_mark",
        "_prerequisites",
        "_queues",
        "_remembered",
        "_ring",
        "_token_base",
        "_token_jobs",
        "_token_marks",
        "_tokens",
        "_uniform",
        "_ways",
        "_workers",
        "fresh",
        "is_up",
        "is_valid",
    )

    def __init__(
        self,
        queues: Sequence[QueueRules],
        sink: Sink,
        alarms: Alarms,
        uniform: Callable[[Job, int], float],
        *,
        leases_during_outage: Literal["expire", "extend"] = "expire",
        remembered: frozenset[str] = frozenset(),
        grouped: frozenset[str] = frozenset(),
        first_job: int = 1,
        first_token: int = 1,
    ) -> None:
        self._emit = sink.emit
        self._alarms = alarms
        self._ring = alarms.ring
        self._lease = alarms.lease
        self._uniform = uniform
        self._leases_during_outage = leases_during_outage
        self._queues = {rules.name: Queue(rules) for rules in queues}
        self._allowances = {
            rules.name: RetryAllowance(rules.allowance) for rules in queues if rules.allowance is not None
        }
        self._ways: dict[tuple[Request, Facts], dict[State, State | str]] = {}
        self._keys = Keys()
        self._jobs: dict[int, Job] = {}
        self._first_job = first_job
        self._last_job = first_job - 1
        self._last_place = 0
        self._finished = Finished(first_job)
        self._families: dict[int, int] = {}
        self._remembered = remembered
        self._prerequisites = Prerequisites(self.family, self.final_state, grouped)
        self._ended: list[tuple[Key, int]] = []
        self._idempotency: dict[str, int] = {}
        self._key_ends: dict[int, tuple[int, str]] = {}
        self._tokens: dict[int, Attempt] = {}
        self.is_valid: Callable[[int], bool] = self._tokens.__contains__
        self._last_token = first_token - 1
        self._token_base = first_token
        self._token_jobs = array("q")
        self._token_marks = array("i")
        self._new_token_job = self._token_jobs.append
        self._new_token_mark = self._token_marks.append
        self._workers: dict[str, Holder] = {}
        self._former: dict[tuple[str, int], Holder] = {}
        self._incarnations: dict[str, int] = {}
        self._last_serial = 0
        self._down_since = 0
        self._missed: list[tuple[int, str, int, int, str]] = []
        self.fresh: list[str] = []
        self.is_up = True

    # -- finding things ---------------------------------------------------------------------------------------------

    def _job(self, number: int) -> Job | None:
        """Give an unfinished job, or None for a finished one.

        Raises:
            DefectError: for a job that was never submitted.
        """
        job = self._jobs.get(number)
        if job is None and not self._first_job <= number <= self._last_job:
            raise DefectError(f"the broker was asked about job {number}, which was never submitted")
        return job

    def _queue(self, name: str) -> Queue:
        queue = self._queues.get(name)
        if queue is None:
            raise DefectError(f"the broker was asked about queue {name!r}, which it does not have")
        return queue

    def _job_of_token(self, token: int) -> int:
        """Give the job for which a token was granted, 0 if it never was."""
        index = token - self._token_base
        return self._token_jobs[index] if 0 <= index < len(self._token_jobs) else 0

    def _mark_of_token(self, token: int) -> int:
        """Give the serial number of the worker that handed in with the token, negative if it handed back; 0: none."""
        index = token - self._token_base
        return self._token_marks[index] if 0 <= index < len(self._token_marks) else 0

    # -- what others may ask ----------------------------------------------------------------------------------------

    def job(self, number: int) -> Job | None:
        """Give an unfinished job, None once it is final.

        Raises:
            DefectError: for a job that was never submitted.
        """
        return self._jobs.get(number) or self._job(number)

    def queued(self, queue: str) -> int:
        """Count the jobs of a queue that wait for a worker, held ones aside (a busy key is no hold)."""
        return self._queue(queue).waiting

    def has_waiting(self, queues: Sequence[str]) -> bool:
        """Say whether any job of some queues waits for a worker, held ones aside (a busy key is no hold)."""
        for name in queues:  # noqa: SIM110  # a generator takes twice as many steps
            if self._queues[name].waiting:
                return True
        return False

    def unfinished(self, queue: str) -> int:
        """Count the jobs of a queue that are not final."""
        return self._queue(queue).unfinished

    def running(self, queue: str) -> int:
        """Count the jobs of a queue that a worker has, suspended ones included."""
        return self._queue(queue).running

    def best(self, queues: Sequence[str], offer: Offer, time_left: int | None) -> Entry | None:
        """Give the entry of the job that such a worker would be given now, None if there is none.

        It is good for ``take`` until anything else is asked of the broker.
        """
        best: Entry | None = None
        for name in queues:
            queue = self._queues.get(name) or self._queue(name)
            if queue.waiting:
                entry = queue.best(offer, time_left)
                if entry is not None and (best is None or entry < best):
                    best = entry
        return best

    def lease_of(self, token: int) -> tuple[int, str, int, int] | None:
        """Give (job, worker, incarnation, until) of a lease, None once it has ended."""
        attempt = self._tokens.get(token)
        if attempt is None:
            return None
        return attempt.job.number, attempt.holder.name, attempt.holder.incarnation, attempt.until

    def token_of(self, job: int) -> int:
        """Give the token of the lease that is out on a job, 0 for none."""
        found = self._job(job)
        return 0 if found is None or found.attempt is None else found.attempt.token

    def state_of(self, job: int) -> State:
        """Give the state of a job, finished or not."""
        found = self._job(job)
        if found is not None:
            return found.state
        ended = self._finished.how(job)
        assert ended is not None  # a known job that is not among the unfinished
        return ended[0]

    def final_state(self, job: int) -> State | None:
        """Give the final state of a job, None while it is unfinished."""
        return None if self._job(job) is not None else self.state_of(job)

    def sub_state(self, job: int) -> str:
        """Give the sub-state of a failed job, "" for any other."""
        ended = None if self._job(job) is not None else self._finished.how(job)
        return "" if ended is None else ended[1]

    def last_attempt(self, job: int) -> int:
        """Give the number of the job's last attempt that counts, 0 for none."""
        found = self._job(job)
        return self._finished.attempts(job) if found is None else found.attempts

    def family(self, job: int) -> int:
        """Give the number of the job from which this one descends by being resubmitted: its own if it never was."""
        return self._families.get(job, job)

    def jobs_unfinished(self) -> Iterator[int]:
        """Give the numbers of the unfinished jobs, in the order of submission."""
        return iter(tuple(self._jobs))

    def explain(self, now: int, job: int, offers: Sequence[Offer] | None = None) -> tuple[Reason, ...]:
        """Give every reason why a job is not running, or what became of it; at least one.

        Args:
            now: the present tick.
            job: its number.
            offers: what each worker that serves the job's queue has, with all its slots, if that is to be looked at.
        """
        found = self._job(job)
        if found is None:
            return (Reason(Why.FINAL, (self.state_of(job).value, self.sub_state(job))),)
        _, unmet = self._prerequisites.unmet(job)
        return explain(found, self._keys, now, offers, unmet)

    def waits_for(self, job: int) -> tuple[bool, tuple[Unmet, ...]]:
        """Say which jobs an unfinished job waits for still, and whether the first of them suffices."""
        return self._prerequisites.unmet(job)

    def snapshot(self) -> dict[str, Any]:
        """Give the broker's state as plain data; ``emulator.record.fold`` gives the same from the events alone."""
        return {
            "up": self.is_up,
            "queues_held": sorted(name for name, queue in self._queues.items() if queue.held),
            "workers": dict(sorted((name, holder.incarnation) for name, holder in self._workers.items())),
            "jobs": {
                number: {
                    "state": job.state.value,
                    "attempts": job.attempts,
                    "held": REASONS[job.held],
                    "token": 0 if job.attempt is None else job.attempt.token,
                    "lost_leases": 0 if job.rare is None else job.rare.lost,
                    "suspension_wanted": job.rare is not None and job.rare.wanted,
                }
                for number, job in self._jobs.items()
            },
            "finished": {
                number: {"state": state.value, "sub_state": sub_state, "attempts": self._finished.attempts(number)}
                for number, (state, sub_state) in self._finished
            },
        }

    # -- workers ------------------------------------------------------------------------------------------------------

    def register(self, now: int, cause: int, worker: str, incarnation: int, silence: int | None) -> None:
        """A worker's program has started; it is declared lost after ``silence`` ticks without a message (None: never).

        Raises:
            DefectError: when the incarnation is not above the worker's earlier ones.
        """
        if incarnation <= self._incarnations.get(worker, -1):
            raise DefectError(f"worker {worker} came as incarnation {incarnation} again")
        self._incarnations[worker] = incarnation
        before = self._workers.get(worker)
        if before is not None:
            self._former[worker, before.incarnation] = before
        self._last_serial += 1
        self._workers[worker] = Holder(worker, incarnation, self._last_serial, silence, now)
        self._emit((now, "worker_registered", cause, 0, worker, incarnation))
        if silence is not None:
            self._alarms.silence(now + silence, worker, incarnation)

    def sign_off(self, now: int, cause: int, worker: str, incarnation: int) -> None:
        """A worker leaves in good order; leases that it still has run out."""
        holder = self._holder(worker, incarnation)
        if self._workers.get(worker) is holder:
            del self._workers[worker]
            self._former[worker, incarnation] = holder
        holder.silence = None
        self._emit((now, "worker_signed_off", cause, 0, worker, incarnation))

    def _holder(self, worker: str, incarnation: int) -> Holder:
        """Give the record of an incarnation, former ones included: their messages may still be on the way."""
        holder = self._workers.get(worker)
        if holder is None or holder.incarnation != incarnation:
            holder = self._former.get((worker, incarnation))
            if holder is None:
                raise DefectError(f"worker {worker}, incarnation {incarnation}, has never been registered")
        return holder

    def _heard(self, now: int, holder: Holder, order: int = 0) -> None:
        """A message came; who was declared lost is known again, though its old tokens stay dead.

        One that a newer message has overtaken says nothing of the worker now: silence runs from the newest.
        """
        if order:
            if order < holder.newest:
                return
            holder.newest = order
        holder.heard = now
        if holder.lost:
            holder.lost = False
            if holder.silence is not None:
                self._alarms.silence(now + holder.silence, holder.name, holder.incarnation)

    def hear(self, now: int, worker: str, incarnation: int, order: int) -> None:
        """A message came of which nothing can be decided yet; ``order`` as for ``take``."""
        self._heard(now, self._holder(worker, incarnation), order)

    def silence_end(self, worker: str, incarnation: int) -> int | None:
        """Give the tick at which a worker will be declared lost if it is not heard; None if it will not be."""
        holder = self._workers.get(worker)
        if holder is None or holder.incarnation != incarnation or holder.silence is None or holder.lost:
            return None
        return holder.heard + holder.silence

    def is_lost(self, worker: str, incarnation: int) -> bool:
        """Say whether a worker has been declared lost and not been heard since."""
        holder = self._workers.get(worker)
        return holder is not None and holder.incarnation == incarnation and holder.lost

    def settle_heard(self, worker: str, incarnation: int, at: int) -> None:
        """The last of the computed messages of a worker came at ``at``."""
        holder = self._holder(worker, incarnation)
        if at > holder.heard:
            self._heard(at, holder)

    # -- where a job stands -------------------------------------------------------------------------------------------

    def _wait(self, job: Job) -> None:
        """Let a job wait for a worker."""
        job.queue.add(job, self._keys)
        self.fresh.append(job.queue.name)

    def _move(self, job: Job, request: Request, facts: Facts = _NO_FACTS) -> State | str:
        """Put a request to the table: the job goes where it leads. A refusal, told by its code, changes nothing."""
        try:
            state = self._ways[request, facts][job.state]
        except KeyError:
            ways = self._ways[request, facts] = {state: target(state, request, facts) for state in State}
            state = ways[job.state]
        if type(state) is State:
            job.state = state
        return state

    def _must_move(self, job: Job, request: Request, facts: Facts = _NO_FACTS) -> None:
        """Make a move that the table has to grant: there is nobody to be told otherwise."""
        why = self._move(job, request, facts)
        if isinstance(why, str):
            raise DefectError(
                f"job {job.number} is {job.state.value}, and {request.value} is refused: {in_plain_words(why)}"
            )

    def _end_reason(self, now: int, cause: int, job: Job, reason: int) -> None:
        """One reason less to hold a job."""
        self._must_move(job, Request.END_OF_REASON, Facts(held=job.held != reason))
        job.held &= ~reason
        job.since = self._emit((now, "hold_ended", cause, job.number, "", job.state.value, REASONS[reason]))
        if not job.held:
            self._wait(job)

    # -- the end of a lease, of an attempt, of a job ------------------------------------------------------------------

    def _end_lease(self, attempt: Attempt) -> None:
        """Take the job from its worker."""
        holder, job = attempt.holder, attempt.job
        queue = job.queue
        if holder.leases is not None:
            del holder.leases[attempt.token]
        del self._tokens[attempt.token]
        job.attempt = None
        queue.running -= 1
        if job.key:
            self.fresh += self._keys.free(job)
        if queue.running_at_most is not None and queue.waiting:
            self.fresh.append(queue.name)
        extra = job.rare
        if extra is not None:
            extra.wanted = extra.asked = False
            extra.suspended_for = 0

    def _told_end(self, now: int, cause: int, attempt: Attempt, outcome: Outcome, why: Because, nominal: int) -> int:
        """Record the end of an attempt and take the job from its worker; give the event's number."""
        number, token = attempt.number, attempt.token
        row = (now, "attempt_ended", cause, attempt.job.number, attempt.holder.name, number, token, outcome, why.code)
        event = self._emit((*row, nominal, why.values) if why.values else (*row, nominal))
        self._end_lease(attempt)
        return event

    def _finish(self, now: int, cause: int, job: Job, sub_state: str, why: Because) -> None:
        """Put a job aside that no worker has, and that has moved to its end: done if ``sub_state`` is empty."""
        number = job.number
        row = (now, "finished", cause, number, "", job.state.value, sub_state, why.code, job.attempts)
        event = self._emit((*row, why.values) if why.values else row)
        del self._jobs[number]
        self._finished.close(number, sub_state, job.attempts)
        job.queue.unfinished -= 1
        job.entry = _GONE  # an entry names its job: nothing of either would go before the next search for cycles
        if job.rare is not None and job.rare.idempotency_key:
            self._let_key_run_out(now, job.queue.rules.idempotency_keys_kept, number, job.rare.idempotency_key)
        if self._remembered:
            for key in self._prerequisites.ended(number):
                self._judge_waiters(now, event, key)

    def _let_key_run_out(self, now: int, kept: int, job: int, key: str) -> None:
        if kept:
            self._key_ends[job] = (now + kept, key)
            self._ring(now + kept, "idempotency", job, 0)
        else:
            del self._idempotency[key]

    def _terminate(
        self,
        now: int,
        cause: int,
        job: Job,
        sub_state: str,
        why: Because,
        end: tuple[Outcome, Because, int],
    ) -> None:
        """End a job that has failed, with the attempt that runs if one does (``end``: outcome, why, nominal tick)."""
        if job.attempt is not None:
            cause = self._told_end(now, cause, job.attempt, *end)
        elif job.waiting:
            job.queue.remove(job, self._keys)
        self._finish(now, cause, job, sub_state, why)

    # -- those who waited for a job -----------------------------------------------------------------------------------

    def _judge_waiters(self, now: int, cause: int, ended: Key) -> None:
        """Judge those who waited for a job, and those who waited for them, without recursion: chains may be long."""
        row = self._ended
        row.append((ended, cause))
        if len(row) > 1:
            return  # called from the loop below
        for key, event in row:  # the list grows while it is walked
            failed = self._prerequisites.failed(key)
            for waiter in self._prerequisites.release(key):
                job = self._jobs.get(waiter.job)
                if job is not None and job.held & PREREQUISITE:
                    self._judge_prerequisite(now, event, job, waiter, failed)
        row.clear()

    def _judge_prerequisite(self, now: int, cause: int, job: Job, waiter: Waiter, failed: int) -> None:
        """One of the things that a job waits for has ended; ``failed``: the job of it that failed, 0 for none."""
        known = self._prerequisites
        goes_on = known.settle(waiter, not failed or known.goes_on(waiter))
        if goes_on is None:
            return
        known.forget(job.number)
        if goes_on:
            self._end_reason(now, cause, job, PREREQUISITE)
        else:
            self._fail_with(now, cause, job, failed)

    def _fail_with(self, now: int, cause: int, job: Job, failed: int) -> None:
        """A job fails because one that it waited for has."""
        why = Because("prerequisite_refused")
        if failed > 0:
            _, sub_state = self._finished.how(failed) or ENDS[0]
            why = Because("prerequisite_failed", {"job": failed, "sub_state": sub_state})
        self._must_move(job, Request.PREREQUISITE_FAILURE, Facts(waits=True))
        self._finish(now, cause, job, "prerequisite_failed", why)
