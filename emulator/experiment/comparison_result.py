"""The results that a comparison or a search for a size gives to its caller."""

from dataclasses import dataclass, fields
from typing import Any

from emulator.measure.comparison.result import Comparison
from emulator.measure.comparison.sizing import Frontier, Sizing
from emulator.show.comparison.exports import (
    comparison_json,
    frontier_json,
    holds,
    rows,
    sentence,
    size_holds,
    sizing_json,
)
from emulator.show.comparison.screens import comparison_page, frontier_page, sizing_page
from emulator.show.layout import WIDTH, Page

__all__ = ["ComparisonResult", "FrontierResult", "SizingResult"]


@dataclass(frozen=True, slots=True, eq=False)
class ComparisonResult(Comparison):
    """What many nights under one or more settings say: ``print(result)`` shows what the command shows.

    Made by ``compare`` and ``nights``.
    """

    @classmethod
    def of(cls, comparison: Comparison) -> "ComparisonResult":
        """Make one of a comparison."""
        return cls(**{field.name: getattr(comparison, field.name) for field in fields(comparison)})

    @property
    def holds(self) -> bool | None:
        """Whether everything that the variants have to hold does; None when nothing had to."""
        return holds(self)

    @property
    def sentence(self) -> str:
        """The verdict in one sentence."""
        return sentence(self)

    def summary(self, *, everything: bool = False, width: int = WIDTH) -> Page:
        """Write it: ``as_text()`` gives it as text, ``write(file)`` shows it.

        Args:
            everything: write every figure with its intervals, not the first screen alone.
            width: how wide tables may be, in columns; sentences keep within 80.
        """
        return comparison_page(self, everything=everything, width=width)

    def page(self) -> str:
        """Write it as one HTML page that needs no network; the same comparison gives the same bytes."""
        from emulator.show.comparison.document import comparison_document

        return comparison_document(self)

    def rows(self) -> list[dict[str, Any]]:
        """Give a row for each figure and variant as a dict, times in seconds."""
        return rows(self)

    def as_json(self) -> dict[str, Any]:
        """Give all of it as plain data for ``json.dumps``."""
        return comparison_json(self)

    def _repr_html_(self) -> str:
        """Show it in a notebook: a small table and a picture."""
        from emulator.show.notebook import comparison_html

        return comparison_html(self)

    def __str__(self) -> str:
        return self.summary().as_text()


@dataclass(frozen=True, slots=True)
class SizingResult(Sizing):
    """What a search for the smallest value came to: ``print(result)`` shows what the command shows.

    Made by ``size``.
    """

    @classmethod
    def of(cls, sizing: Sizing) -> "SizingResult":
        """Make one of a search."""
        return cls(**{field.name: getattr(sizing, field.name) for field in fields(sizing)})

    @property
    def holds(self) -> bool:
        """Whether a value was found."""
        return size_holds(self)

    def summary(self, *, everything: bool = False, width: int = WIDTH) -> Page:
        """Write it: ``as_text()`` gives it as text, ``write(file)`` shows it.

        Args:
            everything: write every value and each requirement, not the first screen alone.
            width: how wide tables may be, in columns; sentences keep within 80.
        """
        return sizing_page(self, everything=everything, width=width)

    def rows(self) -> list[dict[str, Any]]:
        """Give a row for each value that was tried, as a dict."""
        found: list[dict[str, Any]] = self.as_json()["tried"]
        return found

    def as_json(self) -> dict[str, Any]:
        """Give all of it as plain data for ``json.dumps``."""
        return sizing_json(self)

    def _repr_html_(self) -> str:
        """Show it in a notebook: a small table and a picture."""
        from emulator.show.notebook import sizing_html

        return sizing_html(self)

    def __str__(self) -> str:
        return self.summary().as_text()


@dataclass(frozen=True, slots=True)
class FrontierResult(Frontier):
    """What a search for two numbers came to: ``print(result)`` shows what the command shows.

    Made by ``frontier``.
    """

    @classmethod
    def of(cls, frontier: Frontier) -> "FrontierResult":
        """Make one of a search."""
        return cls(**{field.name: getattr(frontier, field.name) for field in fields(frontier)})

    @property
    def holds(self) -> bool:
        """Whether a pair was found."""
        return bool(self.recommended)

    def summary(self, *, everything: bool = False, width: int = WIDTH) -> Page:
        """Write it: ``as_text()`` gives it as text, ``write(file)`` shows it.

        Args:
            everything: write every pair and each requirement, not the first screen alone.
            width: how wide tables may be, in columns; sentences keep within 80.
        """
        return frontier_page(self, everything=everything, width=width)

    def rows(self) -> list[dict[str, Any]]:
        """Give a row for each pair that was tried, as a dict."""
        found: list[dict[str, Any]] = self.as_json()["tried"]
        return found

    def as_json(self) -> dict[str, Any]:
        """Give all of it as plain data for ``json.dumps``."""
        return frontier_json(self)

    def __str__(self) -> str:
        return self.summary().as_text()
