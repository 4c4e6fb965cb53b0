"""What does a board that decides on a change have to know, beside what nights can show?"""

from collections.abc import Iterator
from datetime import date
from typing import Annotated, Any, Final

from pydantic import AfterValidator, BeforeValidator, Field

from emulator.scenario.values import Mistake, Model, one_line

__all__ = ["Brief"]


def _day(value: Any) -> Any:
    if not isinstance(value, str):
        raise ValueError("a date such as 2026-07-01 is wanted")
    try:
        day = date.fromisoformat(value)
    except ValueError:
        day = None
    if day is None or day.isoformat() != value:
        raise ValueError(f"{value[:40]!r} is no date: write 2026-07-01")
    return value


def _paragraph(value: str) -> str:
    """Take a text of one or several lines as one paragraph."""
    words = " ".join(value.split())
    if not words:
        raise ValueError("a text is wanted")
    return words


_MOST_LINES: Final = 10

_Line = Annotated[str, AfterValidator(one_line)]
_Text = Annotated[str, AfterValidator(_paragraph)]


class Brief(Model):
    """What whoever asks for a change tells a board, for `queuedrill brief`. What is left out is shown as not stated."""

    question: _Line | None = Field(
        default=None, min_length=1, max_length=200, description="What is asked of the board, in one sentence."
    )
    purpose: _Text | None = Field(default=None, min_length=1, max_length=300, description="Why it is asked.")
    scope: _Text | None = Field(
        default=None, min_length=1, max_length=300, description="What changes, and what stays as it is."
    )
    impact: _Text | None = Field(
        default=None, min_length=1, max_length=300, description="Who would notice if it went wrong, and how."
    )
    way_back: _Text | None = Field(
        default=None, min_length=1, max_length=400, description="How to go back, and until when that can be done."
    )
    risk_owner: _Line | None = Field(
        default=None, min_length=1, max_length=120, description="Who owns the risk that remains: a role or a name."
    )
    review: Annotated[str, BeforeValidator(_day)] | None = Field(
        default=None, description="The date on which the decision is looked at again, such as 2026-07-01."
    )
    not_looked_at: tuple[Annotated[_Line, Field(min_length=1, max_length=120)], ...] = Field(
        default=(),
        strict=False,
        description="What else was not looked at, beside what the program finds by itself; 10 lines at most.",
    )

    def mistakes(self) -> Iterator[Mistake]:
        if (many := len(self.not_looked_at)) > _MOST_LINES:
            yield ("not_looked_at",), f"{many} lines stand here: {_MOST_LINES} at most"
