"""What a queue is told, as plain data in ticks, and the arithmetic of its retries: jitter, the allowance.

The jitters on a pause p, from M. Brooker, "Exponential Backoff And Jitter" (2015; from memory); u is uniform in [0, 1):

* full: uniform in [0, p]; equal: p/2 + uniform in [0, p/2];
* decorrelated: min(longest, uniform in [first, 3 * the pause before]), that pause being ``first`` at the start; the
  shape of the pause plays no part.

Each picks one of the whole ticks in its range, all equally likely.

A token of the allowance is taken when a retry is granted and never comes back. Those who wait are served in the order
in which they came, before anybody who asks later.

Here stands too whether a worker has what a job requires. Equipment may carry a version, and a requirement the lowest
version that will do. ``tape`` and ``tape 2.1`` are equipment, ``tape`` and ``tape>=2.1`` are requirements. Versions are
whole numbers parted by dots and compared number by number, a missing one counting as 0: 2.10 is above 2.9, and 2 is
2.0.
"""

import re
from collections import deque
from collections.abc import Iterable
from typing import Final, Literal, Protocol

from emulator.records import field, record
from emulator.timeline.bucket import TokenBucket

__all__ = [
    "Allowance",
    "DataRetry",
    "Hint",
    "Offer",
    "Outcome",
    "QueueRules",
    "RetryAllowance",
    "RetryCase",
    "RetryPolicy",
    "TimeLimit",
    "Verdict",
    "equipment_of",
    "jittered",
    "meets",
    "read_equipment",
    "read_requirement",
    "slots_of",
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


class RetryAllowance:
    """The allowance of one queue.

    Attributes:
        bucket: its tokens.
        may_wait: a job that finds none waits for one; else it fails.
        row: the numbers of the jobs that wait, first come first; those that need no token any more are still in it.
        rings_at: the tick for which the broker has asked to be woken, -1 if for none.

    >>> allowance = RetryAllowance(Allowance(holds=1, refills=1, each=60)); allowance.take(0), allowance.take(0)
    (True, False)
    """

    __slots__ = ("bucket", "may_wait", "rings_at", "row")

    def __init__(self, rules: Allowance) -> None:
        self.bucket = TokenBucket(rules.holds, rules.refills, rules.each)
        self.may_wait = rules.when_empty == "wait"
        self.row: deque[int] = deque()
        self.rings_at = -1

    def take(self, now: int) -> bool:
        """Take a token for somebody new, unless others wait for one."""
        return not self.row and self.bucket.take(now)

    def left(self, now: int) -> int:
        """Give the whole tokens that are left."""
        return self.bucket.whole(now)

    def earliest(self, now: int) -> int | None:
        """Give the first tick at which a token will be there, None if that never comes."""
        return self.bucket.when(now)


Offer = frozenset[str] | tuple[frozenset[str], int]
"""What a worker offers a job: its equipment, with the number of its free slots where that is not 1."""

Version = tuple[int, ...]

_VERSION: Final = re.compile(r"\d+(?:\.\d+)*", re.ASCII)


def _version(text: str) -> Version:
    """Turn ``2.1.0`` into (2, 1): zeros at the end say nothing."""
    numbers = [int(number) for number in text.split(".")]
    while numbers and not numbers[-1]:
        numbers.pop()
    return tuple(numbers)


def read_equipment(item: str) -> tuple[str, Version | None]:
    """Split a piece of equipment into its name and version, None if it carries none.

    >>> read_equipment("tape 2.1"), read_equipment("wide bay")
    (('tape', (2, 1)), ('wide bay', None))
    """
    name, blank, rest = item.rpartition(" ")
    if blank and name.strip() and _VERSION.fullmatch(rest):
        return name.strip(), _version(rest)
    return item, None


def read_requirement(requirement: str) -> tuple[str, Version | None]:
    """Split a requirement into the name and the lowest version that will do, None if any will.

    >>> read_requirement("tape>=2.1"), read_requirement("tape")
    (('tape', (2, 1)), ('tape', None))
    """
    name, sign, rest = requirement.partition(">=")
    if sign and name.strip() and _VERSION.fullmatch(rest.strip()):
        return name.strip(), _version(rest.strip())
    return requirement, None


def equipment_of(offer: Offer) -> frozenset[str]:
    """Give the equipment of an offer."""
    return offer[0] if isinstance(offer, tuple) else offer


def slots_of(offer: Offer) -> int:
    """Give the number of free slots of an offer.

    >>> slots_of(frozenset()), slots_of((frozenset(), 3))
    (1, 3)
    """
    return offer[1] if isinstance(offer, tuple) else 1


def meets(requires: Iterable[str], equipment: Iterable[str]) -> bool:
    """Say whether the equipment has every requirement. Equipment without a version meets none that names one.

    >>> meets(["tape>=2.9"], ["tape 2.10"]), meets(["tape>=2"], ["tape"])
    (True, False)
    """
    has: dict[str, list[Version | None]] = {}
    for item in equipment:
        name, version = read_equipment(item)
        has.setdefault(name, []).append(version)
        if version is not None:
            has.setdefault(item, []).append(None)  # a requirement may also name the item as it stands
    for requirement in requires:
        name, lowest = read_requirement(requirement)
        versions = has.get(name)
        if versions is None:
            return False
        if lowest is not None and not any(version is not None and version >= lowest for version in versions):
            return False
    return True
