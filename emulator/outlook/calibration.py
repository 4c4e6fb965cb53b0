"""How many quiet nights are needed for a promise about the next one, and which of their scores is the limit?

The method is split conformal prediction: Vovk, Gammerman and Shafer, "Algorithmic Learning in a Random World" (2005);
the distribution of its coverage is that of tolerance limits by order statistics: Wilks, Annals of Mathematical
Statistics 12 (1941). Both are cited from memory. Of each quiet night one score is taken, the highest excess of any
signal at any time. Scores of n nights that were not used for anything else, and of the next quiet night, come in any
order with the same probability. So the next one exceeds the k-th smallest of n with a probability of at most
1 - k / (n + 1), whatever their law is; scores that are equal make it less.

On average (over all calibrations) the promise of at most a share a holds if 1 - k / (n + 1) <= a, so with
k = ceil((n + 1) (1 - a)). Such a rank exists (k <= n) from n = 1 / a - 1 on: 99 nights for 1 %.

One calibration may have luck or not. Given the k-th smallest score, the share of quiet nights that exceed it follows a
beta distribution with n + 1 - k and k. It is more than a with the probability that at least k of n nights lie below the
quantile 1 - a, which is binomial. With 95 % confidence the promise holds if that is at most 5 %. With k = n it is
(1 - a)^n, so the fewest nights are ln(0.05) / ln(1 - a), rounded up: 299 for 1 % (298.07).
"""

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from emulator.measure.comparison.intervals import rank_coverage

__all__ = ["CONFIDENCE", "Limit", "fewest", "fewest_sure", "limit_of"]

CONFIDENCE: Final = Fraction(95, 100)
"""With which the promise holds of this one calibration, where there are nights enough."""


@dataclass(frozen=True, slots=True)
class Limit:
    """Which score is the limit.

    Attributes:
        nights: how many quiet nights gave a score.
        rank: the limit is the score of this rank, counted from 1, the smallest first.
        sure: whether the promise holds with 95 % confidence; else only on average over calibrations.
    """

    nights: int
    rank: int
    sure: bool


def fewest(share: Fraction) -> int:
    """Give the fewest nights with which a share of false alarms can be promised on average.

    >>> fewest(Fraction(1, 100)), fewest(Fraction(1, 20))
    (99, 19)
    """
    return math.ceil(1 / share) - 1


def fewest_sure(share: Fraction) -> int:
    """Give the fewest nights with which a share of false alarms can be promised with 95 % confidence.

    >>> fewest_sure(Fraction(1, 100)), fewest_sure(Fraction(1, 20))
    (299, 59)
    """
    return math.ceil(math.log(1 - CONFIDENCE) / math.log(1 - share))


def limit_of(nights: int, share: Fraction) -> Limit:
    """Give the rank of the limit; ``nights`` is at least ``fewest(share)``.

    >>> limit_of(99, Fraction(1, 100)), limit_of(299, Fraction(1, 100))
    (Limit(nights=99, rank=99, sure=False), Limit(nights=299, rank=299, sure=True))
    """
    if nights < fewest_sure(share):
        return Limit(nights, math.ceil((nights + 1) * (1 - share)), False)
    rank = nights
    while rank_coverage(nights, 1 - share, rank - 1, nights + 1) <= 1 - CONFIDENCE:
        rank -= 1
    return Limit(nights, rank, True)
