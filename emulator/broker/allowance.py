"""May the queue afford one more retry? It has an allowance: a token bucket, and a row of jobs that wait for a token.

A token is taken when a retry is granted and never comes back. Those who wait are served in the order in which they
came, before anybody who asks later.
"""

from collections import deque

from emulator.broker.rules import Allowance
from emulator.timeline.bucket import TokenBucket

__all__ = ["RetryAllowance"]


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
