"""How sure is a mean, a share, or a quantile over nights?

Three intervals, none of which needs more than independent nights (the first: means that are nearly normal):

- Student's t of a mean.
- Clopper and Pearson's of a share (Biometrika 26, 1934): exact, each end for itself.
- By order statistics of a quantile (David and Nagaraja, Order Statistics, section 7.1): the ranks are **symmetric in
  probability**: each end for itself fails at most half of what may fail, so that an end can be read alone. The interval
  with the fewest ranks would be narrower, but its ends could not. Where no rank is far enough out, the end is open.
"""

import math
from collections.abc import Sequence
from fractions import Fraction
from functools import lru_cache

from emulator.errors import InputError
from emulator.measure.comparison.result import Interval
from emulator.measure.comparison.tables import beta_quantile, binomial_cdf, student_quantile
from emulator.measure.estimate import deviation, mean

__all__ = [
    "check_confidence",
    "half_width",
    "kept_within",
    "rank_coverage",
    "ranks",
    "same",
    "share_interval",
    "student_interval",
]


def check_confidence(confidence: float) -> None:
    """Make sure that a confidence lies between 0 and 1.

    Raises:
        InputError: when it does not.
    """
    if not 0 < confidence < 1:
        raise InputError(f"a confidence of {confidence:g} is out of range: give a share such as 0.95")


def half_width(spread: float, n: int, confidence: float) -> float:
    """Give half the width of Student's interval of a mean of ``n`` values (2 or more) with this deviation.

    >>> round(half_width(0.55, 10, 0.95), 4)
    0.3934
    """
    return _student(confidence, n - 1) * spread / math.sqrt(n)


def student_interval(values: Sequence[float], confidence: float) -> Interval | None:
    """Give Student's t interval of the mean; None with fewer than two values.

    Values that are all the same give an interval without width.

    >>> student_interval([2, 2], 0.95)
    Interval(low=2.0, high=2.0, confidence=0.95)
    """
    if len(values) < 2:
        return None
    middle = mean(values)
    half = 0.0 if same(values) else half_width(deviation(values), len(values), confidence)
    return Interval(middle - half, middle + half, confidence)


def kept_within(interval: Interval, least: float, most: float) -> Interval:
    """Cut an interval of a mean at what no mean can be below or above; that costs no coverage.

    >>> kept_within(Interval(-0.1, 1.6, 0.95), 0, math.inf)
    Interval(low=0, high=1.6, confidence=0.95)
    """
    low = None if interval.low is None else min(max(interval.low, least), most)
    high = None if interval.high is None else max(min(interval.high, most), least)
    return Interval(low, high, interval.confidence)


def same(values: Sequence[float]) -> bool:
    """Say whether all values are the same."""
    return all(value == values[0] for value in values)


@lru_cache(maxsize=256)
def _student(confidence: float, degrees: int) -> float:
    return student_quantile(1 - (1 - confidence) / 2, degrees)


def share_interval(held: int, of: int, confidence: float) -> Interval:
    """Give Clopper and Pearson's exact interval of a share, of which ``held`` in ``of`` (1 or more) were seen.

    >>> found = share_interval(4, 20, 0.9)
    >>> round(found.low, 4), round(found.high, 4)
    (0.0714, 0.401)
    """
    fails = (1 - confidence) / 2
    low = 0.0 if held == 0 else beta_quantile(fails, held, of - held + 1)
    high = 1.0 if held == of else beta_quantile(1 - fails, held + 1, of - held)
    return Interval(low, high, confidence)


@lru_cache(maxsize=256)
def ranks(n: int, share: Fraction, confidence: float) -> tuple[int | None, int | None]:
    """Give the ranks (from 1) of the two of ``n`` sorted values that bound a quantile, symmetric in probability.

    None stands for an end that so few values cannot bound.

    >>> ranks(20, Fraction(1, 2), 0.95), ranks(20, Fraction(9, 10), 0.95)
    ((6, 15), (15, None))
    """
    fails = (1 - confidence) / 2
    p = float(share)
    low = 0
    while binomial_cdf(low, n, p) <= fails:
        low += 1
    high = n + 1
    while 1 - binomial_cdf(high - 2, n, p) <= fails:
        high -= 1
    return low or None, high if high <= n else None


def rank_coverage(n: int, share: Fraction, low: int, high: int) -> float:
    """Give the probability that a quantile lies between two of ``n`` sorted values: low <= B < high for binomial B.

    >>> round(rank_coverage(20, Fraction(1, 2), 6, 15), 3)
    0.959
    """
    return binomial_cdf(high - 1, n, float(share)) - binomial_cdf(low - 1, n, float(share))
