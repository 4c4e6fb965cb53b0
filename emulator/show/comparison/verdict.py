"""What came of a comparison, in one sentence, and did everything hold that had to?

The law: a variant that is tried has to hold what is asked of it. The baseline stands for what is there today, so its
own requirements decide only when there is nothing beside it. What cannot be told from so many nights has not been
shown.
"""

from collections.abc import Sequence

from emulator.measure.comparison.result import Comparison, Share
from emulator.measure.comparison.saying import called
from emulator.measure.comparison.shares import ALL
from emulator.measure.comparison.sizing import Sizing
from emulator.measure.comparison.wanted import label_of

__all__ = ["asked_of", "holds", "sentence", "size_holds"]


def asked_of(comparison: Comparison) -> list[Share]:
    """Give everything that had to hold, by variant."""
    candidates = comparison.variants[1:] or comparison.variants
    every = (*comparison.shares, *comparison.not_worse)
    return [one for one in every if one.variant in candidates and one.requirement != ALL]


def holds(comparison: Comparison) -> bool | None:
    """Say whether all that had to hold does; None when nothing had to, or there was nothing to judge."""
    verdicts = {one.verdict for one in asked_of(comparison)} - {"nothing_to_judge"}
    if comparison.lost:
        return False
    return verdicts == {"holds"} if verdicts else None


def size_holds(sizing: Sizing) -> bool:
    """Say whether a value was found."""
    return sizing.smallest is not None


def sentence(comparison: Comparison) -> str:
    """Say the verdict in one sentence."""
    asked = [one for one in asked_of(comparison) if one.verdict != "nothing_to_judge"]
    bad = [one for one in asked if one.verdict == "does_not_hold"]
    open_ = [one for one in asked if one.verdict == "undecided"]
    if len(comparison.variants) == 1:
        return _of_nights(comparison, asked, bad, open_)
    text = _without_a_night(comparison) + _differences(comparison)
    if comparison.lost:
        many = len(comparison.lost)
        text += f" {many} night{' was' if many == 1 else 's were'} lost."
    if bad:
        text += f" Does not hold: {_named(bad)}."
    elif open_:
        text += f" Cannot be told from so few nights: {_named(open_)}."
    elif asked:
        text += " All that is asked of the variants holds."
    return text


def _without_a_night(comparison: Comparison) -> str:
    """Name the variants that have no night left: what is said of differences says nothing of them."""
    text = ""
    for variant in comparison.variants:
        lost = [one for one in comparison.lost if one.variant == variant]
        if lost and len(lost) == comparison.nights:
            text += f"Nothing is known of {called(variant)}, all its nights came to nothing ({lost[0].why}). "
    return text


def _of_nights(comparison: Comparison, asked: Sequence[Share], bad: Sequence[Share], open_: Sequence[Share]) -> str:
    nights = f"{comparison.nights:,} nights" if comparison.nights != 1 else "1 night"
    if comparison.lost:
        return f"{len(comparison.lost)} of {nights} came to nothing."
    if not asked:
        return f"Nothing was asked of {nights}."
    many = f"{len(asked)} requirement{'' if len(asked) == 1 else 's'}"
    if bad:
        return (
            f"It does not hold: {len(bad)} of {many} {'is' if len(bad) == 1 else 'are'} missed too often, in {nights}."
        )
    if open_:
        return f"It cannot be told from {nights}: {len(open_)} of {many} may hold or not."
    return (
        f"It holds: {'the one requirement is' if len(asked) == 1 else f'all {many} are'} met often enough, in {nights}."
    )


def _differences(comparison: Comparison) -> str:
    base = comparison.baseline
    words: dict[str, dict[str, list[str]]] = {}
    for one in comparison.differences:
        if one.effect in ("better", "worse"):
            words.setdefault(one.variant, {}).setdefault(one.effect, []).append(label_of(one.measure))
    if not words:
        if all(one.effect == "same" for one in comparison.differences):
            return f"No variant differs from {called(base)} in any compared figure."
        return f"No variant is shown to be better or worse than {called(base)} at this precision."
    parts = []
    for variant in comparison.variants[1:]:
        if found := words.get(variant):
            sides = [f"{effect} in {_count(found[effect])}" for effect in ("better", "worse") if effect in found]
            parts.append(f"{called(variant)} is {' and '.join(sides)}")
    shown, more = parts[:4], len(parts) - 4
    return f"Beside {called(base)}: {'; '.join(shown)}{f'; and {more} more variants differ' if more > 0 else ''}."


def _count(measures: list[str]) -> str:
    return measures[0] if len(measures) == 1 else f"{len(measures)} figures"


def _named(found: Sequence[Share]) -> str:
    names = list(dict.fromkeys(f"{one.asks} under {called(one.variant)}" for one in found))
    return "; ".join(names[:3]) + (f"; and {len(names) - 3} more" if len(names) > 3 else "")
