"""What do the nights that have been run say so far, in a few words, for whoever waits for the others?

The law: it is the answer that these nights alone would give, marked as not final; it decides nothing.
"""

from collections.abc import Callable

from emulator.measure.comparison.paired import called
from emulator.measure.comparison.result import Comparison
from emulator.measure.comparison.shares import ALL
from emulator.measure.comparison.sizing import Frontier, Sizing

__all__ = ["SoFar", "comparison_so_far", "frontier_so_far", "size_so_far"]

SoFar = Callable[[str], None]
"""Told, from time to time, the answer so far in a few words."""


def comparison_so_far(comparison: Comparison) -> str:
    """Say what a comparison, or many nights of one scenario, come to so far."""
    advice = comparison.recommendation
    if advice is None:
        every = next((one for one in comparison.shares if one.requirement == ALL), None)
        return "" if every is None else f"so far kept in {every.held:,} of {every.judged:,} nights"
    if advice.answer == "tie":
        return f"so far a tie of {len(advice.recommended)} variants"
    if advice.answer not in ("take", "too_few_nights", "none"):
        return ""
    one = advice.standing_of(advice.leads)
    seen = f"{called(one.variant)}: {one.kept:,} of {one.judged:,} nights kept"
    words = {"take": "so far take", "too_few_nights": "so far undecided, in front", "none": "so far none, closest"}
    return f"{words[advice.answer]} {seen}"


def size_so_far(sizing: Sizing) -> str:
    """Say what a search for a size comes to so far."""
    taken = sizing.smallest if sizing.searched == "smallest" else sizing.largest
    if taken is not None:
        return f"so far {taken} is the {sizing.searched} that is enough ({sizing.nights:,} nights each)"
    best = max(sizing.tried, key=lambda one: one.held / one.judged if one.judged else -1.0)
    return f"so far none is shown, closest {best.value}: {best.held:,} of {best.judged:,} nights kept"


def frontier_so_far(frontier: Frontier) -> str:
    """Say what a search for two numbers comes to so far."""
    found = sum(1 for one in frontier.points if one.second is not None)
    each = f"{frontier.nights:,} nights each"
    return f"so far {found} of {len(frontier.points)} values have a second one that is enough ({each})"
