"""The verdict of a comparison in one sentence, and whether everything held that had to.

The law: a comparison stands by what it recommends (``emulator.measure.comparison.shares``). What so few nights leave
open has not been shown.
"""

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Final

from emulator.measure.comparison.paired import called, change
from emulator.measure.comparison.result import Comparison, Difference, Share
from emulator.measure.comparison.shares import ALL, Outcome, outcome_of
from emulator.measure.comparison.sizing import Sizing
from emulator.measure.comparison.wanted import label_of
from emulator.show.comparison.answer import answer, capital
from emulator.show.comparison.nights import nights_answer

__all__ = ["asked_of", "holds", "sentence", "sentences", "size_holds"]

_HOLDS: Final[Mapping[Outcome, bool | None]] = MappingProxyType(
    {"good": True, "bad": False, "open": None, "nothing_asked": None}
)


def asked_of(comparison: Comparison) -> list[Share]:
    """Give everything that had to hold, by variant."""
    candidates = comparison.variants[1:] or comparison.variants
    every = (*comparison.shares, *comparison.not_worse)
    return [one for one in every if one.variant in candidates and one.requirement != ALL]


def holds(comparison: Comparison) -> bool | None:
    """Say whether a variant is recommended, or with one variant whether all that had to hold does; None: it is open."""
    return _HOLDS[outcome_of(comparison)]


def size_holds(sizing: Sizing) -> bool:
    """Say whether a value was found."""
    return sizing.smallest is not None or sizing.largest is not None


def sentence(comparison: Comparison) -> str:
    """Say the answer."""
    return " ".join(sentences(comparison))


def sentences(comparison: Comparison) -> tuple[str, ...]:
    """Say the answer, sentence by sentence."""
    told = answer(comparison)
    if not told:
        return nights_answer(comparison)
    differ = (_differences(comparison),) if len(told) == 1 else ()
    return (*_without_a_night(comparison), *told, *differ)


def _without_a_night(comparison: Comparison) -> list[str]:
    """Name the variants that have no night left: what is said of differences says nothing of them."""
    told = []
    for variant in comparison.variants:
        lost = [one for one in comparison.lost if one.variant == variant]
        if lost and len(lost) == comparison.nights:
            told.append(f"Nothing is known of {called(variant)}: every night failed to run ({lost[0].why}).")
    return told


def _differences(comparison: Comparison) -> str:
    base = comparison.baseline
    words: dict[str, dict[str, list[str]]] = {}
    for one in comparison.differences:
        if one.effect in ("better", "worse"):
            words.setdefault(one.variant, {}).setdefault(one.effect, []).append(_by(one))
    if not words:
        if all(one.effect == "same" for one in comparison.differences):
            return f"No variant differs from {called(base)} in any compared figure."
        return f"No variant shows a clear difference from {called(base)}."
    parts = []
    for variant in comparison.variants[1:]:
        if found := words.get(variant):
            parts.append(f"{capital(called(variant))} {_beside(found, called(base))}")
    shown, more = parts[:4], len(parts) - 4
    if more > 0:
        shown.append(f"{more} more variant{' differs' if more == 1 else 's differ'}")
    return ". ".join(shown) + "."


def _by(one: Difference) -> str:
    """Write a figure with how far it is from the baseline's."""
    bound = "at least " if one.at_least_pairs or one.at_most_pairs else ""
    return (
        label_of(one.measure)
        if one.mean is None
        else f"{label_of(one.measure)} {bound}{change(one.mean, one.unit, one.measure)}"
    )


def _beside(found: Mapping[str, Sequence[str]], base: str) -> str:
    """Say what a variant is beside the baseline, from the figures in which it is better, and worse."""
    better, worse = found.get("better", ()), found.get("worse", ())
    if not worse:
        return f"beats {base}{_where(better)}"
    if not better:
        return f"is worse than {base}{_where(worse)}"
    return f"differs from {base}: better in {_count(better)}, worse in {_count(worse)}"


def _where(figures: Sequence[str]) -> str:
    return f": {figures[0]}" if len(figures) == 1 else f" in {len(figures)} figures"


def _count(figures: Sequence[str]) -> str:
    return f"one ({figures[0]})" if len(figures) == 1 else f"{len(figures)} figures"
