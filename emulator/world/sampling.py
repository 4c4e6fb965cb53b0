"""Which distributions can a time have? These; ``distribution`` says what each of them can do."""

from emulator.world.bounded import Constant, Empirical, Mixture, Quantiles, Trace, Triangular, Uniform
from emulator.world.distribution import Distribution, Draw
from emulator.world.unbounded import Erlang, Exponential, Gamma, Lognormal, Weibull

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
]
