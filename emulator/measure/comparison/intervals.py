"""Computes intervals of means, shares and quantiles over many nights, and how many nights narrower ones need.

The law: what scipy has is taken from it; it is loaded here alone, and only when asked. Numerical code of our own for
the quantiles of known distributions is not wanted.

Three intervals, none of which needs more than independent nights (the first: means that are nearly normal):

- Student's t of a mean.
- Clopper and Pearson's of a share (Biometrika 26, 1934): exact, each end for itself.
- By order statistics of a quantile (David and Nagaraja, Order Statistics, section 7.1): the ranks are **symmetric in
  probability**: each end for itself fails at most half of what may fail, so that an end can be read alone. The interval
  with the fewest ranks would be narrower, but its ends could not. Where no rank is far enough out, the end is open.

Numbers of nights: all are of nights in all, not of those still to run, and suppose that the spread stays what was seen.
None means more than ``MOST``.

Which method: ``nights_by_normal`` is the textbook's first guess, ``nights_by_ratio`` scales what an interval has shown,
``nights_for_half_width`` (Student) and ``nights_to_show`` (the power of the paired t test, by the noncentral t) search
the smallest number that does it.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from importlib.util import find_spec
from math import isnan
from typing import Any, Final, NamedTuple

from emulator.errors import InputError
from emulator.measure.estimate import deviation, mean

__all__ = [
    "MOST",
    "Band",
    "Interval",
    "band",
    "beta_quantile",
    "binomial_cdf",
    "check_confidence",
    "check_scipy",
    "half_width",
    "kept_within",
    "load_scipy",
    "nights_by_normal",
    "nights_by_ratio",
    "nights_for_half_width",
    "nights_for_share_width",
    "nights_to_show",
    "nights_without_more_misses",
    "normal_quantile",
    "rank_coverage",
    "ranks",
    "same",
    "scipy_version",
    "share_interval",
    "student_cdf",
    "student_interval",
    "student_power",
    "student_quantile",
]


@dataclass(frozen=True, slots=True)
class Interval:
    """An interval with its confidence.

    Attributes:
        low: its lower end; None: open.
        high: its upper end; None: open.
        confidence: 0.95 for 95 %.
    """

    low: float | None
    high: float | None
    confidence: float


_MISSING: Final = (
    "intervals need scipy, which is not installed: python -m pip install '.[stats]' in the folder of queuedrill"
)


def _scipy() -> Any:
    try:
        import scipy  # type: ignore[import-untyped]  # it ships no types
        import scipy.special  # type: ignore[import-untyped]
    except ImportError:
        raise InputError(_MISSING) from None
    return scipy


def check_scipy() -> None:
    """Make sure that scipy is there, without loading it: who needs intervals at the end asks before any night is run.

    Raises:
        InputError: when it is not installed.
    """
    if find_spec("scipy") is None:
        raise InputError(_MISSING)


def load_scipy() -> None:
    """Load scipy, which takes as long as a hundred short nights: while other processes run them, it costs nothing.

    Raises:
        InputError: when it cannot be loaded.
    """
    _scipy()


def scipy_version() -> str:
    """Give the version of scipy, which results record.

    Raises:
        InputError: when scipy is not installed; so does every other function here.
    """
    return str(_scipy().__version__)


def student_quantile(share: float, degrees: float) -> float:
    """Give the value that Student's t with so many degrees of freedom does not exceed with probability ``share``.

    >>> round(student_quantile(0.975, 9), 4)
    2.2622
    """
    return float(_scipy().special.stdtrit(degrees, share))


def student_cdf(value: float, degrees: float) -> float:
    """Give the probability that Student's t with so many degrees of freedom is at most ``value``."""
    return float(_scipy().special.stdtr(degrees, value))


def student_power(critical: float, degrees: float, shift: float) -> float:
    """Give the probability that a noncentral t is above ``critical`` or below ``-critical``; ``shift`` is not negative.

    >>> student_power(2.2622, 9, 0.0) < 0.051
    True
    """
    special = _scipy().special

    def below(value: float) -> float:
        found = float(special.nctdtr(degrees, shift, value))
        return 0.0 if isnan(found) else found  # scipy gives no number where it is far below 1e-15

    return 1 - below(critical) + below(-critical)


def normal_quantile(share: float) -> float:
    """Give the value that a standard normal variable does not exceed with probability ``share``."""
    return float(_scipy().special.ndtri(share))


def beta_quantile(share: float, a: float, b: float) -> float:
    """Give the value that a beta variable does not exceed with probability ``share``."""
    return float(_scipy().special.betaincinv(a, b, share))


def binomial_cdf(successes: int, trials: int, share: float) -> float:
    """Give the probability of at most so many successes (0 for fewer than none) in independent trials.

    >>> binomial_cdf(-1, 2, 0.5), binomial_cdf(1, 2, 0.5), binomial_cdf(2, 2, 0.5)
    (0.0, 0.75, 1.0)
    """
    return 0.0 if successes < 0 else float(_scipy().special.bdtr(successes, trials, share))


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


class Band(NamedTuple):
    """A number of jobs at one moment, over many nights: nearest ranks, as for the spread of a figure.

    Attributes:
        low, high: nine nights in ten lie between them, both included. median: half of the nights have at most so many.
    """

    low: int
    median: int
    high: int


def band(nights: Sequence[Sequence[int]]) -> tuple[Band, ...]:
    """Give the band of 90 % at each moment, from what each night had at every moment.

    >>> band([[0, night] for night in range(20)])
    (Band(low=0, median=0, high=0), Band(low=1, median=9, high=18))
    """
    count = len(nights)
    high = math.ceil(0.95 * count)
    found = (sorted(values) for values in zip(*nights, strict=True))
    return tuple(Band(values[count - high], values[math.ceil(count / 2) - 1], values[high - 1]) for values in found)
