"""How close together do calls come? The most that begin within any stretch of a length."""

from collections.abc import Sequence

__all__ = ["densest"]


def densest(times: Sequence[int], within: int) -> tuple[int, int]:
    """Give the most of these ticks that lie in any stretch [t, t + within), and the place of the first of them.

    Args:
        times: in ascending order.
        within: the length of the stretch, above 0.

    >>> densest([0, 5, 9, 10, 14], 10), densest([], 10)
    ((4, 1), (0, 0))
    """
    most, place, last = 0, 0, 0
    for first, begin in enumerate(times):
        while last < len(times) and times[last] < begin + within:
            last += 1
        if last - first > most:
            most, place = last - first, first
    return most, place
