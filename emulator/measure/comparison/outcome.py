"""How did many nights come out, for whoever acts on it: an exit code, a build, a colour?

The law: nothing that was asked for and did not hold, or was not judged, comes out as good. Nor does what rests on
nights of which some failed to run.
"""

from typing import Literal

from emulator.measure.comparison.frontier import Frontier
from emulator.measure.comparison.result import Comparison, Share
from emulator.measure.comparison.shares import ALL
from emulator.measure.comparison.sizing import Sizing

__all__ = ["Outcome", "outcome_of", "outcome_of_size"]

Outcome = Literal["good", "bad", "open", "nothing_asked"]
"""good: it is shown, or a variant is recommended. bad: something does not hold, or no variant qualifies. open: too few
nights to decide, or nothing could be judged. nothing_asked: no requirement is stated."""


def outcome_of(comparison: Comparison) -> Outcome:
    """Say how a comparison came out, or many nights of one scenario."""
    advice = comparison.recommendation
    if comparison.lost:
        return "bad"
    if advice is not None:
        if advice.answer in ("take", "tie"):
            return "good"
        if advice.answer == "none":
            return "bad"
        return "nothing_asked" if advice.answer == "nothing_asked" else "open"
    return _of_shares(tuple(one for one in comparison.shares if one.requirement != ALL))


def _of_shares(shares: tuple[Share, ...]) -> Outcome:
    verdicts = {one.verdict for one in shares}
    if not verdicts:
        return "nothing_asked"
    if "does_not_hold" in verdicts:
        return "bad"
    return "open" if "undecided" in verdicts or verdicts == {"nothing_to_judge"} else "good"


def outcome_of_size(found: Sizing | Frontier) -> Outcome:
    """Say how a search for a size, or for two numbers, came out."""
    if isinstance(found, Frontier):
        good = bool(found.recommended)
    else:
        good = found.smallest is not None or found.largest is not None
    if good:
        return "good"
    return "bad" if all(one.verdict == "does_not_hold" for one in found.tried) else "open"
