"""Which distributions of times have no longest time? Exponential, Erlang, gamma, Weibull, lognormal.

``numerics`` turns their uniforms into ticks; here stand their parameters, and what can be said without sampling.
"""

from collections.abc import Callable
from decimal import Decimal
from functools import partial
from typing import Final, Self

from emulator.records import field, record
from emulator.world import numerics
from emulator.world.distribution import Draw, OneUniform, check_number, check_ticks
from emulator.world.numerics import LONGEST, exactly, gamma_function

__all__ = ["Erlang", "Exponential", "Gamma", "Lognormal", "Weibull"]

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
