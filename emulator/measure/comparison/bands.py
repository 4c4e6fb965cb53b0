"""Between which values does a number lie over many nights, at each moment of them?"""

import math
from collections.abc import Sequence
from typing import NamedTuple

__all__ = ["Band", "band"]


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
