"""A token bucket in exact whole numbers, which tells how many tokens it holds at a tick.

The law: one token is ``each`` units, and each tick adds ``refills`` units, so that no token is ever split or rounded;
the bucket never holds more than ``holds`` tokens. A token whose last unit comes at tick t can be taken at t. The
broker's allowances of retries and the rate limits of emulated systems use this same bucket.
"""

from emulator.errors import DefectError
from emulator.timeline.ticks import say

__all__ = ["TokenBucket"]


class TokenBucket:
    """A token bucket in exact integer arithmetic, full at the tick ``start``.

    Args:
        holds: tokens when full, at least 0.
        refills: tokens that come evenly in each ``each`` ticks; 0: none ever come.
        each: ticks, at least 1.
        start: the tick at which it is full.

    Raises:
        DefectError: for numbers out of range.

    >>> bucket = TokenBucket(holds=2, refills=1, each=10)
    >>> bucket.take(0), bucket.take(0), bucket.take(0), bucket.when(0), bucket.take(10)
    (True, True, False, 10, True)
    """

    __slots__ = ("_at", "_each", "_full", "_level", "_refills")

    def __init__(self, holds: int, refills: int = 0, each: int = 60_000_000, start: int = 0) -> None:
        if holds < 0 or refills < 0 or each < 1:
            raise DefectError(f"a bucket cannot hold {holds} tokens and gain {refills} in each {each} ticks")
        self._each = each
        self._refills = refills
        self._full = self._level = holds * each
        self._at = start

    def _refill(self, now: int) -> None:
        if now < self._at:
            raise DefectError(
                f"a token bucket was asked about {say(now)} after it had been asked about {say(self._at)}"
            )
        self._level = min(self._full, self._level + (now - self._at) * self._refills)
        self._at = now

    def whole(self, now: int) -> int:
        """Give the number of whole tokens in the bucket at ``now``.

        Raises:
            DefectError: when ``now`` lies before a tick asked about earlier.
        """
        self._refill(now)
        return self._level // self._each

    def take(self, now: int, tokens: int = 1) -> bool:
        """Take ``tokens`` at ``now`` if they are there, and say whether; without them nothing is taken.

        Raises:
            DefectError: when ``now`` lies before a tick asked about earlier.
        """
        self._refill(now)
        wanted = tokens * self._each
        if wanted > self._level:
            return False
        self._level -= wanted
        return True

    def when(self, now: int, tokens: int = 1) -> int | None:
        """Give the first tick from ``now`` on at which ``tokens`` can be taken, or None if that never comes.

        Raises:
            DefectError: when ``now`` lies before a tick asked about earlier.
        """
        self._refill(now)
        missing = tokens * self._each - self._level
        if missing <= 0:
            return now
        if not self._refills or tokens * self._each > self._full:
            return None
        return now - (-missing // self._refills)
