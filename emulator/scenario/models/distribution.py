"""How long may something take: a constant or a distribution of durations."""

from typing import Any, Literal

from pydantic import Field, model_validator

from emulator.scenario.values import Duration, Model

__all__ = ["Distribution"]


class Distribution(Model):
    """A duration, constant or drawn. Written ``4m``, or as a mapping that names one law by its keys.

    ``{constant: 4m}``; ``{between: [2m, 7m]}`` uniform; ``{least: 1m, likeliest: 2m, most: 9m}`` triangular;
    ``{median: 4m, p95: 9m}`` lognormal; ``{mean: 1h, law: exponential}``; ``{mean: 1h, law: erlang, stages: 3}``;
    ``{mean: 1h, law: gamma, shape: 2.0}``; ``{mean: 1h, law: weibull, shape: 0.7}`` (or ``scale`` for ``mean``);
    ``{mean: 1h, law: lognormal, cv: 2.0}``; ``{one_of: [1m, 2m], weights: [3, 1]}`` empirical;
    ``{traced: true}`` takes the time that the arrival's trace gives.
    """

    constant: Duration | None = None
    between: tuple[Duration, Duration] | None = Field(default=None, strict=False)
    least: Duration | None = None
    likeliest: Duration | None = None
    most: Duration | None = None
    median: Duration | None = None
    p95: Duration | None = None
    mean: Duration | None = None
    scale: Duration | None = None
    law: Literal["exponential", "erlang", "gamma", "weibull", "lognormal"] | None = None
    stages: int | None = Field(default=None, ge=1, le=1000)
    shape: float | None = Field(default=None, gt=0, le=1000, strict=False)
    cv: float | None = Field(default=None, gt=0, le=100, strict=False)
    one_of: tuple[Duration, ...] | None = Field(default=None, strict=False, min_length=1, max_length=100_000)
    weights: tuple[float, ...] | None = Field(default=None, strict=False)
    traced: bool = False

    @model_validator(mode="before")
    @classmethod
    def _plain_duration(cls, value: Any) -> Any:
        return {"constant": value} if isinstance(value, str | int) and not isinstance(value, bool) else value
