"""The verdict of a comparison in one sentence, and whether everything held that had to.

The law: a comparison stands by what it recommends (``emulator.measure.comparison.outcome``). What so few nights leave
open has not been shown.
"""

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Final

from emulator.measure.comparison.outcome import Outcome, outcome_of
from emulator.measure.comparison.result import Comparison, Difference, Share
from emulator.measure.comparison.saying import called, change
from emulator.measure.comparison.shares import ALL
from emulator.measure.comparison.sizing import Sizing
from emulator.measure.comparison.wanted import label_of
from emulator.show.comparison.answer import answer, capital
from emulator.show.meta import all_of

__all__ = ["asked_of", "holds", "sentence", "size_holds"]

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
    told = answer(comparison)
    if told:
        differ = f" {_differences(comparison)}" if len(told) == 1 else ""
        return _without_a_night(comparison) + " ".join(told) + differ
    asked = [one for one in asked_of(comparison) if one.verdict != "nothing_to_judge"]
    bad = [one for one in asked if one.verdict == "does_not_hold"]
    open_ = [one for one in asked if one.verdict == "undecided"]
    return _of_nights(comparison, asked, bad, open_)


def _without_a_night(comparison: Comparison) -> str:
    """Name the variants that have no night left: what is said of differences says nothing of them."""
    text = ""
    for variant in comparison.variants:
        lost = [one for one in comparison.lost if one.variant == variant]
        if lost and len(lost) == comparison.nights:
            text += f"Nothing is known of {called(variant)}: every night failed to run ({lost[0].why}). "
    return text


def _of_nights(comparison: Comparison, asked: Sequence[Share], bad: Sequence[Share], open_: Sequence[Share]) -> str:
    nights = f"{comparison.nights:,} nights" if comparison.nights != 1 else "1 night"
    if comparison.lost:
        return f"{len(comparison.lost)} of {nights} failed to run."
    if not asked:
        return f"No requirement is stated; {nights} {'was' if comparison.nights == 1 else 'were'} run."
    many = f"{len(asked)} requirement{'' if len(asked) == 1 else 's'}"
    if bad:
        return (
            f"It does not hold: {len(bad)} of {many} {'is' if len(bad) == 1 else 'are'} missed too often, in {nights}."
        )
    if open_:
        leave = "leaves" if comparison.nights == 1 else "leave"
        return f"Too few nights to decide: {nights} {leave} {len(open_)} of {many} open."
    return f"It holds: {all_of(len(asked))}{' are' if len(asked) > 1 else ''} met often enough, in {nights}."


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
    return label_of(one.measure) if one.mean is None else f"{label_of(one.measure)} {bound}{change(one.mean, one.unit)}"


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
