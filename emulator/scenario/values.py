"""How do the plain values of a scenario (durations, moments, shares) become what the models hold?

Durations and moments are whole ticks in every model. A moment needs the scenario's start and zone, so validation runs
with ``context={"clock": Clock(...)}``; without it, only ticks and offsets from the start (``+2h``) are understood.
"""

from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer, ValidationInfo

from emulator.scenario.durations import parse_duration
from emulator.timeline.ticks import say

__all__ = ["Count", "Duration", "Model", "Moment", "Name", "Share", "Speed"]


class Model(BaseModel):
    """The base of all models: data only, frozen, no unknown keys, no silent conversions."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def _duration(value: Any) -> Any:
    return parse_duration(value) if isinstance(value, str) else value


def _moment(value: Any, info: ValidationInfo) -> Any:
    if not isinstance(value, str):
        return value
    clock = (info.context or {}).get("clock")
    if clock is not None:
        return clock.moment(value)
    if value.startswith("+"):
        return parse_duration(value[1:])
    raise ValueError("a clock time needs the scenario's `starts` and `zone`: give them, or an offset such as +2h30m")


def _said_or_none(ticks: int) -> str:
    return say(ticks)


Duration = Annotated[
    int,
    BeforeValidator(_duration, json_schema_input_type=str),
    Field(ge=0),
    PlainSerializer(_said_or_none, return_type=str, when_used="json"),
]
"""Ticks; written 90s, 1h30m, 500ms or PT30S."""

Moment = Annotated[
    int,
    BeforeValidator(_moment, json_schema_input_type=str),
    PlainSerializer(lambda ticks: "+" + say(ticks), return_type=str, when_used="json"),
]
"""Ticks from the start; written 21:40 (the first such time from the start on), +2h30m, or a full local time."""

Share = Annotated[float, Field(ge=0, le=1, strict=False)]
"""A share from 0 to 1."""

Speed = Annotated[float, Field(gt=0, le=1000, strict=False)]
"""How much work is done in a unit of time, as a multiple of a worker at speed 1."""

Count = Annotated[int, Field(ge=0, le=10_000_000)]


def _name(value: str) -> str:
    if not value or value != value.strip() or not value.isprintable() or len(value) > 200:
        raise ValueError("a name is 1 to 200 printable characters without blanks at its ends")
    return value


Name = Annotated[str, AfterValidator(_name)]
