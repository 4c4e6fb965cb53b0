"""How strong, how many, how fast: a number that is stated, or one that is drawn."""

from collections.abc import Iterator, Sequence
from typing import Annotated, Any

from pydantic import Discriminator, Field, Tag

from emulator.scenario.values import Mistake, Model, Share

__all__ = ["DrawnNumber", "Factor", "HowMany", "ShareOrDrawn", "SpeedFactor", "law_mistakes", "out_of_range"]


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
