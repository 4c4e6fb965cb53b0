"""How does a worker get, keep and lose the right to work on a job?

The law: taking a job at t grants [t, t + lease) and a token above any before; renewing it at r moves the end to
r + lease; at its end the lease is lost. Whatever comes with a token that is not in the table is stale: refused and
recorded. The table is the truth, not the clock: whoever drives the broker delivers what ends at an instant before the
messages of that instant, so that a lease in the table is valid. A token is good in anybody's hand but a later
incarnation's of the same worker, which never renews or hands in for an earlier one. Each request of a worker is put
to the state table too; what that refuses is refused in the same way, but the broker itself chooses the job to take.
"""

from collections.abc import Sequence
from typing import Final

from emulator.broker.allowance import RetryAllowance
from emulator.broker.broker_state import BrokerState
from emulator.broker.jobs import BY_PERSON, PAUSING, Attempt, Holder, Job, rare
from emulator.broker.matching import Offer
from emulator.broker.order import Entry
from emulator.broker.requests import HeartbeatReply
from emulator.broker.retry import ATTEMPTS_USED_UP, PERMANENT_ERROR, Judgement, judge, limit_reached, too_late
from emulator.broker.rules import Outcome, RetryCase, RetryPolicy
from emulator.broker.states import Facts, Request, State, refuses, target
from emulator.errors import DefectError, InputError
from emulator.record.reasons import FORGOTTEN, LEASE_RAN_OUT, NONE, WORKER_SILENT, Because, said

__all__ = ["RAN_OUT", "SILENT", "Leases"]

_BAD_OUTCOMES: Final = ("error", "permanent_error", "time_limit")
_NOTHING: Final = HeartbeatReply()
_WELL: Final = Facts(well=True)
RAN_OUT: Final = Because(LEASE_RAN_OUT)
SILENT: Final = Because(WORKER_SILENT)
_FORGOTTEN: Final = Because(FORGOTTEN)
_NOT_STARTED: Final = Because("not_started")


class Leases(BrokerState):
    """What workers ask of the broker, and what becomes of their attempts."""

    __slots__ = ()

    # -- take ---------------------------------------------------------------------------------------------------------

    def take(
        self,
        now: int,
        cause: int,
        worker: str,
        incarnation: int,
        queues: tuple[str, ...],
        offer: Offer,
        time_left: int | None,
        number: int,
        found: Entry | None = None,
        order: int = 0,
    ) -> Attempt | None:
        """Hand out the best job that the worker may have, and give the attempt at it, or None.

        Args:
            queues: the queues that it serves; the best job of all of them is given.
            offer: its equipment, such as ``tape`` or ``tape 2.1``; with its free slots where that is not 1.
            time_left: ticks that it has left, None if there is no end; jobs expected to take longer are passed over.
            number: the number of the request, rising within the incarnation. The same number is the same request and
                gets the same answer; an older one gets None.
            found: what ``best`` has just given for the same worker, if it was asked.
            order: the place of this message among all that the incarnation has sent, rising; 0 on a link on which
                nothing can overtake it. Silence runs from the newest that has come.

        Raises:
            DefectError: for a worker that was never registered or a queue that there is not.
        """
        holder = self._workers.get(worker)
        if holder is None or holder.incarnation != incarnation:
            self._heard(now, self._holder(worker, incarnation), order)
            return None  # its program has ended: nobody would work on the job
        if order or holder.lost:
            self._heard(now, holder, order)
        else:
            holder.heard = now
        if number <= holder.take_number:
            return holder.take_answer if number == holder.take_number else None
        holder.take_number = number
        found = found or self.best(queues, offer, time_left)
        if found is None:
            holder.take_answer = None
            return None
        job = found[2]
        self._must_move(job, Request.TAKE)
        queue, terms = job.queue, job.terms
        if job.key:
            self._keys.occupy(job)
            queue.remove(job, self._keys)
        else:  # the same, without a call
            job.waiting = False
            queue.waiting -= 1
            row = job.line.row
            if row and row[0] is found:  # nearly always: then the next look finds a good one in its place
                row.popleft()
                job.inside = False
        queue.running += 1
        self._last_token = token = self._last_token + 1
        self._new_token_job(job.number)
        self._new_token_mark(0)
        job.attempts = number = job.attempts + 1
        until = now + terms.lease
        attempt = Attempt(job, number, token, holder, now, until)
        holder.take_answer = job.attempt = self._tokens[token] = attempt
        if holder.leases is not None:
            holder.leases[token] = attempt
        job.since = self._emit((now, "handed_out", cause, job.number, worker, number, token, until, incarnation))
        if terms.longest is not None:
            self._ring(now + terms.longest, "time_limit", job.number, token)
        self._lease(attempt)
        return attempt

    # -- renew --------------------------------------------------------------------------------------------------------

    def heartbeat(
        self,
        now: int,
        cause: int,
        worker: str,
        incarnation: int,
        number: int,
        tokens: Sequence[int],
        order: int = 0,
        is_recorded: bool = True,
        standing: Sequence[int] | None = None,
    ) -> HeartbeatReply | None:
        """Renew exactly the leases named, and say which are no longer good and what people asked of the others.

        A repeated number is the same heartbeat: it shows that the worker lives, and changes nothing else. In a queue
        with fixed leases nothing is renewed, and nothing refused for that. One that a newer message of the incarnation
        has overtaken is old: it changes nothing, and the answer is None.

        Args:
            order: as for ``take``.
            is_recorded: False to leave out the events if there is nothing to say.
            standing: those of the tokens whose work stands still as it was asked to, which acknowledges that; None from
                a worker that says so by a message of its own.
        """
        holder = self._holder(worker, incarnation)
        if order and order < holder.newest:
            return None
        self._heard(now, holder, order)
        if number <= holder.beat_number:
            return holder.beat_reply if number == holder.beat_number else _NOTHING
        holder.beat_number = number
        if not is_recorded and self._renew_all(now, holder, tokens, standing):
            holder.beat_reply = _NOTHING
            return _NOTHING
        event = self._emit((now, "heartbeat_received", cause, 0, worker, incarnation, number))
        refused: list[int] = []
        suspend: list[int] = []
        resume: list[int] = []
        for token in tokens:
            attempt = self._good(token, holder)
            if attempt is None or isinstance(self._move(attempt.job, Request.RENEWAL), str):
                refused.append(token)
                self._stale(now, event, token, worker, "renewal")
                continue
            job = attempt.job
            if job.terms.rules.renewed:
                attempt.until = now + job.terms.lease
                self._emit((now, "lease_renewed", event, job.number, worker, token, attempt.until))
            extra = job.rare
            if extra is not None:
                stands = job.state is State.SUSPENDED if standing is None else token in standing
                if stands is not extra.wanted:
                    (resume if stands else suspend).append(token)
                elif stands is not (job.state is State.SUSPENDED):
                    acknowledge = self.suspension_acknowledged if stands else self.resumption_acknowledged
                    acknowledge(now, event, token)
        if refused or suspend or resume:
            holder.beat_reply = HeartbeatReply(tuple(refused), tuple(suspend), tuple(resume))
        else:
            holder.beat_reply = _NOTHING
        return holder.beat_reply

    def _renew_all(self, now: int, holder: Holder, tokens: Sequence[int], standing: Sequence[int] | None) -> bool:
        """Renew all the leases named if there is nothing to say of any of them; else renew none, and say False."""
        attempts = [self._good(token, holder) for token in tokens]
        for attempt in attempts:
            if attempt is None:
                return False
            job = attempt.job
            if job.rare is not None:
                is_suspended = job.state is State.SUSPENDED
                stands = is_suspended if standing is None else attempt.token in standing
                if not job.rare.wanted is stands is is_suspended:
                    return False
        for attempt in attempts:
            if attempt is not None and attempt.job.terms.rules.renewed:
                attempt.until = now + attempt.job.terms.lease
        return True

    def _good(self, token: int, holder: Holder) -> Attempt | None:
        """Give the attempt of a token in the table, unless another incarnation of the same worker was granted it."""
        attempt = self._tokens.get(token)
        if attempt is None or attempt.holder is holder:
            return attempt
        return None if attempt.holder.name == holder.name else attempt

    def _stale(self, now: int, cause: int, token: int, worker: str, what: str) -> None:
        self._emit((now, "stale_refused", cause, self._job_of_token(token), worker, token, what))

    # -- hand in ------------------------------------------------------------------------------------------------------

    def hand_in(
        self,
        now: int,
        cause: int,
        worker: str,
        incarnation: int,
        number: int,
        token: int,
        outcome: Outcome,
        why: Because = NONE,
        retry_after: int | None = None,
        refused_at: int = 0,
        order: int = 0,
    ) -> bool:
        """Take the outcome of an attempt, and say whether it counts: False if the token is stale.

        A repeat of a hand-in that counted gets True again, a repeat of a refused number False; neither is recorded.

        Args:
            number: the number of the request within the incarnation.
            outcome: ok, error, permanent_error or time_limit.
            retry_after, refused_at: the hint that came with a refusal, in ticks, and the tick of that refusal.
            order: as for ``take``.

        Raises:
            DefectError: for another outcome, or a worker that was never registered.
        """
        holder = self._workers.get(worker)
        if holder is None or holder.incarnation != incarnation:
            holder = self._holder(worker, incarnation)
        if order or holder.lost:
            self._heard(now, holder, order)
        else:
            holder.heard = now
        attempt = self._tokens.get(token)
        if attempt is None or attempt.holder is not holder:
            attempt = self._good(token, holder)
            if attempt is None:
                return self._late(now, cause, holder, number, token)
        job = attempt.job
        if outcome == "ok":
            if isinstance(self._move(job, Request.OUTCOME, _WELL), str):
                return self._late(now, cause, holder, number, token)
            self._token_marks[token - self._token_base] = holder.serial
            self._finish(now, self._told_end(now, cause, attempt, "ok", why, now), job, "", NONE)
            return True
        if outcome not in _BAD_OUTCOMES:
            raise DefectError(f"worker {worker} handed in the outcome {outcome!r} for job {job.number}")
        if refuses(job.state, Request.OUTCOME):
            return self._late(now, cause, holder, number, token)
        self._token_marks[token - self._token_base] = holder.serial
        request = Request.OUTCOME
        self._end_attempt(now, cause, job, request, outcome, why, now, retry_after=retry_after, refused_at=refused_at)
        return True

    def _late(self, now: int, cause: int, holder: Holder, number: int, token: int) -> bool:
        """An outcome came that is not taken: a repeat, or one with a token that is stale."""
        if self._mark_of_token(token) == holder.serial:
            return True
        if holder.refused is None:
            holder.refused = set()
        if number not in holder.refused:
            holder.refused.add(number)
            self._stale(now, cause, token, holder.name, "outcome")
        return False

    def hand_back(self, now: int, cause: int, worker: str, incarnation: int, token: int, order: int = 0) -> bool:
        """Take a job back that was not started, and say whether the token was good; the attempt does not count."""
        holder = self._holder(worker, incarnation)
        self._heard(now, holder, order)
        attempt = self._good(token, holder)
        if attempt is None:
            if self._mark_of_token(token) == -holder.serial:
                return True
            self._stale(now, cause, token, worker, "hand_back")
            return False
        job = attempt.job
        facts = Facts(held=bool(job.held), counted=attempt.number > 1)
        if isinstance(self._move(job, Request.HAND_BACK, facts), str):
            self._stale(now, cause, token, worker, "hand_back")
            return False
        self._token_marks[token - self._token_base] = -holder.serial
        job.attempts -= 1
        row = (now, "handed_back", cause, job.number, worker, job.state.value, attempt.number, token)
        job.since = event = self._emit(row)
        self._end_lease(attempt)
        extra = job.rare
        if not job.attempts and extra is not None and 0 <= extra.start_by <= now:
            self._expire(now, event, job)
        elif not job.held:
            self._wait(job)
        return True

    def _expire(self, now: int, cause: int, job: Job) -> None:
        """A job was not started in time: neither waiting, nor held, nor taken and handed back meanwhile."""
        if isinstance(self._move(job, Request.START_LIMIT), State):
            self._terminate(now, cause, job, "expired", _NOT_STARTED, ("time_limit", NONE, now))

    # -- lose ---------------------------------------------------------------------------------------------------------

    def _lose(self, now: int, cause: int, job: Job, why: Because, nominal: int) -> None:
        self._end_attempt(now, cause or job.since, job, Request.LEASE_LOSS, "lease_lost", why, nominal)

    def _lease_due(self, now: int, cause: int, attempt: Attempt) -> None:
        """The alarm of a lease came: it is lost, unless it has been renewed meanwhile."""
        if attempt.until > now:
            self._lease(attempt)
        else:
            self._lose(now, cause, attempt.job, RAN_OUT, attempt.until)

    def silence_due(self, now: int, worker: str, incarnation: int) -> None:
        """The alarm of a worker's silence came: it is lost with all its leases, unless it was heard meanwhile."""
        if not self.is_up:
            self._missed.append((now, "silence", incarnation, 0, worker))
            return
        holder = self._holder(worker, incarnation)
        if holder.silence is None or holder.lost:
            return
        end = holder.heard + holder.silence
        if end > now:
            self._alarms.silence(end, worker, incarnation)
            return
        event = self._declare_lost(now, 0, holder)
        for attempt in self._leases_in_order(holder):
            if attempt.until <= now:
                self._lose(now, event, attempt.job, RAN_OUT, attempt.until)
            else:
                self._lose(now, event, attempt.job, SILENT, end)

    def _declare_lost(self, now: int, cause: int, holder: Holder) -> int:
        holder.lost = True
        return self._emit((now, "worker_declared_lost", cause, 0, holder.name, holder.incarnation, holder.heard))

    def _leases_in_order(self, holder: Holder) -> list[Attempt]:
        return sorted((holder.leases or {}).values(), key=lambda attempt: (attempt.job.number, attempt.token))

    def forget(self, now: int, cause: int, token: int) -> bool:
        """The broker forgets a lease (a fault) and hands the job out again, without asking the retry policy; say
        whether there was one. The attempt counts, as every hand-out does."""
        attempt = self._tokens.get(token)
        if attempt is None or refuses(attempt.job.state, Request.FORGETTING):
            return False
        job = attempt.job
        event = self._emit((now, "lease_forgotten", cause, job.number, attempt.holder.name, token))
        event = self._told_end(now, event, attempt, "lease_lost", _FORGOTTEN, now)
        rare(job).lost += 1
        allowance = self._allowances.get(job.queue.name)
        left = -1 if allowance is None else allowance.left(now)
        self._requeue(now, event, job, Request.FORGETTING, 0, now, left)
        return True

    # -- stand still --------------------------------------------------------------------------------------------------

    def _asked(self, number: int, request: Request) -> tuple[Job | None, State | str]:
        """Move a job as it is asked; give it (None if it is final) with its state, or the reason of the refusal."""
        job = self._job(number)
        if job is None:
            return None, target(self.state_of(number), request, Facts())
        extra, held = job.rare, job.held
        if request is Request.RELEASE:
            held &= ~BY_PERSON
        facts = Facts(
            held=bool(held),
            by_person=bool(job.held & BY_PERSON),
            wanted=extra is not None and extra.wanted,
            asked=extra is not None and extra.asked,
        )
        return job, self._move(job, request, facts)

    def suspension_acknowledged(self, now: int, cause: int, token: int) -> bool:
        """The worker says that it stands still; False if the token is stale or nobody asked for it."""
        return self._acknowledge(now, cause, token, Request.SUSPENSION)

    def resumption_acknowledged(self, now: int, cause: int, token: int) -> bool:
        """The worker says that it goes on; False if the token is stale or nobody asked for it."""
        return self._acknowledge(now, cause, token, Request.RESUMPTION)

    def _acknowledge(self, now: int, cause: int, token: int, request: Request) -> bool:
        attempt = self._tokens.get(token)
        if attempt is None:
            self._stale(now, cause, token, "", request.value)
            return False
        job = attempt.job
        _, state = self._asked(job.number, request)
        if isinstance(state, str):
            return False
        extra = rare(job)
        extra.asked = extra.wanted is not (state is State.SUSPENDED)
        if state is State.SUSPENDED:
            extra.suspended_at = now
            self._emit((now, "suspended", cause, job.number, attempt.holder.name, token))
            return True
        extra.suspended_for += now - extra.suspended_at
        self._emit((now, "resumed", cause, job.number, attempt.holder.name, token))
        if job.terms.longest is not None:
            self._ring(self._longest_end(attempt), "time_limit", job.number, token)
        return True

    def _longest_end(self, attempt: Attempt) -> int:
        """Give the tick at which the attempt reaches its cap if it is not suspended (again)."""
        job = attempt.job
        return attempt.granted + (job.terms.longest or 0) + (0 if job.rare is None else job.rare.suspended_for)

    # -- computed heartbeats ------------------------------------------------------------------------------------------

    def settle_lease(self, token: int, until: int) -> None:
        """Regular heartbeats that were computed, not simulated, have renewed a lease up to ``until``."""
        attempt = self._tokens.get(token)
        if attempt is None or until <= attempt.until:
            return
        if isinstance(self._move(attempt.job, Request.RENEWAL), State):
            attempt.until = until

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
        attempt = job.attempt
        assert attempt is not None, "no state without an attempt lets these requests through"
        by_time_limit = request is Request.TIME_LIMIT
        event = self._told_end(now, cause, attempt, outcome, why, nominal)
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
        self._must_move(job, request)
        self._finish(now, cause, job, found.sub_state, found.why)

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
        extra, attempt = rare(job), job.attempts
        uniform, submitted, before = self._uniform, job.submitted, extra.own_pause
        return judge(
            job.terms.rules.retry,
            attempt,
            extra.lost,
            outcome,
            now,
            submitted,
            before,
            lambda: uniform(job, attempt),
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
        u = self._uniform(job, attempt)
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
        self._must_move(job, request, Facts(again=True, held=bool(job.held)))
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
