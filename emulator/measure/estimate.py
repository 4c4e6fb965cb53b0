"""Estimates figures from samples of which some values were cut off at the horizon.

The quantile of a sample is the smallest value that at least the share p of it does not exceed: the first of the nine
definitions of Hyndman and Fan (American Statistician 50, 1996), which always is a value that was seen. With
values that were cut off it becomes the product-limit estimate (Kaplan and Meier, JASA 53, 1958): the first time at
which the estimated share of those still going is at most 1 - p. A value that ends at the tick at which another is cut
off counts as ended first. Where the curve never comes down so far, all that is known is "more than" the longest time
seen.

Everything is exact: whole numbers and fractions decide; floats only save work where they cannot mislead.
"""

import math
from array import array
from bisect import bisect_right
from collections.abc import Sequence
from fractions import Fraction
from typing import Final, Literal

from emulator.errors import InputError
from emulator.records import record
from emulator.timeline.ticks import SECOND

__all__ = ["Figure", "Sample", "Unit", "deviation", "mean", "product_limit"]

Unit = Literal["time", "share", "count", "ratio"]
"""What a figure is counted in: a time in ticks, a share from 0 to 1, a number of things, or a quotient."""

_NEAR: Final = 1e-9  # far above the rounding of the products below, far below any step of the curve that matters


@record
class Figure:
    """One figure of a night; ``night.figure(name)`` reads one.

    Attributes:
        value: ticks for a time, whole or as a mean (``seconds`` gives it in seconds); None when there is nothing to
            take it from.
        unit: time, share (0 to 1), count, or ratio.
        more_than: the true value is known only to be more than, or at least, this one.
        estimator: how it was found, in words.
        n: how many things it was taken from.
        unfinished: how many of them were cut off.
    """

    value: int | float | None
    unit: Unit
    more_than: bool = False
    estimator: str = "counted"
    n: int = 0
    unfinished: int = 0

    @property
    def seconds(self) -> float | None:
        """The value of a time in seconds, as ``emu.time`` counts them; None when there is nothing to take it from.

        Raises:
            InputError: for a figure that is no time.

        >>> Figure(90_000_000, "time").seconds
        90.0
        """
        if self.unit != "time":
            raise InputError(f"a figure whose unit is {self.unit} has no seconds: read its `value`")
        return None if self.value is None else self.value / SECOND


class Sample:
    """Times that ended, and times that were cut off, in ticks.

    >>> sample = Sample([4, 1, 3, 2], [])
    >>> sample.quantile(Fraction(1, 2)), sample.mean()
    ((2, False), 2.5)
    >>> Sample([1, 2], [5, 5]).quantile(Fraction(9, 10))
    (5, True)
    """

    __slots__ = ("cut_off", "ended")

    def __init__(self, ended: Sequence[int], cut_off: Sequence[int]) -> None:
        self.ended = array("q", sorted(ended))
        self.cut_off = array("q", sorted(cut_off))

    def __len__(self) -> int:
        return len(self.ended) + len(self.cut_off)

    def mean(self) -> float | None:
        """Give the mean, with what was cut off counted up to there; None for no sample at all."""
        return (int(sum(self.ended)) + int(sum(self.cut_off))) / len(self) if len(self) else None

    def longest(self) -> int | None:
        """Give the longest time seen, ended or cut off; None for no sample at all."""
        return max((*self.ended[-1:], *self.cut_off[-1:]), default=None)

    def quantile(self, share: Fraction) -> tuple[int, bool] | None:
        """Give the quantile for 0 < share <= 1 and whether it is "more than" that; None for no sample at all."""
        left = 1 - share
        at_risk = len(self)
        going = 1.0  # the share still going, nearly
        stretches: list[tuple[int, int]] = []  # exactly: the product of these (left over, at risk)
        first = 0
        for limit in (*self.cut_off, None):
            last = len(self.ended) if limit is None else bisect_right(self.ended, limit, first)
            if last > first:
                over = at_risk - (last - first)
                after = going * over / at_risk
                if after <= float(left) + _NEAR:
                    needed = _needed(stretches, at_risk, left)
                    if needed <= last - first:
                        return self.ended[first + needed - 1], False
                stretches.append((over, at_risk))
                going, at_risk, first = after, over, last
            at_risk -= 1
        longest = self.longest()
        return None if longest is None else (longest, True)


def _needed(stretches: list[tuple[int, int]], at_risk: int, left: Fraction) -> int:
    """Say how many of ``at_risk`` must end, after ``stretches``, until at most ``left`` of all are still going."""
    over, of = math.prod(a for a, _ in stretches), math.prod(b for _, b in stretches)
    return at_risk - left.numerator * of * at_risk // (left.denominator * over)


def product_limit(sample: Sample) -> list[tuple[int, Fraction]]:
    """Give the product-limit curve exactly: each time at which something ended, and the share still going after it.

    >>> product_limit(Sample([1, 3], [2]))
    [(1, Fraction(2, 3)), (3, Fraction(0, 1))]
    """
    curve: list[tuple[int, Fraction]] = []
    going = Fraction(1)
    for time in sorted(set(sample.ended)):
        gone = sum(1 for other in sample.ended if other < time) + sum(1 for other in sample.cut_off if other < time)
        at_risk = len(sample) - gone
        going *= Fraction(at_risk - sample.ended.count(time), at_risk)
        curve.append((time, going))
    return curve


def mean(values: Sequence[float]) -> float:
    """Give the arithmetic mean, rounded once: whole numbers are added exactly, floats by ``math.fsum``."""
    if all(isinstance(value, int) for value in values):
        return int(sum(map(int, values))) / len(values)
    return math.fsum(values) / len(values)


def deviation(values: Sequence[float]) -> float:
    """Give the sample standard deviation (divisor n - 1) in two passes; two values at least.

    >>> deviation([1.0, 2.0, 3.0])
    1.0
    """
    middle = mean(values)
    return math.sqrt(math.fsum((value - middle) ** 2 for value in values) / (len(values) - 1))
