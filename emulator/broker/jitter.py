"""How is a pause spread, so that those who failed together do not come back together?

The jitters on a pause p, from M. Brooker, "Exponential Backoff And Jitter" (2015; from memory); u is uniform in [0, 1):

* full: uniform in [0, p]; equal: p/2 + uniform in [0, p/2];
* decorrelated: min(longest, uniform in [first, 3 * the pause before]), that pause being ``first`` at the start; the
  shape of the pause plays no part.

Each picks one of the whole ticks in its range, all equally likely.
"""

from emulator.broker.rules import DataRetry

__all__ = ["jittered"]


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
