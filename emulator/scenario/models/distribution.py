"""Durations and numbers, each a constant or a distribution: how long something takes, how strong or how many it is."""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from types import MappingProxyType
from typing import Annotated, Any, Final, Literal

from pydantic import Discriminator, Field, Tag, model_validator

from emulator.scenario.values import Duration, Mistake, Model, PositiveDuration, Share
from emulator.timeline.ticks import say

__all__ = [
    "LAWS",
    "NO_TIME",
    "Distribution",
    "DrawnNumber",
    "Factor",
    "HowMany",
    "ShareOrDrawn",
    "SpeedFactor",
    "law_mistakes",
    "out_of_range",
]


LAWS: Final = MappingProxyType(
    {
        "constant": (("constant",), ()),
        "uniform": (("between",), ()),
        "triangular": (("min", "mode", "max"), ()),
        "lognormal": (("median", "p95"), ()),
        "empirical": (("one_of",), ("weights",)),
        "quantiles": (("quantiles",), ()),
        "from a file": (("from_file",), ()),
        "mixture": (("mixture",), ("weights",)),
        "traced": (("traced",), ()),
        "law: exponential": (("law", "mean"), ()),
        "law: erlang": (("law", "mean", "stages"), ()),
        "law: gamma": (("law", "mean", "shape"), ()),
        "law: weibull": (("law", "mean", "shape"), ()),
        "law: weibull by its scale": (("law", "scale", "shape"), ()),
        "law: lognormal": (("law", "mean", "cv"), ()),
    }
)
"""Each way of writing a distribution: the keys that it must have, and those that it may have beside them."""

_TIMES: Final = ("constant", "between", "min", "mode", "max", "median", "p95", "mean", "scale", "one_of", "quantiles")
"""The keys of a distribution that are times."""

_WAYS: Final = "{between: [2m, 7m]}, {median: 4m, p95: 9m}, {mean: 1h, law: exponential}"


class Distribution(Model):
    """A duration, constant or drawn. Written ``4m``, or as a mapping that names one law by its keys.

    ``{constant: 4m}``; ``{between: [2m, 7m]}`` uniform; ``{min: 1m, mode: 2m, max: 9m}`` triangular.
    ``{median: 4m, p95: 9m}`` lognormal; ``{mean: 1h, law: exponential}``; ``{mean: 1h, law: erlang, stages: 3}``.
    ``{mean: 1h, law: gamma, shape: 2.0}``; ``{mean: 1h, law: weibull, shape: 0.7}`` (or ``scale`` for ``mean``).
    ``{mean: 1h, law: lognormal, cv: 2.0}``; ``{one_of: [1m, 2m], weights: [3, 1]}`` empirical.
    ``{quantiles: [1m, 4m, 9m]}`` the times that equal shares do not exceed, from the shortest to the longest.
    ``{from_file: times.csv}`` measured times, one a line; ``{mixture: [4m, {median: 1h, p95: 2h}], weights: [9, 1]}``.
    ``{traced: true}`` takes the time that the arrival's trace gives.
    """

    constant: Duration | None = Field(default=None, description="Always this long; `4m` alone says the same.")
    between: tuple[Duration, Duration] | None = Field(
        default=None, strict=False, description="Uniform between the two, the shorter first."
    )
    min: Duration | None = Field(default=None, description="Triangular: the shortest time.")
    mode: Duration | None = Field(default=None, description="Triangular: the peak, from `min` to `max`.")
    max: Duration | None = Field(default=None, description="Triangular: the longest time, above `min`.")
    median: PositiveDuration | None = Field(default=None, description="Lognormal: half take at most this long.")
    p95: PositiveDuration | None = Field(
        default=None, description="Lognormal: 95 % take at most this long; above `median`."
    )
    mean: PositiveDuration | None = Field(default=None, description="The mean of the law named by `law`.")
    scale: PositiveDuration | None = Field(default=None, description="Weibull: its scale, in place of `mean`.")
    law: Literal["exponential", "erlang", "gamma", "weibull", "lognormal"] | None = Field(
        default=None, description="The law that `mean` (or `scale`) belongs to."
    )
    stages: int | None = Field(default=None, ge=1, le=1000, description="Erlang: how many exponential stages.")
    shape: float | None = Field(
        default=None, ge=0.01, le=1000, description="Gamma and Weibull: the shape; 1 is the exponential."
    )
    cv: float | None = Field(
        default=None, ge=0.001, le=100, description="Lognormal by its mean: deviation divided by mean."
    )
    one_of: tuple[Duration, ...] | None = Field(
        default=None, strict=False, min_length=1, max_length=100_000, description="One of these measured times."
    )
    weights: tuple[float, ...] | None = Field(
        default=None,
        strict=False,
        description="With `one_of` and `mixture`: how likely each is, 0 or more; default: all alike.",
    )
    quantiles: tuple[Duration, ...] | None = Field(
        default=None,
        strict=False,
        min_length=2,
        max_length=100_000,
        description="The times that equal shares do not exceed, the shortest first: of five, those of 0, 25, 50, 75 "
        "and 100 %. Between two of them every time is as likely.",
    )
    from_file: str | None = Field(
        default=None,
        min_length=1,
        max_length=1000,
        description="A file below the scenario's folder: one of these measured times, a duration a line (a number "
        "alone is seconds; a first line that is none is a heading).",
    )
    mixture: tuple["Distribution", ...] | None = Field(
        default=None,
        strict=False,
        min_length=2,
        max_length=20,
        description="One of these distributions, drawn anew each time; not `traced`, erlang or a mixture.",
    )
    traced: Literal[True] | None = Field(default=None, description="The time that the arrival's trace gives.")
    varies_with: str | None = Field(
        default=None, description="Beside any law but `traced`: a factor of `varies`, by which the time is multiplied."
    )

    @model_validator(mode="before")
    @classmethod
    def _plain_duration(cls, value: Any) -> Any:
        return value if isinstance(value, dict | cls) else {"constant": value}

    @property
    def always_zero(self) -> bool:
        """Whether it can be no time but 0."""
        if self.mixture is not None:
            return all(each.always_zero for each in self.mixture)
        times = self.between or self.one_of or self.quantiles or (self.constant,)
        return not any(time is None or time for time in times) and self.traced is None

    @property
    def shortest(self) -> int | None:
        """The shortest time, in ticks, of a law that has a longest; None for another."""
        return None if (times := self._bounds()) is None else min(times)

    @property
    def longest(self) -> int | None:
        """The longest time, in ticks; None where there is none, or where it is not known.

        >>> Distribution(between=(10, 20)).longest
        20
        """
        return None if (times := self._bounds()) is None else max(times)

    def _bounds(self) -> tuple[int, ...] | None:
        if self.constant is not None:
            return (self.constant,)
        if self.min is not None and self.max is not None:
            return (self.min, self.max)
        return self.between or self.one_of or self.quantiles

    def mistakes(self) -> Iterator[Mistake]:
        given = {name for name in type(self).model_fields if getattr(self, name) is not None} - {"varies_with"}
        law = self._law(given)
        if law is None:
            if self.law:
                yield (), f"a distribution by the law {self.law} is written {_example(self.law)}"
            elif given:
                keys = " and ".join(f"`{name}`" for name in type(self).model_fields if name in given)
                alone = "alone " if len(given) == 1 else "together "
                yield (), f"{keys} {alone}{'is' if len(given) == 1 else 'are'} no distribution: write 4m or {_WAYS}"
            else:
                yield (), f"a distribution needs a law: write 4m or {_WAYS}"
            return
        yield from self._out_of_order()
        for place, (one, other) in enumerate(pairwise(self.quantiles or ())):
            if one > other:
                yield ("quantiles", place + 1), f"quantiles rise: {say(other)} follows {say(one)}"
                break
        for place, each in enumerate(self.mixture or ()):
            if each.traced or each.law == "erlang" or each.mixture is not None:
                yield ("mixture", place), "a mixture is of laws that one draw makes: not traced, erlang or a mixture"
            elif each.varies_with is not None:
                yield ("mixture", place, "varies_with"), "say it of the whole mixture, beside `mixture`"
        several = self.one_of or self.mixture
        if self.weights is not None and several is not None:
            if len(self.weights) != len(several):
                weights, times = len(self.weights), len(several)
                yield ("weights",), f"each needs one weight: there are {times}, and of weights {weights}"
            elif min(self.weights) < 0:
                yield ("weights", self.weights.index(min(self.weights))), "a weight is 0 or more"
            elif not any(self.weights):
                yield ("weights",), "all weights are 0: at least one must be more"

    def times(self, factor: float) -> "Distribution":
        """Give the same law for times that are so many times as long, to the nearest tick.

        >>> Distribution(between=(10, 20)).times(1.5).between
        (15, 30)
        """
        said: dict[str, Any] = {"varies_with": None}
        for name in _TIMES:
            value = getattr(self, name)
            if isinstance(value, tuple):
                said[name] = tuple(round(time * factor) for time in value)
            elif value is not None:
                said[name] = max(round(value * factor), 1) if value else 0
        if self.mixture is not None:
            said["mixture"] = tuple(each.times(factor) for each in self.mixture)
        return self.model_copy(update=said)

    def _law(self, given: set[str]) -> str | None:
        for name, (needed, allowed) in LAWS.items():
            named = name.startswith("law: ")
            if named and self.law != name.split()[1]:
                continue
            if given >= set(needed) and given <= {*needed, *allowed}:
                return name
        return None

    def _out_of_order(self) -> Iterator[Mistake]:
        if self.between and self.between[0] > self.between[1]:
            yield ("between",), f"the shorter time comes first: write [{say(self.between[1])}, {say(self.between[0])}]"
        if self.min is not None and self.mode is not None and self.max is not None:
            if self.min >= self.max:
                yield ("max",), f"`max` must be above `min` ({say(self.min)})"
            elif not self.min <= self.mode <= self.max:
                yield ("mode",), f"`mode` lies from {say(self.min)} (`min`) to {say(self.max)} (`max`)"
        if self.median is not None and self.p95 is not None and self.p95 <= self.median:
            median = say(self.median)
            yield ("p95",), f"`p95` must be above the median ({median}); for a constant write {median} alone"


def _example(law: str) -> str:
    return {
        "exponential": "{mean: 1h, law: exponential}",
        "erlang": "{mean: 1h, law: erlang, stages: 3}",
        "gamma": "{mean: 1h, law: gamma, shape: 2.0}",
        "weibull": "{mean: 1h, law: weibull, shape: 0.7} (or with `scale` in place of `mean`)",
        "lognormal": "{mean: 1h, law: lognormal, cv: 2.0} (or {median: 4m, p95: 9m})",
    }[law]


class DrawnNumber(Model):
    """A number that is drawn: any between two, or one of several."""

    between: tuple[float, float] | None = Field(
        default=None, strict=False, description="Each number from the one to the other is as likely."
    )
    one_of: tuple[float, ...] | None = Field(
        default=None, strict=False, min_length=1, max_length=1000, description="One of these numbers."
    )
    weights: tuple[float, ...] | None = Field(
        default=None, strict=False, description="With `one_of`: how likely each is, 0 or more; default: all alike."
    )

    def mistakes(self) -> Iterator[Mistake]:
        yield from law_mistakes("which number", self.between, self.one_of, self.weights)

    @property
    def numbers(self) -> tuple[float, ...]:
        """The numbers that are stated: the least and the most are among them."""
        return self.between or self.one_of or ()


def law_mistakes(
    asked: str,
    between: tuple[float, float] | None,
    one_of: Sequence[float] | None,
    weights: Sequence[float] | None,
) -> Iterator[Mistake]:
    """Tell what is wrong between the keys of a number that is drawn."""
    if (between is None) == (one_of is None):
        yield (), f"{asked}? give one of `between` and `one_of`, or a number alone"
    if between is not None and between[0] > between[1]:
        yield ("between",), f"the smaller number comes first: write [{between[1]:g}, {between[0]:g}]"
    if weights is not None and one_of is None:
        yield ("weights",), "`weights` belongs to `one_of`"
    elif weights is not None and one_of is not None:
        if len(weights) != len(one_of):
            yield ("weights",), f"each of the {len(one_of)} needs one weight, and there are {len(weights)}"
        elif min(weights) < 0 or not any(weights):
            yield ("weights",), "weights are 0 or more, and at least one is more"


def out_of_range(key: str, value: Any, least: float, most: float, whole: bool = False) -> Iterator[Mistake]:
    """Tell which number of a law may not be drawn; ``least`` of 0 is left out, but for a share (``most`` of 1)."""
    if not isinstance(value, DrawnNumber):
        return
    above = least == 0 and most != 1
    for number in value.numbers:
        if not least <= number <= most or (above and not number) or (whole and number != int(number)):
            kind, low = "whole number" if whole else "number", "above 0" if above else f"from {least:g}"
            yield (key,), f"{number:g} may not be drawn: each is a {kind} {low} {'up ' * above}to {most:g}"
            return


def _form(value: Any) -> str:
    return "(law)" if isinstance(value, dict | DrawnNumber) else "(number)"


_Law = Annotated[DrawnNumber, Tag("(law)")]

Factor = Annotated[Annotated[Annotated[float, Field(gt=0, le=10_000)], Tag("(number)")] | _Law, Discriminator(_form)]
SpeedFactor = Annotated[Annotated[Annotated[float, Field(gt=0, le=1000)], Tag("(number)")] | _Law, Discriminator(_form)]
ShareOrDrawn = Annotated[Annotated[Share, Tag("(number)")] | _Law, Discriminator(_form)]
HowMany = Annotated[Annotated[Annotated[int, Field(ge=1, le=100_000)], Tag("(number)")] | _Law, Discriminator(_form)]

NO_TIME: Final = Distribution.model_construct(constant=0)
"""The default of a time that most scenarios leave out. Defaults are not validated: a test does that once for all."""
