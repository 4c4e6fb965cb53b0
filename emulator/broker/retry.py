"""Ends attempts and jobs: decides whether a job is retried and after which pause, and names the limit that stops it.

The broker is one object in three files. This one has its memory, what every end of an attempt and of a job does, and
what becomes of a job whose attempt did not go well; ``leases`` how a job is submitted, taken and handed in; ``broker``
what is rarer. ``_move`` alone writes a job's state, as the table of states says. When a job is final, its idempotency
key starts to run out, those who waited for it are judged, and only a few bytes of it stay.

The law: retry is data. The limits are looked at in this order, and the first that is reached ends the job and is
named: is such an outcome retried, attempts in all, lost leases, the total limit (a retry that could not start within
it is refused at once). The allowance of the queue comes after them, because a token is taken only for a retry that
would otherwise be granted.

The pauses before the retry that follows attempt n, none above ``longest``:

* constant: first; linear: first * n; exponential: first * grows_by ** (n - 1), rounded to the nearest tick.

A hint from the other system (retry-after) is counted from its refusal and is not cut by ``longest``: the pause lasts
until both are over. How a pause is spread, ``rules`` says.
"""

from array import array
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Final, Literal, NamedTuple, cast

from emulator.broker.jobs import PAUSING, PREREQUISITE, REASONS, Attempt, Entry, Job, Queue, rare
from emulator.broker.rules import (
    DataRetry,
    Hint,
    Outcome,
    QueueRules,
    RetryAllowance,
    RetryCase,
    RetryPolicy,
    Verdict,
    jittered,
)
from emulator.broker.states import CODES, Facts, Finished, Request, State, in_plain_words, target, ways
from emulator.broker.waiters import Keys, Prerequisites, Waiters
from emulator.broker.workers import Alarms, Workers
from emulator.errors import DefectError, InputError
from emulator.record.events import Row, Sink, emitter
from emulator.record.reasons import NONE, Because, said

__all__ = [
    "ATTEMPTS_USED_UP",
    "OUT_OF_TIME",
    "PERMANENT_ERROR",
    "Judgement",
    "Retries",
    "base_pause",
    "decide",
    "judge",
]

_GONE: Final = cast("Entry", ())
_NO_FACTS: Final = Facts()
ATTEMPTS_USED_UP: Final = "attempts_used_up"
PERMANENT_ERROR: Final = "permanent_error"
OUT_OF_TIME: Final = "out_of_time"

_FOR_EVER: Final = 10**18
"""Some 30,000 years in ticks: an exponential pause without a longest is not counted further."""


Ending = tuple[Outcome, Because, int]
"""(outcome, why, nominal tick) of an attempt."""


class Judgement(NamedTuple):
    """What came of an attempt's end.

    Attributes:
        sub_state: the sub-state of failed, "" if the job is tried again.
        why: the limit that was reached, NONE if the job is tried again.
        pause: ticks until it may start again, hint included.
        own: the policy's own pause, which the next decorrelated one grows from.
    """

    sub_state: str
    why: Because
    pause: int = 0
    own: int = 0


def base_pause(retry: DataRetry, attempt: int) -> int:
    """Give the pause after ``attempt`` in ticks, before jitter.

    >>> retry = DataRetry(pause="exponential", first=1_000_000, longest=60_000_000)
    >>> [base_pause(retry, n) // 1_000_000 for n in (1, 2, 3, 7, 8)]
    [1, 2, 4, 60, 60]
    """
    if retry.pause == "none":
        return 0
    ceiling = _FOR_EVER if retry.longest is None else retry.longest
    if retry.pause == "constant":
        pause = retry.first
    elif retry.pause == "linear":
        pause = retry.first * attempt
    else:
        grown = retry.first * _power(retry.grows_by, attempt - 1) if retry.first else 0.0
        pause = round(grown) if grown < ceiling else ceiling
    return min(pause, ceiling)


def _power(base: float, exponent: int) -> float:
    """Multiply by squaring: the same on every machine, which the C library's pow is not; inf when it is too large."""
    result = 1.0
    while exponent:
        if exponent & 1:
            result *= base
        base *= base
        exponent >>= 1
    return result


def limit_reached(retry: DataRetry, attempt: int, lost: int, outcome: str, stated: bool) -> Judgement | None:
    """Name the limit that forbids a retry before its pause is known, or give None.

    ``stated``: a rule other than ``retried`` says already that such an outcome is retried.
    """
    if not stated and outcome not in retry.retried:
        sub_state = PERMANENT_ERROR if outcome == "permanent_error" else ATTEMPTS_USED_UP
        return Judgement(sub_state, Because("not_retried", {"outcome": outcome}))
    if attempt >= retry.attempts_in_all:
        return Judgement(ATTEMPTS_USED_UP, Because("attempts_in_all", {"most": retry.attempts_in_all}))
    if retry.lost_leases_at_most is not None and lost > retry.lost_leases_at_most:
        return Judgement(ATTEMPTS_USED_UP, Because("lost_leases", {"lost": lost, "most": retry.lost_leases_at_most}))
    return None


def too_late(retry: DataRetry, start: int, first_submitted: int) -> Judgement | None:
    """Refuse a retry that could not start within the total limit, or give None."""
    limit = retry.total_limit
    if limit is None or start < first_submitted + limit:
        return None
    return Judgement(OUT_OF_TIME, Because("no_retry_in_time", {"limit": limit}))


def judge(retry: DataRetry, case: RetryCase, stated: bool = False) -> Judgement:
    """Decide from plain numbers; ``case.u`` counts only if the jitter needs it, ``stated`` as in ``limit_reached``."""
    reached = limit_reached(retry, case.attempt, case.lost, case.outcome, stated)
    if reached is not None:
        return reached
    own = base_pause(retry, case.attempt)
    if retry.jitter != "none" and own:
        own = jittered(retry, own, case.last_pause, case.u)
    pause = own
    if case.retry_after is not None and retry.respects_retry_after:
        pause = max(pause, case.refused_at + case.retry_after - case.now)
    return too_late(retry, case.now + pause, case.first_submitted) or Judgement("", NONE, pause, own)


def decide(retry: DataRetry, case: RetryCase) -> Verdict:
    """Say whether and when a job is tried again, allowance aside.

    >>> retry = DataRetry(attempts_in_all=2, pause="constant", first=5)
    >>> case = RetryCase(job=1, attempt=1, lost=0, outcome="error", now=7, first_submitted=0, last_pause=0, u=0.5)
    >>> decide(retry, case)
    Verdict(again=True, pause=5, why='')
    """
    found = judge(retry, case)
    return Verdict(not found.sub_state, found.pause, found.why.code)


class Retries:
    """The broker's memory, and what becomes of a job whose attempt ends.

    The arguments are those of ``emulator.broker.broker.Broker``.

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
        "_ending_well",
        "_families",
        "_finished",
        "_first_job",
        "_idempotency",
        "_jobs",
        "_key_ends",
        "_keys",
        "_last_job",
        "_last_place",
        "_last_token",
        "_lease",
        "_leases_during_outage",
        "_missed",
        "_new_token_job",
        "_new_token_mark",
        "_queues",
        "_refused",
        "_remembered",
        "_ring",
        "_taking",
        "_token_base",
        "_token_jobs",
        "_token_marks",
        "_tokens",
        "_uniform",
        "_waiters",
        "_ways",
        "_workers",
        "_workers_known",
        "fresh",
        "hear",
        "holder",
        "is_lost",
        "is_up",
        "is_valid",
        "register",
        "settle_heard",
        "sign_off",
        "silence_end",
    )

    def __init__(
        self,
        queues: Sequence[QueueRules],
        sink: Sink,
        alarms: Alarms,
        uniform: Callable[[Job, int], float],
        *,
        leases_during_outage: Literal["expire", "extend"] = "expire",
        remembered: Mapping[str, bool] = MappingProxyType({}),
        first: tuple[int, int] = (1, 1),
    ) -> None:
        first_job, first_token = first
        self._emit = emitter(sink)
        self._alarms = alarms
        self._ring = alarms.ring
        self._lease = alarms.lease
        self._uniform = uniform
        self._leases_during_outage = leases_during_outage
        self._queues = {rules.name: Queue(rules) for rules in queues}
        self._allowances = {
            rules.name: RetryAllowance(rules.allowance) for rules in queues if rules.allowance is not None
        }
        self._ways, self._refused = ways()
        self._taking, self._ending_well = self._way(Request.TAKE), self._way(Request.OUTCOME, Facts(well=True))
        self._keys = Keys()
        self._jobs: dict[int, Job] = {}
        self._first_job = first_job
        self._last_job = first_job - 1
        self._last_place = 0
        self._finished = Finished(first_job)
        self._families: dict[int, int] = {}
        self._remembered = remembered
        grouped = frozenset(name for name, is_grouped in remembered.items() if is_grouped)
        known_waits = Prerequisites(self.family, self.final_state, grouped)
        self._waiters = waiters = Waiters(self._jobs, self._finished, known_waits, remembered)
        waiters.let_go, waiters.fail = self._prerequisites_met, self._prerequisite_failed
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
        self._workers_known = known = Workers(sink.emit, alarms)
        self._workers = known.now
        self.register, self.sign_off = known.register, known.sign_off
        self.holder, self.hear = known.holder, known.hear
        self.silence_end, self.is_lost, self.settle_heard = known.silence_end, known.is_lost, known.settle_heard
        self._down_since = 0
        self._missed: list[tuple[int, str, int, int, str]] = []
        self.fresh: list[str] = []
        self.is_up = True

    def _job(self, number: int) -> Job | None:
        """Give an unfinished job, or None for a finished one.

        Raises:
            DefectError: for a job that was never submitted.
        """
        job = self._jobs.get(number)
        if job is None and not self._first_job <= number <= self._last_job:
            raise DefectError(f"the broker was asked about job {number}, which was never submitted")
        return job

    def final_state(self, job: int) -> State | None:
        """Give the final state of a job, None while it is unfinished."""
        return None if self._job(job) is not None else self.state_of(job)

    def state_of(self, job: int) -> State:
        """Give the state of a job, finished or not."""
        found = self._job(job)
        if found is not None:
            return found.state
        ended = self._finished.how(job)
        assert ended is not None  # a known job that is not among the unfinished
        return ended[0]

    def family(self, job: int) -> int:
        """Give the number of the job from which this one descends by being resubmitted: its own if it never was."""
        return self._families.get(job, job)

    # -- where a job stands -------------------------------------------------------------------------------------------

    def _wait(self, job: Job) -> None:
        """Let a job wait for a worker."""
        job.queue.add(job, self._keys)
        self.fresh.append(job.queue.name)

    def _way(self, request: Request, facts: Facts = _NO_FACTS) -> Mapping[State, State | str]:
        """Give where a request leads from each state, as the table says."""
        way = self._ways.get((request, facts))
        if way is None:
            way = self._ways[request, facts] = {state: target(state, request, facts) for state in State}
        return way

    def _move(self, job: Job, way: Mapping[State, State | str]) -> str:
        """Let a job go where a request leads it, and give ""; a refusal, told by its code, changes nothing."""
        state = way[job.state]
        if state.__class__ is State:
            job.state = state
            return ""
        return state  # type: ignore[return-value]  # mypy does not see that it is one of the codes

    def _must_move(self, job: Job, request: Request, facts: Facts = _NO_FACTS) -> None:
        """Make a move that the table has to grant: there is nobody to be told otherwise."""
        why = self._move(job, self._way(request, facts))
        if why:
            raise self._refusal(job, request, why)

    def _refusal(self, job: Job, request: Request, why: str) -> DefectError:
        words = in_plain_words(why)
        return DefectError(f"job {job.number} is {job.state.value}, and {request.value} is refused: {words}")

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
        job, worker, number = attempt.job.number, attempt.holder.name, attempt.number
        row: Row = (now, "attempt_ended", cause, job, worker, number, attempt.token, outcome, why.code, nominal)
        event = self._emit((*row, why.values) if why.values else row)
        self._end_lease(attempt)
        return event

    def _finish(self, now: int, cause: int, job: Job, sub_state: str, why: Because) -> None:
        """Put a job aside that no worker has, and that has moved to its end: done if ``sub_state`` is empty."""
        state = "failed" if sub_state else "done"
        row: Row = (now, "finished", cause, job.number, "", state, sub_state, why.code, job.attempts)
        self._put_aside(now, self._emit((*row, why.values) if why.values else row), job, sub_state)

    def _put_aside(self, now: int, event: int, job: Job, sub_state: str) -> None:
        """Let go of a job whose end has been told."""
        number = job.number
        del self._jobs[number]
        place, ended = number - self._first_job, self._finished
        ended.codes[place] = CODES[sub_state]
        ended.tries[place] = job.attempts
        job.queue.unfinished -= 1
        job.entry = _GONE  # an entry names its job: nothing of either would go before the next search for cycles
        extra = job.rare
        if extra is not None and extra.idempotency_key:
            self._let_key_run_out(now, job.queue.rules.idempotency_keys_kept, number, extra.idempotency_key)
        if self._remembered:
            self._waiters.ended(now, event, number)

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
        end: Ending,
    ) -> None:
        """End a job that has failed, with the attempt that runs if one does."""
        if job.attempt is not None:
            cause = self._told_end(now, cause, job.attempt, *end)
        elif job.waiting:
            job.queue.remove(job, self._keys)
        self._finish(now, cause, job, sub_state, why)

    def _prerequisites_met(self, now: int, cause: int, job: Job) -> None:
        """All has ended that a job waited for."""
        self._end_reason(now, cause, job, PREREQUISITE)

    def _prerequisite_failed(self, now: int, cause: int, job: Job, why: Because) -> None:
        """A job fails because one that it waited for has."""
        self._must_move(job, Request.PREREQUISITE_FAILURE, Facts(waits=True))
        self._finish(now, cause, job, "prerequisite_failed", why)

    # -- retries ------------------------------------------------------------------------------------------------------

    def _end_attempt(
        self, now: int, cause: int, job: Job, request: Request, end: Ending, hint: Hint | None = None
    ) -> None:
        """End an attempt that did not go well, and decide what becomes of the job.

        ``request``: an outcome that the worker hands in, the loss of the lease, or the time limit.
        """
        if (job.state, request) in self._refused:
            raise DefectError(f"an attempt of job {job.number}, which is {job.state.value}, had a {request.value}")
        attempt = job.attempt
        assert attempt is not None, "no state without an attempt lets these requests through"
        outcome, by_time_limit = end[0], request is Request.TIME_LIMIT
        event = self._told_end(now, cause, attempt, *end)
        extra = rare(job)
        if outcome == "lease_lost":
            extra.lost += 1
        found = None
        if by_time_limit:
            extra.cut += 1
            found = self._cap_reached(job, extra.cut)
        if found is None:
            found = self._judge(now, job, outcome, hint, by_time_limit)
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

    def _judge(self, now: int, job: Job, outcome: Outcome, hint: Hint | None, stated: bool) -> Judgement:
        """Ask the retry policy of the file, or the user's own; ``stated`` as in ``limit_reached``."""
        rules, extra, attempt = job.terms.rules, rare(job), job.attempts
        retry, policy = rules.retry, rules.policy
        if policy is not None and (reached := limit_reached(retry, attempt, extra.lost, outcome, True)) is not None:
            return reached
        is_spread = retry.jitter != "none" and base_pause(retry, attempt) > 0
        u = self._uniform(job, attempt) if is_spread or policy is not None else 0.0
        after, refused_at = (None, 0) if hint is None else hint
        counts, times = (job.number, attempt, extra.lost), (now, job.submitted, extra.own_pause)
        case = RetryCase(*counts, outcome, *times, u, after, refused_at)
        return judge(retry, case, stated) if policy is None else self._ask(policy, job, case)

    def _ask(self, policy: RetryPolicy, job: Job, case: RetryCase) -> Judgement:
        """Put the question to the user's own policy; the limits of the file stand beside it."""
        retry, attempt, outcome, now = job.terms.rules.retry, case.attempt, case.outcome, case.now
        verdict = policy.decide(case)
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
