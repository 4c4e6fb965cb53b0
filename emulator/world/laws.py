"""The laws that a time can have: their quantiles, means and samples.

Those with bounds are exact: whole numbers and fractions from the uniform to the tick, no rounding in between. For those
without, ``numerics`` turns uniforms into ticks; here stand their parameters, and what can be said without sampling.
"""

from bisect import bisect_right
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from functools import partial
from itertools import accumulate, pairwise
from math import isfinite, isqrt, lcm
from typing import ClassVar, Final, Self

from emulator.records import field, record
from emulator.world import numerics
from emulator.world.draws import (
    Distribution,
    Draw,
    OneUniform,
    check_number,
    check_ticks,
    checked_share,
    squared_ratio,
)
from emulator.world.numerics import LONGEST, exactly, gamma_function, whole

__all__ = [
    "Constant",
    "Empirical",
    "Erlang",
    "Exponential",
    "Gamma",
    "Lognormal",
    "Mixture",
    "Quantiles",
    "Trace",
    "Triangular",
    "Uniform",
    "Weibull",
]


@record
class Constant:
    """Always the same time.

    >>> Constant(5).sample(lambda place: 0.9)
    5
    """

    ticks: int
    uniforms: ClassVar[int] = 0

    def __post_init__(self) -> None:
        check_ticks("a constant", "time", self.ticks, at_least=0)

    def sample(self, draw: Draw, ordinal: int = 0) -> int:
        return self.ticks

    def quantile(self, p: float) -> int:
        checked_share(p)
        return self.ticks

    def p95(self) -> int:
        return self.ticks

    def least(self) -> int:
        return self.ticks

    def expectation(self) -> float:
        return float(self.ticks)

    def cv2(self) -> float:
        return 0.0


@record
class Uniform(OneUniform):
    """Every whole tick from low to high, both included, with the same chance.

    >>> Uniform(10, 19).sample(lambda place: 0.55)
    15
    """

    low: int
    high: int

    def __post_init__(self) -> None:
        check_ticks("a uniform", "low", self.low, at_least=0)
        check_ticks("a uniform", "high", self.high, at_least=self.low)

    def at(self, u: float) -> int:
        return whole(u, self.low, self.high)

    def expectation(self) -> float:
        return (self.low + self.high) / 2

    def cv2(self) -> float:
        return squared_ratio(Fraction((self.high - self.low + 1) ** 2 - 1, 12), Fraction(self.low + self.high, 2))


@record
class Triangular(OneUniform):
    """From a shortest to a longest time, likeliest at one time in between; by roots of whole numbers.

    >>> Triangular(0, 10, 40).quantile(0.25)
    10
    """

    shortest: int
    likeliest: int
    longest: int

    def __post_init__(self) -> None:
        check_ticks("a triangular", "shortest", self.shortest, at_least=0)
        check_ticks("a triangular", "likeliest", self.likeliest, at_least=self.shortest)
        check_ticks("a triangular", "longest", self.longest, at_least=self.likeliest)

    def at(self, u: float) -> int:
        a, c, b = self.shortest, self.likeliest, self.longest
        above, below = u.as_integer_ratio()
        if above * (b - a) < below * (c - a):  # left of the likeliest: a + y, y^2 = u (b-a) (c-a)
            twice = isqrt(4 * above * (b - a) * (c - a) // below)
            return a + (twice + 1) // 2
        square = 4 * (below - above) * (b - a) * (b - c)  # right of it: b - y, y^2 = (1-u) (b-a) (b-c)
        rounded_up = -(-square // below)
        twice = isqrt(rounded_up - 1) + 1 if rounded_up else 0
        return b - twice // 2

    def expectation(self) -> float:
        return float(Fraction(self.shortest + self.likeliest + self.longest, 3))

    def cv2(self) -> float:
        a, c, b = self.shortest, self.likeliest, self.longest
        return squared_ratio(Fraction(a * a + b * b + c * c - a * b - a * c - b * c, 18), Fraction(a + b + c, 3))


@record
class Empirical(OneUniform):
    """Measured times, each drawn with a chance in proportion to its weight (1 if none are given).

    The times are put in ascending order, so that more uniform means more time here too.

    >>> Empirical((30, 10, 20)).quantile(0.5)
    20
    >>> Empirical((10, 20), weights=(3, 1)).expectation()
    12.5
    """

    values: tuple[int, ...]
    weights: tuple[float, ...] | None = None
    _sorted: tuple[int, ...] = field(init=False, repr=False, compare=False)
    _reached: tuple[int, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "values", tuple(self.values))
        _check_list("an empirical list", self.values)
        if self.weights is not None:
            object.__setattr__(self, "weights", tuple(self.weights))
        weights = (1,) * len(self.values) if self.weights is None else self.weights
        if len(weights) != len(self.values):
            raise ValueError(
                f"an empirical list has {len(self.values)} times and {len(weights)} weights: give one weight for each"
            )
        for weight in weights:
            if not (isfinite(weight) and weight >= 0):
                raise ValueError(f"an empirical list has the weight {weight}: give 0 or more")
        if not any(weights):
            raise ValueError("an empirical list has no weight above 0: give at least one")
        pairs = sorted((value, Fraction(weight)) for value, weight in zip(self.values, weights, strict=True) if weight)
        unit = lcm(*(weight.denominator for _, weight in pairs))
        object.__setattr__(self, "_sorted", tuple(value for value, _ in pairs))
        object.__setattr__(self, "_reached", tuple(accumulate(int(weight * unit) for _, weight in pairs)))

    def at(self, u: float) -> int:
        return self._sorted[bisect_right(self._reached, whole(u, 0, self._reached[-1] - 1))]

    def _moment(self, power: int) -> Fraction:
        total, before = 0, 0
        for value, reached in zip(self._sorted, self._reached, strict=True):
            total += value**power * (reached - before)
            before = reached
        return Fraction(total, before)

    def expectation(self) -> float:
        return float(self._moment(1))

    def cv2(self) -> float:
        mean = self._moment(1)
        return squared_ratio(self._moment(2) - mean * mean, mean)


@record
class Quantiles(OneUniform):
    """The times that equal shares do not exceed, from the shortest to the longest; between two all are as likely.

    >>> Quantiles((0, 10, 40)).quantile(0.75)
    25
    >>> Quantiles((0, 10, 40)).expectation()
    15.0
    """

    values: tuple[int, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "values", tuple(self.values))
        _check_list("a list of quantiles", self.values)
        if len(self.values) < 2:
            raise ValueError("a list of quantiles has one time: give at least the shortest and the longest")
        for before, after in pairwise(self.values):
            if before > after:
                raise ValueError(f"a list of quantiles falls from {before} to {after}: give rising times")

    def at(self, u: float) -> int:
        above, below = u.as_integer_ratio()
        place, rest = divmod(above * (len(self.values) - 1), below)
        low = self.values[place]
        return low + (2 * (self.values[place + 1] - low) * rest + below) // (2 * below)

    def expectation(self) -> float:
        return float(self._moment(1))

    def cv2(self) -> float:
        mean = self._moment(1)
        return squared_ratio(self._moment(2) - mean * mean, mean)

    def _moment(self, power: int) -> Fraction:
        """The mean of the moments of the uniforms between two quantiles: (a + b) / 2, and (a^2 + ab + b^2) / 3."""
        pairs = list(pairwise(self.values))
        total = sum(sum(a**k * b ** (power - k) for k in range(power + 1)) for a, b in pairs)
        return Fraction(total, (power + 1) * len(pairs))


@record
class Mixture:
    """One of several laws, drawn anew each time in proportion to its weight (1 if none are given).

    The first uniform chooses the law, the second draws from it.

    >>> mixture = Mixture((Constant(10), Uniform(100, 199)), weights=(9, 1))
    >>> mixture.sample(lambda place: (0.89, 0.5)[place]), mixture.sample(lambda place: (0.91, 0.5)[place])
    (10, 150)
    >>> mixture.quantile(0.5), mixture.quantile(0.95)
    (10, 149)
    """

    laws: tuple[Distribution, ...]
    weights: tuple[float, ...] | None = None
    uniforms: ClassVar[int] = 2
    _chosen: Empirical = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "laws", tuple(self.laws))
        object.__setattr__(self, "_chosen", Empirical(tuple(range(len(self.laws))), self.weights))

    def sample(self, draw: Draw, ordinal: int = 0) -> int:
        return self.laws[self._chosen.at(draw(0))].quantile(draw(1))

    def quantile(self, p: float) -> int:
        """Give the shortest time that at least a share p does not exceed, found by halving."""
        checked_share(p)
        low, high = min(law.least() for law in self.laws), max(law.quantile(1 - 2.0**-53) for law in self.laws)
        while low < high:
            middle = (low + high) // 2
            if self._share_up_to(middle) >= p and (p or middle >= low):
                high = middle
            else:
                low = middle + 1
        return low

    def _share_up_to(self, ticks: int) -> float:
        return sum(share * _share_up_to(law, ticks) for law, share in zip(self.laws, self._shares(), strict=True))

    def _shares(self) -> list[float]:
        weights = (1.0,) * len(self.laws) if self.weights is None else self.weights
        return [weight / sum(weights) for weight in weights]

    def p95(self) -> int:
        return self.quantile(0.95)

    def least(self) -> int:
        return min(law.least() for law, share in zip(self.laws, self._shares(), strict=True) if share)

    def expectation(self) -> float:
        return sum(share * law.expectation() for law, share in zip(self.laws, self._shares(), strict=True))

    def cv2(self) -> float:
        pairs = list(zip(self.laws, self._shares(), strict=True))
        mean = self.expectation()
        second = sum(share * law.expectation() ** 2 * (1 + law.cv2()) for law, share in pairs)
        return second / mean**2 - 1 if mean else 0.0


def _share_up_to(law: Distribution, ticks: int) -> float:
    """The share of a law's times that do not exceed so many ticks, to 2**-53: the uniform at which it passes them."""
    low, high = 0, 2**53
    while low < high:
        middle = (low + high) // 2
        if law.quantile(middle * 2.0**-53) <= ticks:
            low = middle + 1
        else:
            high = middle
    return low * 2.0**-53


@record
class Trace:
    """Recorded times in their order: the one with the ordinal n takes the n-th, from 0; after the last the first again.

    >>> trace = Trace((30, 10, 20))
    >>> [trace.sample(lambda place: 0.0, ordinal) for ordinal in range(4)]
    [30, 10, 20, 30]
    """

    values: tuple[int, ...]
    uniforms: ClassVar[int] = 0

    def __post_init__(self) -> None:
        object.__setattr__(self, "values", tuple(self.values))
        _check_list("a trace", self.values)

    def sample(self, draw: Draw, ordinal: int = 0) -> int:
        return self.values[ordinal % len(self.values)]

    def quantile(self, p: float) -> int:
        return Empirical(self.values).quantile(p)

    def p95(self) -> int:
        return self.quantile(0.95)

    def least(self) -> int:
        return min(self.values)

    def expectation(self) -> float:
        return Empirical(self.values).expectation()

    def cv2(self) -> float:
        return Empirical(self.values).cv2()


def _check_list(who: str, values: tuple[int, ...]) -> None:
    if not values:
        raise ValueError(f"{who} is empty: give at least one time")
    for value in values:
        check_ticks(who, "time", value, at_least=0)


_Z95: Final = Decimal("1.64485362695147271486384890799163213608319574427532")
"""The standard normal quantile of 0.95, held against ``exact.normal_cdf`` by a test."""


@record
class Exponential(OneUniform):
    """The exponential of a mean: what is left does not depend on what has passed.

    >>> Exponential(60_000_000).quantile(0.5)
    41588831
    """

    mean: int

    def __post_init__(self) -> None:
        check_ticks("an exponential", "mean", self.mean, at_least=1)

    def at(self, u: float) -> int:
        return numerics.exponential(u, self.mean)

    def made(self) -> Callable[[float], int]:
        return partial(numerics.exponential, mean_ticks=self.mean)

    def expectation(self) -> float:
        return float(self.mean)

    def cv2(self) -> float:
        return 1.0


@record
class Erlang:
    """The sum of 1 to 1,000 exponential stages, each with a uniform of its own; the mean is that of the sum.

    >>> Erlang(4, 60_000_000).uniforms
    4
    """

    stages: int
    mean: int

    def __post_init__(self) -> None:
        if not 1 <= self.stages <= 1000:
            raise ValueError(f"an Erlang has {self.stages} stages: give a whole number from 1 to 1000")
        check_ticks("an Erlang", "mean", self.mean, at_least=1)

    @property
    def uniforms(self) -> int:
        return self.stages

    def sample(self, draw: Draw, ordinal: int = 0) -> int:
        return numerics.erlang([draw(stage) for stage in range(self.stages)], self.mean)

    def quantile(self, p: float) -> int:
        return Gamma(self.stages, self.mean).quantile(p)

    def p95(self) -> int:
        return self.quantile(0.95)

    def least(self) -> int:
        return 0

    def expectation(self) -> float:
        return float(self.mean)

    def cv2(self) -> float:
        return 1 / self.stages


@record
class Gamma(OneUniform):
    """The gamma of a shape from 0.01 to 10,000 and a mean.

    >>> Gamma(2.0, 60_000_000).cv2()
    0.5
    """

    shape: float
    mean: int
    _crest: float = field(init=False, repr=False, compare=False)
    _whole_gamma: Decimal = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        check_number("a gamma", "shape", self.shape, 0.01, 10_000)
        check_ticks("a gamma", "mean", self.mean, at_least=1)
        with exactly():
            shape = Decimal(self.shape)
            whole_gamma = gamma_function(shape)
            crest = (shape * shape.ln() - shape).exp() / (shape * whole_gamma)
        object.__setattr__(self, "_whole_gamma", whole_gamma)
        object.__setattr__(self, "_crest", float(crest))

    def at(self, u: float) -> int:
        return numerics.gamma(u, self.shape, self.mean, self._crest, self._whole_gamma)

    def expectation(self) -> float:
        return float(self.mean)

    def cv2(self) -> float:
        return 1 / self.shape


@record
class Weibull(OneUniform):
    """The Weibull of a shape from 0.01 to 1,000 and a scale in ticks; ``of_mean`` works out the scale.

    >>> Weibull(1.0, 60_000_000).quantile(0.5)
    41588831
    """

    shape: float
    scale: int | Decimal
    _exact_scale: Decimal = field(init=False, repr=False, compare=False)
    _float_scale: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        check_number("a Weibull", "shape", self.shape, 0.01, 1000)
        if not 0 < self.scale <= LONGEST:
            raise ValueError(f"a Weibull has the scale {self.scale}: give more than 0 and at most {LONGEST} ticks")
        object.__setattr__(self, "_exact_scale", Decimal(self.scale))
        object.__setattr__(self, "_float_scale", float(self.scale))

    @classmethod
    def of_mean(cls, shape: float, mean: int) -> Self:
        """Make the Weibull of a shape and a mean in ticks.

        >>> float(Weibull.of_mean(0.5, 2_000_000).scale)
        1000000.0
        """
        check_number("a Weibull", "shape", shape, 0.01, 1000)
        check_ticks("a Weibull", "mean", mean, at_least=1)
        with exactly():
            return cls(shape, mean / gamma_function(1 + 1 / Decimal(shape)))

    def at(self, u: float) -> int:
        return numerics.weibull(u, self.shape, self._float_scale, self._exact_scale)

    def expectation(self) -> float:
        with exactly():
            return float(self._exact_scale * gamma_function(1 + 1 / Decimal(self.shape)))

    def cv2(self) -> float:
        with exactly():
            power = 1 / Decimal(self.shape)
            first = gamma_function(1 + power)
            return float(gamma_function(1 + 2 * power) / (first * first) - 1)


@record
class Lognormal(OneUniform):
    """The lognormal of a median and the deviation of its logarithm; made by ``of_p95`` or ``of_mean``.

    >>> Lognormal.of_p95(40_000_000, 120_000_000).quantile(0.5)
    40000000
    """

    median: int | Decimal
    spread: Decimal
    _exact_median: Decimal = field(init=False, repr=False, compare=False)
    _float_median: float = field(init=False, repr=False, compare=False)
    _float_spread: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not 0 < self.median <= LONGEST:
            raise ValueError(f"a lognormal has the median {self.median}: give more than 0 and at most {LONGEST} ticks")
        if not 0 < self.spread <= 50:
            raise ValueError(f"a lognormal has the spread {self.spread}: give more than 0 and at most 50")
        object.__setattr__(self, "_exact_median", Decimal(self.median))
        object.__setattr__(self, "_float_median", float(self.median))
        object.__setattr__(self, "_float_spread", float(self.spread))

    @classmethod
    def of_p95(cls, median: int, p95: int) -> Self:
        """Make the lognormal of which half is below the median and 95 % below p95, both in ticks."""
        check_ticks("a lognormal", "median", median, at_least=1)
        check_ticks("a lognormal", "p95", p95, at_least=median)
        if p95 == median:
            raise ValueError(f"a lognormal has its p95 at its median, {median} ticks: say a constant instead")
        with exactly():
            spread = (Decimal(p95) / median).ln() / _Z95
        return cls(median, spread)

    @classmethod
    def of_mean(cls, mean: int, cv: float) -> Self:
        """Make the lognormal of a mean in ticks and a coefficient of variation from 0.001 to 1,000."""
        check_ticks("a lognormal", "mean", mean, at_least=1)
        check_number("a lognormal", "cv", cv, 0.001, 1000)
        with exactly():
            swell = 1 + Decimal(cv) * Decimal(cv)
            return cls(mean / swell.sqrt(), swell.ln().sqrt())

    def at(self, u: float) -> int:
        return numerics.lognormal(u, self._float_median, self._float_spread, self._exact_median, self.spread)

    def expectation(self) -> float:
        with exactly():
            return float(self._exact_median * (self.spread * self.spread / 2).exp())

    def cv2(self) -> float:
        with exactly():
            return float((self.spread * self.spread).exp() - 1)
