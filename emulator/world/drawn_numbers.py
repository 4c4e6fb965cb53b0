"""Which number does a uniform stand for, where a scenario lets one be drawn?"""

from bisect import bisect_right
from collections.abc import Sequence
from itertools import accumulate
from typing import TypeVar

from emulator.scenario.models.distribution import DrawnNumber
from emulator.world.numerics import whole

__all__ = ["drawn_number", "drawn_whole", "one_of"]

_Number = TypeVar("_Number", int, float)


def drawn_number(law: DrawnNumber, uniform: float) -> float:
    """Give the number that a uniform (from 0 to below 1) stands for.

    >>> drawn_number(DrawnNumber(between=(2.0, 4.0)), 0.25), drawn_number(DrawnNumber(one_of=(2.0, 5.0)), 0.5)
    (2.5, 5.0)
    """
    if law.between is not None:
        low, high = law.between
        return min(low + uniform * (high - low), high)
    return one_of(law.one_of or (), law.weights, uniform)


def drawn_whole(law: DrawnNumber, uniform: float) -> int:
    """Give the whole number that a uniform stands for.

    >>> [drawn_whole(DrawnNumber(between=(1.0, 3.0)), uniform) for uniform in (0.3, 0.5, 0.9)]
    [1, 2, 3]
    """
    if law.between is not None:
        return whole(uniform, int(law.between[0]), int(law.between[1]))
    return int(one_of(law.one_of or (), law.weights, uniform))


def one_of(values: Sequence[_Number], weights: Sequence[float] | None, uniform: float) -> _Number:
    """Give the one of several values that a uniform stands for.

    >>> [one_of((7, 9), (3.0, 1.0), uniform) for uniform in (0.74, 0.75)]
    [7, 9]
    """
    reached = tuple(accumulate(weights or (1.0,) * len(values)))
    return values[min(bisect_right(reached, uniform * reached[-1]), len(values) - 1)]
