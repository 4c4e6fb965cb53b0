"""How many nights would it take?

All answers are numbers of nights in all, not of those still to run, and suppose that the spread stays what was seen.
None means more than ``MOST``.

Which method: ``nights_by_normal`` is the textbook's first guess, ``nights_by_ratio`` scales what an interval has shown,
``nights_for_half_width`` (Student) and ``nights_to_show`` (the power of the paired t test, by the noncentral t) search
the smallest number that does it.
"""

import math
from collections.abc import Callable
from typing import Final

from emulator.measure.comparison.intervals import half_width, share_interval
from emulator.measure.comparison.tables import normal_quantile, student_power, student_quantile

__all__ = [
    "MOST",
    "nights_by_normal",
    "nights_by_ratio",
    "nights_for_half_width",
    "nights_for_share_width",
    "nights_to_show",
    "nights_without_more_misses",
]

MOST: Final = 1_000_000
"""Beyond so many nights no number is given."""


def nights_by_normal(spread: float, half: float, confidence: float) -> int:
    """Estimate the nights after which a mean is known to within ``half``, by the normal distribution.

    >>> nights_by_normal(7.3208, 1.0, 0.95)
    206
    """
    return math.ceil((normal_quantile(1 - (1 - confidence) / 2) * spread / half) ** 2)


def nights_by_ratio(n: int, half_now: float, half: float) -> int:
    """Estimate the nights after which a half-width that was ``half_now`` after ``n`` has shrunk to ``half``.

    >>> nights_by_ratio(5, 9.09, 1.0)
    414
    """
    return math.ceil(n * (half_now / half) ** 2)


def nights_for_share_width(share: float, half: float, confidence: float) -> int:
    """Estimate the nights after which a share near ``share`` is known to within ``half``, by the normal distribution.

    >>> nights_for_share_width(0.22, 0.1, 0.95)
    66
    """
    return nights_by_normal(math.sqrt(share * (1 - share)), half, confidence)


def nights_for_half_width(spread: float, half: float, confidence: float) -> int | None:
    """Give the fewest nights with which Student's interval reaches at most ``half`` to each side.

    >>> nights_for_half_width(7.3208, 1.0, 0.95)
    209
    """
    return _fewest(lambda n: half_width(spread, n, confidence) <= half)


def nights_to_show(size: float, spread: float, confidence: float, *, power: float = 0.8) -> int | None:
    """Give the fewest pairs of nights that show a mean difference of ``size`` with probability ``power``.

    Args:
        size: the true mean difference, above 0.
        spread: the standard deviation of the paired differences.
        confidence: of the two-sided paired t test.
        power: the probability with which it is to be shown.

    >>> nights_to_show(0.5, 1.0, 0.95)
    34
    """

    def shows(n: int) -> bool:
        critical = student_quantile(1 - (1 - confidence) / 2, n - 1)
        return student_power(critical, n - 1, size / spread * math.sqrt(n)) >= power

    return _fewest(shows) if spread else 2


def nights_without_more_misses(missed: int, share: float, confidence: float) -> int | None:
    """Give the fewest nights, all but ``missed`` of them met, whose exact interval lies above ``share``.

    >>> nights_without_more_misses(0, 0.95, 0.95), nights_without_more_misses(0, 1.0, 0.95)
    (72, None)
    """
    if share >= 1:
        return None
    return _fewest(lambda n: (share_interval(n - missed, n, confidence).low or 0.0) >= share, missed + 1)


def _fewest(enough: Callable[[int], bool], least: int = 2) -> int | None:
    """Find the smallest number from ``least`` on that is enough, given that every larger one is too."""
    if enough(least):
        return least
    low, high = least, 2 * least
    while not enough(high):
        if high >= MOST:
            return None
        low, high = high, min(MOST, 2 * high)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
