"""Is a job tried again, after which pause, and if not, which limit stopped it?

The law: retry is data. The limits are looked at in this order, and the first that is reached ends the job and is
named: is such an outcome retried, attempts in all, lost leases, the total limit (a retry that could not start within
it is refused at once). The allowance of the queue comes after them, because a token is taken only for a retry that
would otherwise be granted.

The pauses before the retry that follows attempt n, none above ``longest``:

* constant: first; linear: first * n; exponential: first * grows_by ** (n - 1), rounded to the nearest tick.

The jitters on a pause p, from M. Brooker, "Exponential Backoff And Jitter" (2015; from memory); u is uniform in [0, 1):

* full: uniform in [0, p]; equal: p/2 + uniform in [0, p/2];
* decorrelated: min(longest, uniform in [first, 3 * the pause before]), that pause being ``first`` at the start; the
  shape of the pause plays no part.

Each picks one of the whole ticks in its range, all equally likely. A hint from the other system (retry-after) is
counted from its refusal and is not cut by ``longest``: the pause lasts until both are over.
"""

from collections.abc import Callable
from typing import Final, NamedTuple

from emulator.broker.rules import DataRetry, RetryCase, Verdict
from emulator.record.reasons import NONE, Because

__all__ = [
    "ATTEMPTS_USED_UP",
    "OUT_OF_TIME",
    "PERMANENT_ERROR",
    "Judgement",
    "base_pause",
    "decide",
    "jittered",
    "judge",
]

ATTEMPTS_USED_UP: Final = "attempts_used_up"
PERMANENT_ERROR: Final = "permanent_error"
OUT_OF_TIME: Final = "out_of_time"

_FOR_EVER: Final = 10**18
"""Some 30,000 years in ticks: an exponential pause without a longest is not counted further."""


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


def _one_of(u: float, highest: int) -> int:
    """Pick one of the whole numbers 0..highest, each equally likely."""
    return min(int(u * (highest + 1)), highest)


def jittered(retry: DataRetry, pause: int, before: int, u: float) -> int:
    """Apply the jitter to ``pause`` in ticks; ``before`` is the policy's own pause before it, 0 if there was none.

    >>> jittered(DataRetry(pause="constant", first=100, jitter="equal"), 100, 0, 0.5)
    75
    """
    if retry.jitter == "none" or retry.pause == "none":
        return pause
    if retry.jitter == "full":
        return _one_of(u, pause)
    if retry.jitter == "equal":
        half = pause // 2
        return pause - half + _one_of(u, half)
    drawn = retry.first + _one_of(u, max(3 * (before or retry.first) - retry.first, 0))
    return drawn if retry.longest is None else min(drawn, retry.longest)


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


def judge(
    retry: DataRetry,
    attempt: int,
    lost: int,
    outcome: str,
    now: int,
    first_submitted: int,
    before: int,
    draw: Callable[[], float],
    retry_after: int | None = None,
    refused_at: int = 0,
    stated: bool = False,
) -> Judgement:
    """Decide from plain numbers; ``draw`` is called only if the jitter needs its uniform number.

    The other arguments are those of ``RetryCase`` (``before`` is its ``last_pause``) and of ``limit_reached``.
    """
    reached = limit_reached(retry, attempt, lost, outcome, stated)
    if reached is not None:
        return reached
    own = base_pause(retry, attempt)
    if retry.jitter != "none" and own:
        own = jittered(retry, own, before, draw())
    pause = own
    if retry_after is not None and retry.respects_retry_after:
        pause = max(pause, refused_at + retry_after - now)
    return too_late(retry, now + pause, first_submitted) or Judgement("", NONE, pause, own)


def decide(retry: DataRetry, case: RetryCase) -> Verdict:
    """Say whether and when a job is tried again, allowance aside.

    >>> retry = DataRetry(attempts_in_all=2, pause="constant", first=5)
    >>> case = RetryCase(job=1, attempt=1, lost=0, outcome="error", now=7, first_submitted=0, last_pause=0, u=0.5)
    >>> decide(retry, case)
    Verdict(again=True, pause=5, why='')
    """
    found = judge(
        retry,
        case.attempt,
        case.lost,
        case.outcome,
        case.now,
        case.first_submitted,
        case.last_pause,
        lambda: case.u,
        case.retry_after,
        case.refused_at,
    )
    return Verdict(not found.sub_state, found.pause, found.why.code)
