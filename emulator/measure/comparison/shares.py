"""In what share of nights did the requirements hold, and is that the share that was asked for?

A night in which a requirement had nothing to judge counts neither way, and such nights are told. With ``in_share`` the
answer comes from the exact interval: it holds when the whole interval is at or above the asked share, it does not when
all of it is below, else there are too few nights to decide. Without ``in_share`` it has to hold in every night.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

from emulator.measure.comparison.intervals import share_interval
from emulator.measure.comparison.planning import nights_without_more_misses
from emulator.measure.comparison.replication import PlayedNight
from emulator.measure.comparison.result import Interval, Share, ShareVerdict
from emulator.measure.comparison.saying import CANNOT_BE_DECIDED, called, nights, say_verdict, sure
from emulator.measure.comparison.wanted import of_requirement
from emulator.measure.requirements import has_bound, say_requirement, words_of
from emulator.measure.verdict import Asked
from emulator.measure.words import value

__all__ = ["ALL", "shares"]

ALL: Final = "all requirements"
"""What stands in the place of a requirement for all of them at once."""

_SEEDS: Final = 10


def shares(
    variant: str, requirements: Sequence[Asked], replications: Iterable[PlayedNight], confidence: float
) -> tuple[Share, ...]:
    """Judge the requirements of one variant over its nights: each that has a bound, then all of them together.

    Args:
        variant: the name of the variant.
        requirements: all that the scenario has under it, in order.
        replications: its nights, none of which failed, by seed.
        confidence: of each interval for itself.
    """
    played = list(replications)
    places = [place for place, one in enumerate(requirements) if has_bound(one)]
    if not places:
        return ()
    single = [
        _bounded(
            _share(
                requirements[place],
                variant,
                [(night.seed, night.held[place]) for night in played],
                requirements[place].in_share,
                confidence,
            ),
            requirements[place],
        )
        for place in places
    ]
    together = [(night.seed, _all_of([night.held[place] for place in places])) for night in played]
    return (*single, _all(variant, together, [one.verdict for one in single], confidence))


def _bounded(share: Share, of: Asked) -> Share:
    """Say what is asked of one night."""
    figure = of_requirement(of)
    if figure is None:
        return share
    low = of.at_least if of.exactly is None else of.exactly
    high = of.at_most if of.exactly is None else of.exactly
    return replace(share, measure=figure.text, at_least=low, at_most=high)


def _all_of(held: Sequence[bool | None]) -> bool | None:
    judged = [one for one in held if one is not None]
    return all(judged) if judged else None


def _counts(held: Sequence[tuple[int, bool | None]]) -> tuple[int, int, int, tuple[int, ...]]:
    """Count the nights that held, those judged and those not, and give the first seeds that missed."""
    answers = [(seed, one) for seed, one in held if one is not None]
    missed = tuple(seed for seed, one in answers if not one)
    return len(answers) - len(missed), len(answers), len(held) - len(answers), missed[:_SEEDS]


def _share(
    requirement: Asked,
    variant: str,
    answers: Sequence[tuple[int, bool | None]],
    asked: float | None,
    confidence: float,
) -> Share:
    text, words = say_requirement(requirement), words_of(requirement)
    held, judged, unjudged, missed = _counts(answers)
    if not judged:
        sentence = f"{called(variant)}: nothing to judge of {words} in any of {nights(unjudged)}."
        return Share(text, variant, 0, 0, None, asked, "nothing_to_judge", sentence, label=words)
    interval = share_interval(held, judged, confidence)
    verdict, shown, why = _verdict(held, judged, asked, interval)
    seen = f"It held in {held} of {nights(judged)}{why}.{_not_judged(unjudged)}"
    said = f"{called(variant)}: {words}: {shown}. {seen}"
    return Share(text, variant, held, judged, interval, asked, verdict, said, missed, label=words)


def _verdict(held: int, judged: int, asked: float | None, interval: Interval) -> tuple[ShareVerdict, str, str]:
    """Give the verdict, what is shown of it, and why it is so."""
    if asked is None:
        if held == judged:
            return "holds", say_verdict("holds"), ""
        return "does_not_hold", say_verdict("does_not_hold"), ", but has to hold in every one"
    low, high = interval.low or 0.0, 1.0 if interval.high is None else interval.high
    seen = f"; it holds in {value(low, 'share')} to {value(high, 'share')} of all nights ({sure(interval.confidence)})"
    if low >= asked:
        return "holds", say_verdict("holds"), seen
    if high < asked:
        return "does_not_hold", say_verdict("does_not_hold"), seen
    enough = nights_without_more_misses(judged - held, asked, interval.confidence)
    if enough is None:
        return "undecided", CANNOT_BE_DECIDED, f"{seen}. No number of nights can decide it"
    missed = "none is missed" if held == judged else "no more are missed"
    return "undecided", say_verdict("undecided"), f"{seen}. {nights(enough)} in all would be enough if {missed}"


def _not_judged(unjudged: int) -> str:
    return f" {unjudged} more night{'' if unjudged == 1 else 's'} had nothing to judge." if unjudged else ""


def _all(
    variant: str, answers: Sequence[tuple[int, bool | None]], verdicts: Sequence[ShareVerdict], confidence: float
) -> Share:
    held, judged, unjudged, missed = _counts(answers)
    if not judged:
        sentence = f"{called(variant)}: nothing to judge in any of {nights(unjudged)}."
        return Share(ALL, variant, 0, 0, None, None, "nothing_to_judge", sentence)
    order: tuple[ShareVerdict, ...] = ("does_not_hold", "undecided", "holds")
    verdict = next(one for one in order if one in verdicts)
    words = {
        "holds": "all requirements hold as asked",
        "undecided": "too few nights to decide whether all requirements hold as asked",
    }
    interval = share_interval(held, judged, confidence)
    low, high = value(interval.low or 0.0, "share"), value(1.0 if interval.high is None else interval.high, "share")
    sentence = (
        f"{called(variant)}: {words.get(verdict, 'not all requirements hold as asked')}. {held} of {nights(judged)} "
        f"met all at once, so {low} to {high} of all nights do ({sure(confidence)}).{_not_judged(unjudged)}"
    )
    return Share(ALL, variant, held, judged, interval, None, verdict, sentence, missed)
