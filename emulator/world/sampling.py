"""Gives the distributions that a scenario names, and the numbers that uniforms stand for."""

from bisect import bisect_right
from collections.abc import Sequence
from itertools import accumulate
from typing import TypeVar

from emulator.errors import DefectError
from emulator.scenario import models
from emulator.scenario.models.distribution import DrawnNumber
from emulator.world.draws import Distribution, Draw
from emulator.world.laws import (
    Constant,
    Empirical,
    Erlang,
    Exponential,
    Gamma,
    Lognormal,
    Mixture,
    Quantiles,
    Trace,
    Triangular,
    Uniform,
    Weibull,
)
from emulator.world.numerics import whole

__all__ = [
    "Constant",
    "Distribution",
    "Draw",
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
    "drawn_number",
    "drawn_whole",
    "one_of",
    "sampling_of",
]


def sampling_of(d: models.Distribution) -> Distribution | None:
    """Give the law that a distribution of the scenario names; None for ``traced``, whose times the trace gives.

    >>> sampling_of(models.Distribution(constant=5))
    Constant(ticks=5)
    >>> sampling_of(models.Distribution(between=(10, 19)))
    Uniform(low=10, high=19)
    """
    if d.traced:
        return None
    if d.constant is not None:
        return Constant(d.constant)
    if d.between is not None:
        return Uniform(*d.between)
    if d.min is not None and d.mode is not None and d.max is not None:
        return Triangular(d.min, d.mode, d.max)
    if d.median is not None and d.p95 is not None:
        return Lognormal.of_p95(d.median, d.p95)
    if d.one_of is not None:
        return Empirical(d.one_of, d.weights)
    if d.quantiles is not None:
        return Quantiles(d.quantiles)
    if d.mixture is not None:
        return Mixture(tuple(law for each in d.mixture if (law := sampling_of(each))), d.weights)
    if d.from_file is not None:
        raise DefectError(f"the times of {d.from_file} have not been read")
    return _by_name(d)


def _by_name(d: models.Distribution) -> Distribution:
    """Give the law that the key ``law`` names; the model has seen to it that what belongs to it is there."""
    if d.law == "weibull" and d.shape is not None and d.scale is not None:
        return Weibull(d.shape, d.scale)
    assert d.mean is not None
    if d.law == "exponential":
        return Exponential(d.mean)
    if d.law == "erlang":
        assert d.stages is not None
        return Erlang(d.stages, d.mean)
    if d.law == "lognormal":
        assert d.cv is not None
        return Lognormal.of_mean(d.mean, d.cv)
    assert d.shape is not None
    if d.law == "gamma":
        return Gamma(d.shape, d.mean)
    return Weibull.of_mean(d.shape, d.mean)


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
