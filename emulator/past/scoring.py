"""Scores predictions of nights once the nights are known.

A prediction is a sample: the same figure of many emulated nights. Two questions are asked of it.

- Does the interval keep its promise? Of ``n`` nights, the number whose figure lies in the interval is binomial; the
  range of hits that does not contradict the promise is the middle 95 % of that law.
- Is it sharper than what everybody has anyway? The score is the continuous ranked probability score (Gneiting and
  Raftery, 2007, section 4.2): the mean distance to what happened less half the mean distance within the sample, in the
  fair form for finite samples. It has the figure's own unit, and lower is better. It is divided by that of two
  baselines: past nights of the same kind of day, and the same day a week before.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from emulator.past.laws import stats

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Promise", "crps", "interval_of", "part_inside", "promise_kept"]

_LEVEL: Final = 0.05


def crps(sample: "Sequence[float] | NDArray[np.float64]", happened: float) -> float:
    """Score a sample against what happened; 0 is perfect. A sample of one is scored by its distance.

    >>> crps([3.0], 5.0)
    2.0
    >>> crps([4.0, 6.0], 5.0)
    0.0
    """
    import numpy as np

    values = np.sort(np.asarray(sample, dtype=float))
    count = len(values)
    distance = float(np.mean(np.abs(values - happened)))
    if count < 2:
        return distance
    weights = 2 * np.arange(1, count + 1) - count - 1
    return distance - float(np.sum(weights * values)) / (count * (count - 1))


def interval_of(sample: "Sequence[float] | NDArray[np.float64]", share: float) -> tuple[float, float]:
    """Give the interval in which a further value lies with at least that probability: the order statistics whose ranks
    are ``(1 - share) / 2 (n + 1)`` from either end, rounded outwards.

    >>> interval_of(range(1, 10), 0.8)
    (1.0, 9.0)
    """
    import numpy as np

    values = np.sort(np.asarray(sample, dtype=float))
    out = int(np.floor((1 - share) / 2 * (len(values) + 1) + 1e-9))
    low = max(out, 1)
    return float(values[low - 1]), float(values[len(values) - low])


def part_inside(sample: "Sequence[float] | NDArray[np.float64]", value: float, share: float) -> float:
    """Tell which part of a value lies within the middle share of a sample: 1 inside, 0 outside.

    A value has a rank among the sample; equal values share their ranks, so that of these a part may lie inside.

    >>> part_inside(range(1, 10), 5, 0.8), part_inside(range(1, 10), 99, 0.8), part_inside([0] * 9, 0, 0.8)
    (1.0, 0.0, 0.8)
    """
    import numpy as np

    values = np.asarray(sample, dtype=float)
    below, equal = int((values < value).sum()), int((values == value).sum())
    low, high = below / (len(values) + 1), (below + equal + 1) / (len(values) + 1)
    out = (1 - share) / 2
    inside = max(0.0, min(high, 1 - out) - max(low, out))
    return round(inside / (high - low), 9)


@dataclass(frozen=True, slots=True)
class Promise:
    """Whether intervals kept their promise: hits in so many nights, and which numbers of hits do not contradict it."""

    share: float
    hits: int
    nights: int
    low: int
    high: int

    @property
    def contradicted(self) -> bool:
        """Whether so many hits are hardly possible if the promise is true."""
        return not self.low <= self.hits <= self.high


def promise_kept(share: float, hits: int, nights: int, *, together: int = 1) -> Promise:
    """Tell which numbers of hits do not contradict the promise of an interval, at 95 %.

    Args:
        share: of nights that the interval promises to hold.
        hits: how many it held, of ``nights``.
        nights: see there.
        together: of how many intervals the ranges are to hold at once (Bonferroni).

    >>> promise_kept(0.8, 33, 42)
    Promise(share=0.8, hits=33, nights=42, low=28, high=38)
    """
    return Promise(
        share,
        hits,
        nights,
        int(stats().binom.ppf(_LEVEL / 2 / together, nights, share)),
        int(stats().binom.isf(_LEVEL / 2 / together, nights, share)),
    )
