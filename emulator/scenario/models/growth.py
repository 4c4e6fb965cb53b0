"""By how much does a value grow as the months pass, and how long is what was made kept?

Neither changes anything in one night: both are read by a forecast of many.
"""

import re
from collections.abc import Iterator
from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, Field, PlainSerializer, WithJsonSchema

from emulator.scenario.values import Mistake, Model, PositiveDuration

__all__ = ["Growth", "Keeps", "Percent"]

_PERCENT: Final = r"^[+-]?\d{1,4}(\.\d{1,6})? ?%$"


def _percent(value: Any) -> Any:
    if not isinstance(value, str):
        raise ValueError("write a percentage with its sign, such as 3 %")
    if not re.fullmatch(_PERCENT, value, re.ASCII):
        raise ValueError(f"{value[:40]!r} is no percentage: write 3 % or -1.5 %")
    return float(value.rstrip("% ")) / 100


Percent = Annotated[
    float,
    BeforeValidator(_percent),
    Field(gt=-1, le=100),
    PlainSerializer(lambda value: f"{100 * value:.10g} %", return_type=str, when_used="json"),
    WithJsonSchema({"kind": "percent", "type": "string", "pattern": _PERCENT}),
]
"""A change in hundredths, held as a share: ``3 %`` is 0.03. Above -100 %."""


class Growth(Model):
    """How a value grows as time passes, for `forecast`. One night does not grow: `run` and `compare` take no notice.

    ``{path: arrivals.nightly.count, by: 3 %, each: month}``: on the scenario's own date the value is as written. It is
    3 % more a month later, and 43 % more a year later.
    """

    path: str = Field(
        min_length=1,
        max_length=1000,
        description="The dotted path of a number, a duration or a rate, as a variant names it: "
        "`arrivals.nightly.count`.",
    )
    by: Percent = Field(description="By so much: `3 %`; below 0 it shrinks.")
    each: Literal["week", "month", "year"] = Field(
        default="month", description="In each of these, on top of the growth before."
    )
    between: tuple[Percent, Percent] | None = Field(
        default=None,
        strict=False,
        description="How slow and how fast the growth may be, such as `[2 %, 4 %]`: dates are then told for both too.",
    )

    def mistakes(self) -> Iterator[Mistake]:
        if self.between is not None and not self.between[0] <= self.by <= self.between[1]:
            yield ("between",), "`by` lies between the two, the lower of which comes first"


class Keeps(Model):
    """How long the results of a part are kept, for `forecast`: one of the two. One night deletes nothing."""

    newest: int | None = Field(
        default=None, ge=1, le=100_000, description="Those of so many nights are kept: the newest in which any landed."
    )
    duration: PositiveDuration | None = Field(
        default=None, alias="for", description="Each is kept for so long after its night began."
    )

    def mistakes(self) -> Iterator[Mistake]:
        if (self.newest is None) == (self.duration is None):
            yield (), "how long are they kept? write {newest: 14} or {for: 30d}"
