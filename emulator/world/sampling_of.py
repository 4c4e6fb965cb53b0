"""Which law does a distribution of a scenario file stand for? The one that its keys name, ready to be sampled."""

from emulator.errors import DefectError
from emulator.scenario import models
from emulator.world import sampling

__all__ = ["sampling_of"]


def sampling_of(d: models.Distribution) -> sampling.Distribution | None:
    """Give the law that a distribution of the scenario names; None for ``traced``, whose times the trace gives.

    >>> sampling_of(models.Distribution(constant=5))
    Constant(ticks=5)
    >>> sampling_of(models.Distribution(between=(10, 19)))
    Uniform(low=10, high=19)
    """
    if d.traced:
        return None
    if d.constant is not None:
        return sampling.Constant(d.constant)
    if d.between is not None:
        return sampling.Uniform(*d.between)
    if d.min is not None and d.mode is not None and d.max is not None:
        return sampling.Triangular(d.min, d.mode, d.max)
    if d.median is not None and d.p95 is not None:
        return sampling.Lognormal.of_p95(d.median, d.p95)
    if d.one_of is not None:
        return sampling.Empirical(d.one_of, d.weights)
    if d.quantiles is not None:
        return sampling.Quantiles(d.quantiles)
    if d.mixture is not None:
        return sampling.Mixture(tuple(law for each in d.mixture if (law := sampling_of(each))), d.weights)
    if d.from_file is not None:
        raise DefectError(f"the times of {d.from_file} have not been read")
    return _by_name(d)


def _by_name(d: models.Distribution) -> sampling.Distribution:
    """Give the law that the key ``law`` names; the model has seen to it that what belongs to it is there."""
    if d.law == "weibull" and d.shape is not None and d.scale is not None:
        return sampling.Weibull(d.shape, d.scale)
    assert d.mean is not None
    if d.law == "exponential":
        return sampling.Exponential(d.mean)
    if d.law == "erlang":
        assert d.stages is not None
        return sampling.Erlang(d.stages, d.mean)
    if d.law == "lognormal":
        assert d.cv is not None
        return sampling.Lognormal.of_mean(d.mean, d.cv)
    assert d.shape is not None
    if d.law == "gamma":
        return sampling.Gamma(d.shape, d.mean)
    return sampling.Weibull.of_mean(d.shape, d.mean)
