"""A comparison, or a search for a size, for machines: plain data, floats with nine significant digits."""

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any

from emulator.measure.comparison.result import Comparison
from emulator.measure.comparison.sizing import Frontier, Sizing
from emulator.show.comparison.verdict import holds, sentence, size_holds
from emulator.show.meta import SMALL_PRINT

__all__ = ["comparison_json", "frontier_json", "sizing_json"]


def comparison_json(comparison: Comparison) -> dict[str, Any]:
    """Give a comparison as plain data for ``json.dumps``; the same nights give the same bytes."""
    advice = comparison.recommendation
    return {
        "verdict": sentence(comparison),
        "holds": holds(comparison),
        "recommended": [] if advice is None else list(advice.recommended),
        **plain(comparison),
        "note": SMALL_PRINT,
    }


def sizing_json(sizing: Sizing) -> dict[str, Any]:
    """Give a search for a size as plain data for ``json.dumps``."""
    return {"verdict": sizing.sentence, "holds": size_holds(sizing), **plain(sizing), "note": SMALL_PRINT}


def frontier_json(frontier: Frontier) -> dict[str, Any]:
    """Give a search for two numbers as plain data for ``json.dumps``."""
    return {
        "verdict": frontier.sentence,
        "holds": bool(frontier.recommended),
        **plain(frontier),
        "note": SMALL_PRINT,
    }


def plain(thing: Any) -> Any:
    """Make results plain data.

    >>> plain((1 / 3, {"a": None}))
    [0.333333333, {'a': None}]
    """
    if is_dataclass(thing) and not isinstance(thing, type):
        return {field.name: plain(getattr(thing, field.name)) for field in fields(thing)}
    if isinstance(thing, Mapping):
        return {str(key): plain(value) for key, value in thing.items()}
    if isinstance(thing, tuple | list):
        return [plain(item) for item in thing]
    return float(f"{thing:.9g}") if isinstance(thing, float) else thing
