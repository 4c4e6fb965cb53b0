"""Laws that are put together: by evenly spaced quantiles, and mixtures of other laws.

A draw by quantiles looks at two of them, however many there are. A mixture chooses one of its laws by its first
uniform, and draws from that by those after it: the same draw meets the same law under every variant.
"""

from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import accumulate, pairwise
from math import fsum

from emulator.world.distribution import Distribution, Draw, OneUniform, check_ticks, checked_share

__all__ = ["Mixture", "Quantiles"]

_STEPS = 40
"""So often the share of a law below a time is halved when a mixture's quantile is looked for: to some 1e-12."""


@dataclass(frozen=True, slots=True)
class Quantiles(OneUniform):
    """Times between evenly spaced quantiles, the shortest and the longest included; uniform between neighbours.

    >>> Quantiles((0, 10, 30)).at(0.5), Quantiles((0, 10, 30)).at(0.75), Quantiles((0, 10, 30)).expectation()
    (10, 20, 12.5)
    """

    values: tuple[int, ...]

    def __post_init__(self) -> None:
        if len(self.values) < 2:
            raise ValueError(
                f"{len(self.values)} quantiles are given: at least the shortest and the longest are wanted"
            )
        for value in self.values:
            check_ticks("a list of quantiles", "time", value, 0)
        if any(later < sooner for sooner, later in pairwise(self.values)):
            raise ValueError("the quantiles fall: give them from the shortest to the longest")

    def at(self, u: float) -> int:
        place = u * (len(self.values) - 1)
        below = min(int(place), len(self.values) - 2)
        low, high = self.values[below], self.values[below + 1]
        return min(low + round((place - below) * (high - low)), high)

    def expectation(self) -> float:
        return (sum(self.values) - (self.values[0] + self.values[-1]) / 2) / (len(self.values) - 1)

    def cv2(self) -> float:
        mean = self.expectation()
        square = sum(a * a + a * b + b * b for a, b in pairwise(self.values)) / (3 * (len(self.values) - 1))
        return max(square / (mean * mean) - 1, 0.0) if mean else 0.0


@dataclass(frozen=True, slots=True)
class Mixture:
    """Several laws, each of which gives its share of the times.

    >>> from emulator.world.bounded import Constant
    >>> mixture = Mixture(((0.75, Constant(4)), (0.25, Constant(8))))
    >>> [mixture.sample(lambda place: u) for u in (0.0, 0.7, 0.8)], mixture.expectation(), mixture.quantile(0.75)
    ([4, 4, 8], 5.0, 4)
    """

    parts: tuple[tuple[float, Distribution], ...]
    _reached: tuple[float, ...] = field(init=False, repr=False, compare=False)
    uniforms: int = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if any(not 0 < share <= 1 for share, _ in self.parts) or abs(fsum(share for share, _ in self.parts) - 1) > 1e-9:
            raise ValueError("the shares of a mixture are above 0, and add up to 1")
        object.__setattr__(self, "_reached", tuple(accumulate(share for share, _ in self.parts))[:-1])
        object.__setattr__(self, "uniforms", 1 + max(law.uniforms for _, law in self.parts))

    def sample(self, draw: Draw, ordinal: int = 0) -> int:
        _, law = self.parts[bisect_right(self._reached, draw(0))]
        return law.sample(lambda place: draw(place + 1), ordinal)

    def quantile(self, p: float) -> int:
        p = checked_share(p)
        each = [law.quantile(p) for _, law in self.parts]
        low, high = min(each), max(each)
        while low < high:  # the least time that at least the share p does not exceed
            middle = (low + high) // 2
            if fsum(share * _share_up_to(law, middle) for share, law in self.parts) >= p - 1e-9:
                high = middle
            else:
                low = middle + 1
        return low

    def p95(self) -> int:
        return self.quantile(0.95)

    def least(self) -> int:
        return min(law.least() for _, law in self.parts)

    def expectation(self) -> float:
        return fsum(share * law.expectation() for share, law in self.parts)

    def cv2(self) -> float:
        mean = self.expectation()
        square = fsum(share * (1 + law.cv2()) * law.expectation() ** 2 for share, law in self.parts)
        return max(square / (mean * mean) - 1, 0.0) if mean else 0.0


def _share_up_to(law: Distribution, ticks: int) -> float:
    """Give the share of the times of a law that do not exceed some ticks."""
    if law.least() > ticks:
        return 0.0
    low, high = 0.0, 1.0
    for _ in range(_STEPS):
        middle = (low + high) / 2
        if law.quantile(middle) <= ticks:
            low = middle
        else:
            high = middle
    return high
