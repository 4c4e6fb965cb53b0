"""What is a queue told? Plain data, in ticks; the world makes it from the scenario's models."""

from typing import Literal, Protocol

from emulator.records import field, record

__all__ = [
    "Allowance",
    "DataRetry",
    "Hint",
    "Outcome",
    "QueueRules",
    "RetryCase",
    "RetryPolicy",
    "TimeLimit",
    "Verdict",
]

Outcome = Literal["ok", "error", "permanent_error", "time_limit", "lease_lost"]
"""How an attempt ended."""


Hint = tuple[int, int]
"""(retry-after, tick of the refusal): what a system says as it refuses, in ticks."""


@record
class RetryCase:
    """What a retry policy may look at when an attempt has ended. It sees no sampled duration.

    Attributes:
        job: the job's number.
        attempt: the attempt that ended, counted from 1.
        lost: how many of the attempts ended in a lost lease, this one included.
        outcome: how it ended.
        now: tick of the decision.
        first_submitted: tick at which the job (not its ancestors) was submitted.
        last_pause: the policy's own pause before this attempt in ticks, whatever a hint added to it; 0 if there was
            none (decorrelated jitter needs it).
        u: a uniform number in [0, 1) that belongs to this job and attempt alone.
        retry_after: ticks from the refusal, or None when no hint came.
        refused_at: tick of the refusal that carried the hint.
    """

    job: int
    attempt: int
    lost: int
    outcome: Outcome
    now: int
    first_submitted: int
    last_pause: int
    u: float
    retry_after: int | None = None
    refused_at: int = 0


@record
class Verdict:
    """A retry policy's answer.

    Attributes:
        again: whether the job is tried again.
        pause: how long it waits before that, in ticks (microseconds), 0 or more.
        why: why not, in plain words; stands in the job's ending.
    """

    again: bool
    pause: int = 0
    why: str = ""


class RetryPolicy(Protocol):
    """Anything that decides on retries, by one method: an object of your own needs no base class.

    It is asked after each attempt that did not go well; the limits of the scenario (attempts in all, lost leases, the
    total time limit) still stand beside it. What it raises in an ``Emulator`` fails the job and is kept in
    ``emu.failures``.

    >>> from emulator import Emulator, RetryCase, TransientError, Verdict, run_in_virtual_time
    >>> class Growing:
    ...     def decide(self, case: RetryCase) -> Verdict:
    ...         return Verdict(case.attempt < 3, pause=10_000_000 * case.attempt, why="three are enough")
    >>> async def copy(work):
    ...     raise TransientError("tape busy")
    >>> async def test():
    ...     async with Emulator(handlers={"copy": copy}, retry={"night": Growing()}) as emu:
    ...         ending = await emu.submit("copy")
    ...         return ending.attempts, ending.why, emu.time
    >>> run_in_virtual_time(test)
    (3, 'three are enough', 30.0)
    """

    def decide(self, case: RetryCase) -> Verdict:
        """Say whether and when the job is tried again; the same case must always get the same answer."""
        ...


@record
class DataRetry:
    """The retry policy of a scenario file, as data in ticks (see ``emulator.scenario.models.pools.Retry``).

    ``decide`` is in ``emulator.broker.retry``.
    """

    attempts_in_all: int = 1
    lost_leases_at_most: int | None = None
    retried: tuple[str, ...] = ("error", "time_limit", "lease_lost")
    pause: Literal["none", "constant", "linear", "exponential"] = "none"
    first: int = 0
    grows_by: float = 2.0
    longest: int | None = None
    jitter: Literal["none", "full", "equal", "decorrelated"] = "none"
    total_limit: int | None = None
    respects_retry_after: bool = True


@record
class Allowance:
    """A token bucket of retries: ``holds`` when full, ``refills`` tokens evenly in each ``each`` ticks."""

    holds: int
    refills: int = 0
    each: int = 60_000_000
    when_empty: Literal["fail", "wait"] = "fail"


@record
class TimeLimit:
    """The cap on one attempt, counted from its hand-out, and what follows; ``at_most`` times."""

    after: int
    then: Literal["fail", "start_over", "resume"] = "fail"
    at_most: int | None = None


@record
class QueueRules:
    """All that the broker knows of one queue."""

    name: str
    lease: int = 90_000_000
    renewed: bool = True
    time_limit: TimeLimit | None = None
    retry: DataRetry = field(default_factory=DataRetry)
    policy: RetryPolicy | None = (
        None  # takes the place of `retry`'s decision (limits of the file still stand beside it)
    )
    allowance: Allowance | None = None
    capacity: int | None = None
    start_within: int | None = None
    running_at_most: int | None = None
    per_key_at_most: int = 1
    requeued_keep_place: bool = True
    matches_equipment: bool = True
    idempotency_keys_kept: int = 0
