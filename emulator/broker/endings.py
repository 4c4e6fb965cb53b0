"""What happens when an attempt ends, and what when a job does?

An attempt that went well makes the job done. Any other is put to the retry policy; then the job is requeued or has
failed. When a job is final, its idempotency key starts to run out, those who waited for it are judged, and only a few
bytes of it stay.
"""

from typing import TYPE_CHECKING, Final, cast

from emulator.broker.allowance import RetryAllowance
from emulator.broker.jobs import ENDS, PAUSING, PREREQUISITE, REASONS, Job, rare
from emulator.broker.ledger import Ledger
from emulator.broker.prerequisites import Key, Waiter
from emulator.broker.retry import ATTEMPTS_USED_UP, PERMANENT_ERROR, Judgement, judge, limit_reached, too_late
from emulator.broker.rules import Outcome, RetryCase, RetryPolicy
from emulator.broker.states import Facts, Request, State, in_plain_words, refuses, target
from emulator.errors import DefectError, InputError
from emulator.record.reasons import NONE, Because, said

if TYPE_CHECKING:
    from emulator.broker.order import Entry

__all__ = ["Endings"]

_GONE: Final = cast("Entry", ())


class Endings(Ledger):
    """The layer that ends attempts and jobs."""

    __slots__ = ()

    # -- where a job stands -------------------------------------------------------------------------------------------

    def _wait(self, job: Job) -> None:
        """Let a job wait for a worker."""
        job.queue.add(job, self._keys)
        self.fresh.append(job.queue.name)

    def _next(self, job: Job, request: Request, facts: Facts) -> State:
        """Give the state to which a request leads that the table must grant: there is nobody to be told otherwise."""
        state = target(job.state, request, facts)
        if not isinstance(state, State):
            raise DefectError(
                f"job {job.number} is {job.state.value}, and {request.value} is refused: {in_plain_words(state)}"
            )
        return state

    def _end_reason(self, now: int, cause: int, job: Job, reason: int) -> None:
        """One reason less to hold a job."""
        job.state = self._next(job, Request.END_OF_REASON, Facts(held=job.held != reason))
        job.held &= ~reason
        job.since = self._emit((now, "hold_ended", cause, job.number, "", job.state.value, REASONS[reason]))
        if not job.held:
            self._wait(job)

    # -- the end of a lease, of an attempt, of a job ------------------------------------------------------------------

    def _end_lease(self, job: Job) -> None:
        """Take the job from its worker."""
        holder, queue = job.holder, job.queue
        if holder is not None and holder.leases is not None:
            del holder.leases[job.token]
        del self._tokens[job.token]
        job.token = 0
        job.holder = None
        queue.running -= 1
        if job.key:
            self.fresh += self._keys.free(job)
        if queue.running_at_most is not None and queue.waiting:
            self.fresh.append(queue.name)
        extra = job.rare
        if extra is not None:
            extra.wanted = extra.asked = False
            extra.suspended_for = 0

    def _told_end(self, now: int, cause: int, job: Job, outcome: Outcome, why: Because, nominal: int) -> int:
        """Record the end of an attempt and take the job from its worker; give the event's number."""
        worker = "" if job.holder is None else job.holder.name
        row = (now, "attempt_ended", cause, job.number, worker, job.attempts, job.token, outcome, why.code, nominal)
        event = self._emit((*row, why.values) if why.values else row)
        self._end_lease(job)
        return event

    def _finish(self, now: int, cause: int, job: Job, state: State, sub_state: str, why: Because) -> None:
        """Make a job that no worker has final; ``state`` is done if ``sub_state`` is empty, else failed."""
        number = job.number
        row = (now, "finished", cause, number, "", state.value, sub_state, why.code, job.attempts)
        event = self._emit((*row, why.values) if why.values else row)
        del self._jobs[number]
        self._finished.close(number, sub_state, job.attempts)
        job.queue.unfinished -= 1
        job.payload = None
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
        state: State,
        sub_state: str,
        why: Because,
        end: tuple[Outcome, Because, int],
    ) -> None:
        """End a job at once, with the attempt that runs if one does (``end``: its outcome, why, and nominal tick)."""
        if job.token:
            cause = self._told_end(now, cause, job, *end)
        elif job.waiting:
            job.queue.remove(job, self._keys)
        self._finish(now, cause, job, state, sub_state, why)

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
        follows = self._next(job, Request.PREREQUISITE_FAILURE, Facts(waits=True))
        self._finish(now, cause, job, follows, "prerequisite_failed", why)

    # -- retries ------------------------------------------------------------------------------------------------------

    def _end_attempt(
        self,
        now: int,
        cause: int,
        job: Job,
        request: Request,
        outcome: Outcome,
        why: Because,
        nominal: int,
        *,
        retry_after: int | None = None,
        refused_at: int = 0,
    ) -> None:
        """End an attempt that did not go well, and decide what becomes of the job.

        ``request``: an outcome that the worker hands in, the loss of the lease, or the time limit.
        """
        if refuses(job.state, request):
            raise DefectError(f"an attempt of job {job.number}, which is {job.state.value}, had a {request.value}")
        by_time_limit = request is Request.TIME_LIMIT
        event = self._told_end(now, cause, job, outcome, why, nominal)
        extra = rare(job)
        if outcome == "lease_lost":
            extra.lost += 1
        found = None
        if by_time_limit:
            extra.cut += 1
            found = self._cap_reached(job, extra.cut)
        if found is None:
            policy = job.terms.rules.policy
            if policy is None:
                found = self._judge(now, job, outcome, retry_after, refused_at, by_time_limit)
            else:
                found = self._ask(policy, now, job, outcome, retry_after, refused_at)
        if found.sub_state:
            self._fail(now, event, job, request, found)
        else:
            extra.own_pause = found.own
            self._grant(now, event, job, request, found.pause)

    def _fail(self, now: int, cause: int, job: Job, request: Request, found: Judgement) -> None:
        """A job is not tried again."""
        self._finish(now, cause, job, self._next(job, request, Facts()), found.sub_state, found.why)

    def _cap_reached(self, job: Job, cut: int) -> Judgement | None:
        """Say whether the time limit itself ends the job."""
        longest = job.terms.rules.time_limit
        assert longest is not None  # no attempt is ended by a time limit that is not set
        if longest.then == "fail":
            return Judgement("time_limit", Because("time_limit_reached", {"limit": longest.after}))
        if longest.at_most is not None and cut > longest.at_most:
            return Judgement("time_limit", Because("time_limits_reached", {"count": cut, "most": longest.at_most}))
        return None

    def _judge(
        self, now: int, job: Job, outcome: str, retry_after: int | None, refused_at: int, stated: bool
    ) -> Judgement:
        extra, number, attempt = rare(job), job.number, job.attempts
        uniform, submitted, before = self._uniform, job.submitted, extra.own_pause
        return judge(
            job.terms.rules.retry,
            attempt,
            extra.lost,
            outcome,
            now,
            submitted,
            before,
            lambda: uniform(number, attempt),
            retry_after,
            refused_at,
            stated,
        )

    def _ask(
        self, policy: RetryPolicy, now: int, job: Job, outcome: Outcome, retry_after: int | None, refused_at: int
    ) -> Judgement:
        """Put the question to the user's own policy; the limits of the file stand beside it."""
        retry, extra, attempt = job.terms.rules.retry, rare(job), job.attempts
        reached = limit_reached(retry, attempt, extra.lost, outcome, True)
        if reached is not None:
            return reached
        u = self._uniform(job.number, attempt)
        verdict = policy.decide(
            RetryCase(
                job.number,
                attempt,
                extra.lost,
                outcome,
                now,
                job.submitted,
                extra.own_pause,
                u,
                retry_after,
                refused_at,
            )
        )
        if not verdict.again:
            sub_state = PERMANENT_ERROR if outcome == "permanent_error" else ATTEMPTS_USED_UP
            return Judgement(sub_state, said(verdict.why) if verdict.why else Because("policy_said_no"))
        if type(verdict.pause) is not int or verdict.pause < 0:
            raise InputError(
                f"the retry policy of queue {job.queue.name} answered a pause of {verdict.pause!r} to job {job.number} "
                f"after attempt {attempt}: a pause is a whole number of microseconds, 0 or more"
            )
        late = too_late(retry, now + verdict.pause, job.submitted)
        return late or Judgement("", NONE, verdict.pause, verdict.pause)

    def _grant(self, now: int, cause: int, job: Job, request: Request, pause: int) -> None:
        """Requeue a job if the allowance of its queue has a token for it, or let it wait for one, or fail it."""
        allowance = self._allowances.get(job.queue.name)
        if allowance is None:
            self._requeue(now, cause, job, request, pause, now + pause, -1)
            return
        self._serve(now, allowance)
        if allowance.take(now):
            self._requeue(now, cause, job, request, pause, now + pause, allowance.left(now))
            return
        if not allowance.may_wait:
            spent = Judgement("allowance_used_up", Because("allowance_used_up"))
            self._fail(now, cause, job, request, spent)
            return
        earliest, retry = allowance.earliest(now), job.terms.rules.retry
        if retry.total_limit is not None:
            start = job.submitted + retry.total_limit if earliest is None else max(earliest, now + pause)
            late = too_late(retry, start, job.submitted)
            if late is not None:
                self._fail(now, cause, job, request, late)
                return
        rare(job).awaits = True
        allowance.row.append(job.number)
        due = -1 if earliest is None else max(earliest, now + pause)
        self._requeue(now, cause, job, request, pause, due, 0)
        self._serve(now, allowance)

    def _requeue(self, now: int, cause: int, job: Job, request: Request, pause: int, due: int, left: int) -> None:
        """Put a job back into its queue for another attempt; it is held while it pauses, or if a person holds it."""
        extra = rare(job)
        extra.due = now + pause
        if pause or extra.awaits:
            job.held |= PAUSING
        job.state = self._next(job, request, Facts(again=True, held=bool(job.held)))
        job.since = self._emit((now, "requeued", cause, job.number, "", job.state.value, due, left))
        if not job.queue.rules.requeued_keep_place:
            self._last_place += 1
            job.entry = (job.entry[0], self._last_place, job)
            job.inside = job.copied = False
        if pause:
            self._ring(now + pause, "pause", job.number, 0)
        if not job.held:
            self._wait(job)

    def _serve(self, now: int, allowance: RetryAllowance) -> None:
        """Give tokens to those who wait for one, and ask to be woken for the next."""
        row = allowance.row
        while row:
            job = self._jobs.get(row[0])
            if job is not None:  # else it was ended while it waited
                if not allowance.bucket.take(now):
                    break
                extra = rare(job)
                extra.awaits = False
                if extra.due <= now:
                    self._end_reason(now, job.since, job, PAUSING)
            row.popleft()
        if row:
            at = allowance.earliest(now)
            if at is not None and at != allowance.rings_at:
                allowance.rings_at = at
                self._ring(at, "allowance", row[0], 0)
