"""Judges in what share of nights each requirement holds, and the outcome of many nights.

A night in which a requirement had nothing to judge counts neither way, and such nights are told. The verdict is that of
``preference``: by the exact interval that holds for all candidates together.

The law: nothing that was asked for and did not hold, or was not judged, comes out as good. Nor does what rests on
nights of which some failed to run.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from emulator.measure.comparison.intervals import Interval, share_interval
from emulator.measure.comparison.paired import called, nights, say_verdict, sure
from emulator.measure.comparison.preference import (
    confidence_of_each,
    nights_at_rate,
    nights_without_a_miss,
    standing,
)
from emulator.measure.comparison.result import VERDICTS, Comparison, Share, ShareVerdict
from emulator.measure.comparison.sizing import Frontier, Sizing
from emulator.measure.comparison.wanted import PlayedNight, of_requirement
from emulator.measure.occurrences import Asked
from emulator.measure.requirements import has_bound, say_requirement, words_of
from emulator.measure.words import value

__all__ = [
    "ALL",
    "Outcome",
    "nights_enough",
    "outcome_of",
    "outcome_of_size",
    "shares",
]


ALL: Final = "all requirements"
"""What stands in the place of a requirement for all of them at once."""

_SEEDS: Final = 10


def shares(
    variant: str,
    requirements: Sequence[Asked],
    replications: Iterable[PlayedNight],
    confidence: float,
    *,
    candidates: int = 1,
    random: bool = True,
) -> tuple[Share, ...]:
    """Judge the requirements of one variant over its nights: each that has a bound, then all of them together.

    Args:
        variant: the name of the variant.
        requirements: all that the scenario has under it, in order.
        replications: its nights, none of which failed, by seed.
        confidence: of each interval for itself, and of those of all candidates together.
        candidates: how many share that confidence.
        random: whether anything is random; if not, one night decides.
    """
    level = _Level(confidence, candidates, random)
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
                level,
            ),
            requirements[place],
        )
        for place in places
    ]
    together = [(night.seed, _all_of([night.held[place] for place in places])) for night in played]
    return (*single, _all(variant, together, [one.verdict for one in single], level))


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


@dataclass(frozen=True, slots=True)
class _Level:
    """How sure the intervals are: each for itself, and all candidates together; without chance there is none."""

    confidence: float
    candidates: int
    random: bool

    def intervals(self, held: int, judged: int) -> tuple[Interval, Interval | None]:
        """Give the interval of a share for itself, and that for all candidates together, if one is needed."""
        alone = share_interval(held, judged, self.confidence)
        if not self.random:
            return alone, None
        return alone, share_interval(held, judged, confidence_of_each(self.confidence, self.candidates))

    @property
    def words(self) -> str:
        """How sure, in words."""
        of = f", for {self.candidates} candidates together" if self.candidates > 1 else ""
        return f"({sure(self.confidence)}{of})"


def _span(together: Interval) -> str:
    """Write what an interval shows."""
    low, high = value(together.low or 0.0, "share"), value(1.0 if together.high is None else together.high, "share")
    return f"{low} to {high} of all nights"


def _share(
    requirement: Asked,
    variant: str,
    answers: Sequence[tuple[int, bool | None]],
    asked: float | None,
    level: _Level,
) -> Share:
    text, words = say_requirement(requirement), words_of(requirement)
    held, judged, unjudged, missed = _counts(answers)
    if not judged:
        sentence = f"{called(variant)}: nothing to judge of {words} in any of {nights(unjudged)}."
        return Share(text, variant, 0, 0, None, asked, "nothing_to_judge", sentence, label=words)
    alone, together = level.intervals(held, judged)
    verdict = VERDICTS[standing(held, judged, asked, together)]
    why = _why(verdict, held, judged, asked, together, level)
    seen = f"{held} of {nights(judged)} kept it{why}.{_not_judged(unjudged)}"
    said = f"{called(variant)}: {words}: {say_verdict(verdict)}. {seen}"
    return Share(text, variant, held, judged, alone, asked, verdict, said, missed, label=words, together=together)


def _why(
    verdict: ShareVerdict, held: int, judged: int, asked: float | None, together: Interval | None, level: _Level
) -> str:
    """Say why a verdict is so, and with too few nights how many would do."""
    if together is None:
        return ", and nothing in it is random"
    every = asked is None or asked >= 1
    if every and held < judged:
        return ", and it is asked of every one"
    seen = f"; {_span(together)} do {level.words}"
    if verdict != "undecided":
        return seen
    enough = nights_enough(held, judged, asked, level.candidates, level.confidence)
    if held == judged:
        return f"{seen}. {nights(enough or 0)} in all would be enough if none is missed"
    if enough is None:
        return f"{seen}. It is kept about as often as is asked, so no number of nights is known to be enough"
    return f"{seen}. About {nights(enough)} in all would be enough if it goes on like this"


def nights_enough(held: int, judged: int, asked: float | None, candidates: int, confidence: float) -> int | None:
    """Give how many nights in all would show an open requirement: without a miss, or if it goes on as before.

    None where it is missed about as often as is allowed: then no number is known.

    >>> nights_enough(20, 20, None, 1, 0.95), nights_enough(45, 46, 0.9, 3, 0.95), nights_enough(9, 10, 0.9, 1, 0.95)
    (36, 115, None)
    """
    if held == judged:
        return nights_without_a_miss(candidates, asked, confidence)
    return nights_at_rate(held, judged, asked or 1.0, candidates, confidence)


def _not_judged(unjudged: int) -> str:
    return f" {unjudged} more night{'' if unjudged == 1 else 's'} had nothing to judge." if unjudged else ""


def _all(
    variant: str, answers: Sequence[tuple[int, bool | None]], verdicts: Sequence[ShareVerdict], level: _Level
) -> Share:
    held, judged, unjudged, missed = _counts(answers)
    if not judged:
        sentence = f"{called(variant)}: nothing to judge in any of {nights(unjudged)}."
        return Share(ALL, variant, 0, 0, None, None, "nothing_to_judge", sentence)
    order: tuple[ShareVerdict, ...] = ("does_not_hold", "undecided", "holds")
    verdict = next(one for one in order if one in verdicts)
    words = {
        "holds": "all requirements are kept as often as is asked",
        "undecided": "too few nights to decide whether all requirements are kept as often as is asked",
    }
    alone, together = level.intervals(held, judged)
    so = "" if together is None else f", so {_span(together)} do {level.words}"
    how = words.get(verdict, "not all requirements are kept as often as is asked")
    sentence = f"{called(variant)}: {how}. {held} of {nights(judged)} kept all at once{so}.{_not_judged(unjudged)}"
    return Share(ALL, variant, held, judged, alone, None, verdict, sentence, missed, together=together)


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
