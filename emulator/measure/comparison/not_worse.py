"""Is a variant not worse than the baseline by more than was allowed?

The answer comes from the interval of the difference that holds for all differences together: it holds when the bad end
of it is within what is allowed, it does not when even the good end is beyond, else there are too few nights to decide.
Few nights that all gave the same difference cannot tell either, unless it is none.
"""

from emulator.measure.catalogue import find
from emulator.measure.comparison.result import Difference, Interval, Share, ShareVerdict
from emulator.measure.comparison.saying import called, nights, reach, sure, why_not
from emulator.measure.comparison.wanted import label_of
from emulator.measure.requirements import say_not_worse
from emulator.measure.verdict import Asked

__all__ = ["not_worse"]


def not_worse(requirement: Asked, difference: Difference) -> Share:
    """Judge one requirement with ``not_worse_by`` by the difference of its figure."""
    assert requirement.measure is not None and requirement.not_worse_by is not None  # it has been checked
    text, words = say_not_worse(requirement)
    together = difference.together
    verdict: ShareVerdict = "undecided"
    too_few = difference.effect == "undecided" and together is not None and together.low == together.high
    if together is not None and not too_few:
        better, worse = _by_how_much_worse(together, find(requirement.measure).better)
        if worse is not None and worse <= requirement.not_worse_by:
            verdict = "holds"
        elif better is not None and better > requirement.not_worse_by:
            verdict = "does_not_hold"
    sentence = f"{called(difference.variant)}: {words}: {verdict.replace('_', ' ')}: {_seen(difference, verdict)}."
    return Share(text, difference.variant, 0, 0, None, None, verdict, sentence, label=words)


def _seen(difference: Difference, verdict: ShareVerdict) -> str:
    if difference.effect == "same":
        return f"it is the same in each of {nights(difference.n)}"
    if difference.together is None or verdict == difference.effect == "undecided":
        return why_not(difference)
    together = difference.together
    reaches = reach(together, difference.unit, difference.measure)
    return f"{label_of(difference.measure)} {reaches} ({sure(together.confidence)})"


def _by_how_much_worse(interval: Interval, better: str) -> tuple[float | None, float | None]:
    """Turn the interval of a difference into one of how much worse: its good end, then its bad end."""
    if better == "lower":
        return interval.low, interval.high
    return None if interval.high is None else -interval.high, None if interval.low is None else -interval.low
