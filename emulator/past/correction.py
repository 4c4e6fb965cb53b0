"""Corrects intervals by past misses, and simulates how many hits corrected intervals have by chance.

Intervals of a draft may be too narrow or too wide for the nights that come. Whoever predicts night by night sees that,
and corrects it: after a night that lay outside its interval the next one is wider, after a night inside it is a little
narrower. That is adaptive conformal inference (Gibbs and Candes, 2021). With a miss share ``a`` that is asked for, the
interval of night ``t`` leaves out the share ``a_t`` of the sample, and after that night

    a_(t+1) = a_t + step * (a - miss),    a_1 = a,    miss = 1 outside and 0 inside.

Whatever the nights do, the share of misses in ``n`` nights then comes near to ``a``, by about ``1 / (step * n)``. Only
nights that are past are used. A value that is equal to others of the sample may be outside in part.

Hits of corrected intervals lie closer together than binomial ones: each miss makes the next one less likely. Which
numbers are expected is simulated, with predictions that are exact.
"""

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from emulator.past.scoring import Promise, interval_of, part_inside

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["STEP", "Correction", "promise_corrected"]

STEP: Final = 0.25
"""The step, in shares of misses that are asked for: 0.05 for an interval of 80 %. A larger one learns sooner and lets
intervals sway more; with this one, four misses in a row take an interval of 80 % to one of 96 %."""

_MOST: Final = 0.9
_LEAST: Final = -2.0
_STRETCH: Final = 5.0
_SIMULATED: Final = 20_000
_LEVEL: Final = 0.05


class Correction:
    """Corrects the intervals of one figure, night by night.

    Args:
        share: of nights that the interval promises to hold.

    Attributes:
        level: which share of the next sample its interval leaves out. Below 0, the interval is the whole range of the
            sample, ``exp(-5 * level)`` times as wide: an interval of 80 % grows by a fifth with each miss.
    """

    def __init__(self, share: float) -> None:
        self._out = 1 - share
        self.level = self._out

    def interval(self, sample: "Sequence[float] | NDArray[np.float64]") -> tuple[float, float]:
        """Give the interval of the next night.

        >>> Correction(0.8).interval(range(1, 10))
        (1.0, 9.0)
        """
        if self.level > 0:
            return interval_of(sample, 1 - self.level)
        low, high = float(min(sample)), float(max(sample))
        more = math.expm1(-_STRETCH * self.level) / 2 * (high - low)
        return low - more, high + more

    def inside(self, sample: "Sequence[float] | NDArray[np.float64]", value: float) -> float:
        """Tell which part of a value lies inside of that interval."""
        if self.level > 0:
            return part_inside(sample, value, 1 - self.level)
        low, high = self.interval(sample)
        return float(low <= value <= high)

    def learn(self, inside: float) -> None:
        """Take in whether a night lay inside; the next interval is wider or narrower by that."""
        moved = self.level + STEP * self._out * (self._out - (1 - inside))
        self.level = min(_MOST, max(_LEAST, moved))


@lru_cache
def _chances(share: float, nights: int) -> "NDArray[np.int64]":
    """Simulate how many hits exact predictions have if they are corrected, in order; a value's rank is uniform."""
    import numpy as np

    rng = np.random.default_rng(0)  # any other gives the same within its noise
    out = 1 - share
    level, hits = np.full(_SIMULATED, out), np.zeros(_SIMULATED, int)
    for _ in range(nights):
        miss = np.abs(2 * rng.random(_SIMULATED) - 1) > 1 - level
        hits += ~miss
        level = np.clip(level + STEP * out * (out - miss), _LEAST, _MOST)
    return np.sort(hits)


def promise_corrected(share: float, hits: int, nights: int) -> Promise:
    """Tell which numbers of hits of corrected intervals do not contradict the promise, at 95 %.

    >>> promise_corrected(0.8, 33, 42)
    Promise(share=0.8, hits=33, nights=42, low=31, high=36)
    """
    chances = _chances(share, nights)
    tail = int(_LEVEL / 2 * _SIMULATED)
    return Promise(share, hits, nights, int(chances[tail]), int(chances[-1 - tail]))
