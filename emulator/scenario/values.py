"""Converts the plain values of a scenario (durations, moments, shares) to what the models hold.

Durations and moments are whole ticks in every model. What people write comes with
``context={"clock": Clock(...)}``: then a moment is read by the scenario's start and zone, and a bare number other than
0 is refused where a duration or a moment is wanted, because it has no unit. Without a clock (the program's own use)
whole numbers are ticks, and of the moments only offsets from the start (``+2h``) are understood.
"""

import re
from collections.abc import Iterator
from datetime import UTC
from typing import Annotated, Any, Final

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    PlainValidator,
    SerializationInfo,
    ValidationInfo,
    WithJsonSchema,
    model_validator,
)
from pydantic_core import PydanticCustomError

from emulator.scenario.spelling import LONGEST, parse_duration
from emulator.timeline.ticks import say

__all__ = [
    "KINDS",
    "Bound",
    "Count",
    "Duration",
    "EarlyMoment",
    "EndDate",
    "Mistake",
    "Model",
    "Moment",
    "Name",
    "NewName",
    "PositiveDuration",
    "Share",
    "Span",
    "Speed",
    "Template",
    "TimeOfDay",
    "one_line",
]

Mistake = tuple[tuple[str | int, ...], str]
"""Where in a model (relative to it), and what is wrong there in plain words."""


class Model(BaseModel):
    """The base of all models: data only, frozen, no unknown keys, no silent conversions."""

    # What a scenario holds is validated by the scenario's own validator, so that no other is built at every start.
    model_config = ConfigDict(
        defer_build=True,
        extra="forbid",
        frozen=True,
        strict=True,
        allow_inf_nan=False,
        validate_by_name=True,
        validate_by_alias=True,
    )

    def mistakes(self) -> Iterator[Mistake]:
        """Tell what is wrong between the values of one model, each of which is right in itself."""
        yield from ()

    @model_validator(mode="after")
    def _no_mistakes(self) -> "Model":
        if found := list(self.mistakes()):
            said = "; ".join(f"{'.'.join(map(str, where))}: {what}" if where else what for where, what in found)
            raise PydanticCustomError("mistakes", "{said}", {"said": said, "mistakes": found})
        return self

    def stated(self, name: str) -> bool:
        """Say whether a key was written, with another value than its default."""
        return name in self.model_fields_set and getattr(self, name) != type(self).model_fields[name].default


KINDS: Final = {
    "duration": "a duration such as 90s, 1h30m, 500ms or PT30S",
    "positive-duration": "a duration above 0 such as 90s, 1h30m, 500ms or PT30S",
    "span": "a duration above 0 such as 8h, 2d (48 hours) or P2D (days of the zone)",
    "moment": 'a moment such as "21:40", "+2h30m" or 2026-06-12T21:40:00',
    "early-moment": 'a moment such as "21:40", "+2h30m" or 2026-06-12T21:40:00 (it may lie before the start)',
    "end-date": "a date such as 2027-03-01, or a moment such as 2027-03-01T12:00:00 (it may lie before the start)",
    "percent": "a percentage such as 3 %",
    "time-of-day": 'a time of day such as "05:00"',
    "distribution": "a duration such as 4m, or a distribution such as {median: 4m, p95: 9m}",
    "name": "a name",
    "new-name": "a name",
    "template": "text in which {names} are filled in",
    "bound": "a number, or a duration such as 3h",
    "worker-target": "a worker, a pool, a list of them, or {pool: ..., some: 2} or {pool: ..., share: 0.5}",
}
"""The kinds of values that are not JSON's own, in plain words: messages and the reference page use these."""

_DURATION_PATTERN: Final = (
    r"^(0|(?=\d)(\d+(\.\d+)?w)?(\d+(\.\d+)?d)?(\d+(\.\d+)?h)?(\d+(\.\d+)?m(?!s))?(\d+(\.\d+)?s)?(\d+(\.\d+)?ms)?"
    r"(\d+(\.\d+)?us)?|PT(?=\d)(\d+(\.\d+)?H)?(\d+(\.\d+)?M)?(\d+(\.\d+)?S)?)$"
)
_SPAN_PATTERN: Final = _DURATION_PATTERN[:-2] + r"|P\d+W|P\d+D(T(?=\d)(\d+(\.\d+)?H)?(\d+(\.\d+)?M)?(\d+(\.\d+)?S)?)?)$"
_TIME_PATTERN: Final = r"([01]\d|2[0-3]):[0-5]\d(:[0-5]\d(\.\d+)?)?"
_STAMP_PATTERN: Final = r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(:\d\d(\.\d+)?)?([Zz]|[+-]\d\d:\d\d)?"
_DATE_PATTERN: Final = r"\d{4}-\d\d-\d\d"
_MOMENT_PATTERN: Final = rf"^(\+[0-9P].*|{_TIME_PATTERN}|{_STAMP_PATTERN})$"


def _unitless(value: Any, info: ValidationInfo) -> bool:
    """Say whether a value is a bare number in what a person wrote; 0 needs no unit."""
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and value != 0 and bool((info.context or {}).get("clock"))


def _duration(value: Any, info: ValidationInfo) -> Any:
    if isinstance(value, str):
        return parse_duration(value)
    if _unitless(value, info):
        raise ValueError("a bare number has no unit: write 90s, 1h30m, 500ms or PT30S")
    return value


def _span(value: Any, info: ValidationInfo) -> Any:
    clock = (info.context or {}).get("clock")
    return clock.span(value) if clock and isinstance(value, str) else _duration(value, info)


def _moment(value: Any, info: ValidationInfo) -> Any:
    if _unitless(value, info):
        raise ValueError('a bare number is no time: write "21:40", "+2h30m" or 2026-06-12T21:40:00')
    if not isinstance(value, str):
        return value
    if clock := (info.context or {}).get("clock"):
        return clock.moment(value)
    if value.startswith("+"):
        return parse_duration(value[1:])
    raise ValueError("a clock time needs the scenario's `starts` and `zone`: give them, or an offset such as +2h30m")


def _end_date(value: Any) -> Any:
    """Read a date alone as the first instant of that day."""
    return f"{value}T00:00:00" if isinstance(value, str) and re.fullmatch(_DATE_PATTERN, value, re.ASCII) else value


def _not_before_the_start(ticks: int) -> int:
    if ticks < 0:
        raise ValueError(f"this lies {say(-ticks)} before the scenario starts")
    return ticks


def _within_a_century(ticks: int) -> int:
    if abs(ticks) > LONGEST:
        raise ValueError("this lies more than 100 years from the start")
    return ticks


def _say_moment(ticks: int, info: SerializationInfo) -> str:
    """Write a moment as an offset from the start; before the start as an instant, which needs the clock.

    Whoever has to tell moments from other texts asks for a mark ``behind`` each.
    """
    if ticks >= 0 or not info.context:
        return f"+{say(ticks)}{(info.context or {}).get('behind', '')}"
    instant: str = info.context["clock"].local(ticks).astimezone(UTC).isoformat()
    return instant.replace("+00:00", "Z")


Duration = Annotated[
    int,
    BeforeValidator(_duration),
    Field(ge=0),
    PlainSerializer(say, return_type=str, when_used="json"),
    WithJsonSchema({"kind": "duration", "type": ["string", "integer"], "pattern": _DURATION_PATTERN, "maximum": 0}),
]
"""Ticks; written 90s, 1h30m, 500ms or PT30S; 0 needs no unit."""

PositiveDuration = Annotated[
    int,
    BeforeValidator(_duration),
    Field(gt=0),
    PlainSerializer(say, return_type=str, when_used="json"),
    WithJsonSchema({"kind": "positive-duration", "type": "string", "pattern": _DURATION_PATTERN}),
]
"""Ticks above 0, written like a Duration."""

Span = Annotated[
    int,
    BeforeValidator(_span),
    Field(gt=0),
    PlainSerializer(say, return_type=str, when_used="json"),
    WithJsonSchema({"kind": "span", "type": "string", "pattern": _SPAN_PATTERN}),
]
"""Ticks above 0 from the start on, written like a Duration, or in days of the zone (P1D)."""

EarlyMoment = Annotated[
    int,
    BeforeValidator(_moment),
    AfterValidator(_within_a_century),
    PlainSerializer(_say_moment, return_type=str, when_used="json"),
    WithJsonSchema({"kind": "early-moment", "type": ["string", "integer"], "pattern": _MOMENT_PATTERN, "maximum": 0}),
]
"""Ticks from the start; may be negative: only where something may well have happened before the night."""

EndDate = Annotated[
    int,
    BeforeValidator(_moment),
    BeforeValidator(_end_date),
    AfterValidator(_within_a_century),
    PlainSerializer(_say_moment, return_type=str, when_used="json"),
    WithJsonSchema(
        {
            "kind": "end-date",
            "type": ["string", "integer"],
            "pattern": rf"^(\+[0-9P].*|{_TIME_PATTERN}|{_STAMP_PATTERN}|{_DATE_PATTERN})$",
            "maximum": 0,
        }
    ),
]
"""An EarlyMoment that may also be written as a date alone: the first instant of that day."""

Moment = Annotated[
    int,
    BeforeValidator(_moment),
    AfterValidator(_within_a_century),
    AfterValidator(_not_before_the_start),
    PlainSerializer(_say_moment, return_type=str, when_used="json"),
    WithJsonSchema({"kind": "moment", "type": ["string", "integer"], "pattern": _MOMENT_PATTERN, "maximum": 0}),
]
"""Ticks from the start; written 21:40 (the first such time from the start on), +2h30m, or a full local time."""

Share = Annotated[float, Field(ge=0, le=1)]
"""A share from 0 to 1."""

Speed = Annotated[float, Field(gt=0, le=1000)]
"""How much work is done in a unit of time, as a multiple of a worker at speed 1."""

Count = Annotated[int, Field(ge=0, le=10_000_000)]
"""A whole number of things."""


def _name(value: str) -> str:
    if not value or value != value.strip() or not value.isprintable() or len(value) > 200:
        raise ValueError("a name is 1 to 200 printable characters without blanks at its ends")
    return value


def one_line(value: str) -> str:
    """Take a text of one line; a line end at its end is left away.

    Raises:
        ValueError: when more lines follow.
    """
    first, *more = value.splitlines() or [""]
    if more or not first.strip():
        raise ValueError(f"{len(more) + 1} lines stand here: one line is wanted" if more else "a text is wanted")
    return first


def _new_name(value: str) -> str:
    if bad := re.search(r"[./#{}]", _name(value)):
        raise ValueError(
            f"a name may not hold {bad[0]!r}: paths (queues.night), parts of systems (archive/shelf), "
            "jobs (entry#3) and {templates} are written with it"
        )
    return value


Name = Annotated[
    str, AfterValidator(_name), WithJsonSchema({"kind": "name", "type": "string", "minLength": 1, "maxLength": 200})
]
"""The name of something that is defined elsewhere, or of equipment."""

NewName = Annotated[
    str,
    AfterValidator(_new_name),
    WithJsonSchema({"kind": "new-name", "type": "string", "pattern": r"^[^./#{}]{1,200}$"}),
]
"""The name of something that is defined here."""


def _template(value: str) -> str:
    if not value or len(value) > 1000:
        raise ValueError("write 1 to 1000 characters, such as {volume}")
    if re.search(r"[{}]", re.sub(r"\{[^{}]+\}", "", value)):
        raise ValueError(f"{value!r} has a brace without its partner, or nothing between two: write {{name}}")
    return value


Template = Annotated[
    str,
    AfterValidator(_template),
    WithJsonSchema({"kind": "template", "type": "string", "minLength": 1, "maxLength": 1000}),
]
"""Text in which {names} are filled in."""


def _time_of_day(value: str) -> str:
    if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", value, re.ASCII):
        raise ValueError(f'{value!r} is not a time of day: write "05:00", from "00:00" to "23:59"')
    return value


TimeOfDay = Annotated[
    str,
    AfterValidator(_time_of_day),
    WithJsonSchema({"kind": "time-of-day", "type": "string", "pattern": r"^([01]\d|2[0-3]):[0-5]\d$"}),
]
"""HH:MM on the wall."""


def _bound(value: Any) -> float | int:
    if isinstance(value, str) and not value.endswith("%"):  # as summaries write a share: that is no slip of a duration
        return parse_duration(value)
    if isinstance(value, int | float) and not isinstance(value, bool) and -1e300 < value < 1e300:
        return float(value)
    raise PydanticCustomError("unfit", "a number, or a duration such as 3h, is wanted")


Bound = Annotated[
    float | int,
    PlainValidator(_bound),
    PlainSerializer(lambda value: say(value) if isinstance(value, int) else value, when_used="json"),
    WithJsonSchema({"kind": "bound", "type": ["string", "number"], "pattern": _DURATION_PATTERN}),
]
"""A float is a number; an int is a duration in ticks (mind that only the type tells the two apart)."""
