"""What must every distribution of times do, and what do they share?

The law: a distribution is an immutable value, built once; it asks for a fixed number of uniforms (``uniforms``), turns
them by the inverse of its distribution function, and gives whole ticks, never negative, never above ``LONGEST``. More
uniform means more time, so that settings compared on the same draws stay comparable. Parameters are times in whole
ticks and plain numbers; what follows from them (a scale from a mean) is worked out in ``decimal``, the same everywhere.
Wrong parameters raise ValueError when the distribution is built.
"""

from collections.abc import Callable
from fractions import Fraction
from typing import ClassVar, Final, Protocol

from emulator.records import record
from emulator.world.numerics import LONGEST

__all__ = ["Distribution", "Draw", "OneUniform", "check_number", "check_ticks", "checked_share", "squared_ratio"]

Draw = Callable[[int], float]
"""Gives the i-th uniform (0 <= u < 1, i from 0) of the key that a sample belongs to."""

_LEAST_SHARE: Final = 2.0**-53


class Distribution(Protocol):
    """What every distribution of times can do.

    Attributes:
        uniforms: how many uniforms one sample asks for, at the places 0, 1, ...
    """

    @property
    def uniforms(self) -> int: ...

    def sample(self, draw: Draw, ordinal: int = 0) -> int:
        """Give a time in ticks; only a trace looks at the ordinal."""
        ...

    def quantile(self, p: float) -> int:
        """Give the time in ticks that a share p, 0 <= p < 1, does not exceed.

        Raises:
            ValueError: for any other share, or one above 0 yet below 2**-53, which no uniform can be.
        """
        ...

    def p95(self) -> int:
        """Give the time that 95 % do not exceed, in ticks."""
        ...

    def least(self) -> int:
        """Give the shortest possible time, in ticks."""
        ...

    def expectation(self) -> float:
        """Give the mean in ticks, before the rounding to ticks and the cut at ``LONGEST``."""
        ...

    def cv2(self) -> float:
        """Give the squared coefficient of variation: variance over squared mean; 0 where the mean is 0."""
        ...


@record
class OneUniform:
    """What the distributions with one uniform share: a sample is a quantile."""

    uniforms: ClassVar[int] = 1

    def at(self, u: float) -> int:
        """Give the time at a uniform, in ticks."""
        raise NotImplementedError

    def made(self) -> Callable[[float], int]:
        """Give ``at`` for many draws."""
        return self.at

    def sample(self, draw: Draw, ordinal: int = 0) -> int:
        return self.at(draw(0))

    def quantile(self, p: float) -> int:
        return self.at(checked_share(p))

    def p95(self) -> int:
        return self.at(0.95)

    def least(self) -> int:
        return self.at(0.0)


def checked_share(p: float) -> float:
    if p == 0 or _LEAST_SHARE <= p < 1:
        return p
    raise ValueError(f"there is no quantile of the share {p}: give 0, or from 2**-53 to below 1")


def squared_ratio(variance: Fraction, mean: Fraction) -> float:
    return float(variance / (mean * mean)) if mean else 0.0


def check_ticks(who: str, what: str, ticks: int, at_least: int) -> None:
    if not (isinstance(ticks, int) and at_least <= ticks <= LONGEST):
        raise ValueError(f"{who} has the {what} {ticks}: give whole ticks from {at_least} to {LONGEST}")


def check_number(who: str, what: str, number: float, low: float, high: float) -> None:
    if not low <= number <= high:
        raise ValueError(f"{who} has the {what} {number}: give a number from {low} to {high}")
