"""What is the answer of a comparison, in two sentences? Which variant to take, and how sure that is.

The law: every name and number is read from the recommendation or from the nights themselves, and an interval that is
told here is the one that the table tells. One night met or missed a requirement; of many nights it is said in how many
it was kept.
"""

from collections.abc import Sequence
from math import ceil, floor
from typing import Final

from emulator.measure.comparison.intervals import Interval
from emulator.measure.comparison.paired import called, change, reach
from emulator.measure.comparison.result import CandidateStanding, Comparison, LeaderDifference, Recommendation
from emulator.measure.comparison.wanted import label_of
from emulator.measure.words import value
from emulator.show.comparison.words import night_count
from emulator.show.fault_words import listed
from emulator.show.meta import NOT_RANDOM

__all__ = ["OF_EVERY_NIGHT", "all_kept", "answer", "at_least", "capital", "difference_in_words", "negated", "to_show"]

OF_EVERY_NIGHT: Final = "It is asked of every night; `in_share: 0.9` would ask it of nine in ten."
"""Said where a requirement was kept in some nights, and misses because others missed it."""
_MOST_WORDS: Final = 30
_EVERY_NIGHT: Final = 0.9
"""The share of all nights that is shown where every night is asked for."""


def answer(comparison: Comparison) -> tuple[str, ...]:
    """Give the answer in at most two sentences, and one more if the comparison was cut short; () without variants."""
    advice = comparison.recommendation
    if advice is None:
        return ()
    told = {
        "take": _take,
        "tie": _tie,
        "too_few_nights": _too_few,
        "none": _none,
        "not_judged": _not_judged,
        "nothing_asked": _nothing_asked,
    }[advice.answer](advice)
    if advice.cut_short:
        told.append(f"Cut short after {advice.nights:,} of {advice.planned:,} nights.")
    return tuple(told)


def _take(advice: Recommendation) -> list[str]:
    one = advice.standing_of(advice.leads)
    others = [it for it in advice.standings if it.verdict == "qualifies"]
    alone = not others and one.kept == one.judged and _candidates(advice) > 1
    kept = f"{'the only variant that' if alone else 'it'} kept {all_kept(one)} in {_nights(one, advice)}"
    if not others:
        return [f"Take {called(one.variant)}: {kept}.", _sure(advice, one)]
    return [_with_share(f"Take {called(one.variant)}: {kept}", advice, [one]), _dropped(advice, others)]


def _with_share(text: str, advice: Recommendation, of: Sequence[CandidateStanding], *, fails: bool = False) -> str:
    """End a sentence with the share of all nights that each keeps at least, or where it fails at most, if it fits."""
    known = [one.interval for one in of if one.interval is not None]
    lows = [one.low for one in known if one.low is not None and not fails]
    highs = [one.high for one in known if one.high is not None and fails]
    if not advice.random or len(lows or highs) < len(of):
        return f"{text}."
    bound = f"at most {ceil(max(highs) * 1000 - 1e-9) / 10:g} %" if fails else f"at least {at_least(min(lows))}"
    longer = f"{text} ({bound} of all, {value(advice.confidence, 'share')} sure)."
    return longer if len(longer.split()) <= _MOST_WORDS else f"{text}."


def _candidates(advice: Recommendation) -> int:
    return sum(1 for one in advice.standings if not one.what_if)


def all_kept(one: CandidateStanding) -> str:
    """Name all requirements of a variant: ``its requirement``, ``both requirements``, ``all 3 requirements``."""
    count = len(one.requirements)
    return {1: "its requirement", 2: "both requirements"}.get(count, f"all {count} requirements")


def _nights(one: CandidateStanding, advice: Recommendation) -> str:
    if not advice.random:
        return "its night" if one.judged == 1 else f"each of {one.judged:,} nights"
    if one.kept == one.judged:
        return f"all {one.judged:,} nights" if one.judged > 1 else "1 of 1 night"
    return f"{one.kept:,} of {night_count(one.judged)}"


def at_least(share: float) -> str:
    """Write a share that is not exceeded, rounded down.

    >>> at_least(0.9349), at_least(1.0)
    ('93 %', '100 %')
    """
    return f"{floor(share * 100 + 1e-9)} %"


def _sure(advice: Recommendation, one: CandidateStanding) -> str:
    """Say how sure that is, or who is cheaper and not decided."""
    if advice.open_ahead:
        names = listed([called(name) for name in advice.open_ahead])
        be = "is" if len(advice.open_ahead) == 1 else "are"
        return f"{capital(names)} would be preferred and {be} still open: too few nights."
    if not advice.random or one.interval is None or one.interval.low is None:
        return NOT_RANDOM
    many = f", for {advice.candidates} variants together" if advice.candidates > 1 else ""
    share = at_least(one.interval.low)
    them = "it" if len(one.requirements) == 1 else "them"
    return f"At least {share} of all nights keep {them} ({value(advice.confidence, 'share')} sure{many})."


def _dropped(advice: Recommendation, others: Sequence[CandidateStanding]) -> str:
    """Say of the variant that dropped out last by what, and of how many more that they qualify too."""
    if advice.open_ahead:
        return _sure(advice, advice.standing_of(advice.leads))
    last = max(others, key=lambda one: one.dropped_by if one.dropped_by is not None else -1)
    if len(others) > 1 and last.dropped_by is not None:
        names = listed([called(one.variant) for one in others])
        step = advice.steps[last.dropped_by]
        return f"{capital(names)} qualify too; {label_of(step.measure)} decides."
    if last.dropped_by is None:
        return f"{capital(called(last.variant))} qualifies too."
    measure = advice.steps[last.dropped_by].measure
    found = next((it for it in advice.differences if (it.measure, it.variant) == (measure, last.variant)), None)
    by = "" if found is None else f" {difference_in_words(found)}"
    return f"{capital(called(last.variant))} qualifies too, with {label_of(measure)}{by}."


def difference_in_words(it: LeaderDifference, *, turned: bool = False) -> str:
    """Write a difference with its interval; ``turned``: that of the leader from the variant."""
    if it.mean is None:
        return "not known"
    mean = -it.mean if turned else it.mean
    if it.interval is None or it.interval.low == it.interval.high or it.against == "same":
        return change(mean, it.unit, it.measure)
    return reach(negated(it.interval) if turned else it.interval, it.unit, it.measure)


def negated(one: Interval) -> Interval:
    """Turn an interval of a difference into that of the other way round.

    >>> negated(Interval(-3, None, 0.95))
    Interval(low=None, high=3, confidence=0.95)
    """
    return Interval(None if one.high is None else -one.high, None if one.low is None else -one.low, one.confidence)


def _tie(advice: Recommendation) -> list[str]:
    names = listed([called(name) for name in advice.recommended])
    first = advice.standing_of(advice.recommended[0])
    all_of = all(advice.standing_of(name).kept == first.kept for name in advice.recommended)
    how = f"kept {all_kept(first)} in {_nights(first, advice)}" if all_of else f"keep {all_kept(first)} often enough"
    both = "both " if len(advice.recommended) == 2 else ""
    ahead = f" {_sure(advice, first)}" if advice.open_ahead else ""
    text = _with_share(f"Tie: {names} {both}{how}", advice, [advice.standing_of(name) for name in advice.recommended])
    compared = listed([label_of(measure) for measure in advice.prefer], 3)
    alike = f"Compared by {compared}, they do not clearly differ." if compared else "Nothing is preferred."
    return [text, ahead.strip() or f"{alike} --prefer FIGURE chooses by another."]


def _too_few(advice: Recommendation) -> list[str]:
    one = advice.standing_of(advice.leads)
    spotless = one.kept == one.judged and not one.lost
    led = "no miss in " if spotless else f"{one.kept:,} of "
    end = "" if spotless else f" kept{f' and {night_count(one.lost)} lost' if one.lost else ''}"
    text = f"Too few nights to decide: {called(one.variant)} leads with {led}{night_count(one.judged)}{end}."
    enough = advice.enough
    if enough is None or enough.nights is None:
        why = "a night failed to run" if one.lost else "it misses about as often as is allowed"
        return [text, f"No number of nights is known that decides: {why}."]
    asked = max((to_show(it.asked) for it in one.requirements if it.standing == "open"), default=_EVERY_NIGHT)
    low = 0.0 if one.interval is None or one.interval.low is None else one.interval.low
    shows = f"That shows at least {at_least(low)} of all nights; " if low >= 0.01 else ""
    if enough.without_a_miss:
        then = f"{night_count(enough.nights)} without a miss would show {value(asked, 'share')}."
    else:
        then = f"about {night_count(enough.nights)} would probably show {value(asked, 'share')}."
    return [text, capital(shows + then)]


def to_show(asked: float | None) -> float:
    """Give the share of all nights that has to be shown: of every night, or all of them, nine in ten."""
    return _EVERY_NIGHT if asked is None or asked >= 1 else asked


def _none(advice: Recommendation) -> list[str]:
    one = advice.standing_of(advice.leads)
    kept = f"{one.kept:,} of {night_count(one.judged)} kept everything" if advice.random else "it misses the least"
    missed = [it for it in one.requirements if it.standing == "missed"]
    text = f"No variant qualifies: {called(one.variant)} comes closest, {kept}"
    by_share = bool(missed) and all(it.asked is not None and it.asked < 1 for it in missed)
    text = _with_share(text, advice, [one], fails=True) if by_share else f"{text}."
    if not missed:
        return [text, "More nights will not help."]
    named = max(missed, key=lambda it: it.judged - it.held)
    more = f", and {len(missed) - 1} more requirement{'' if len(missed) == 2 else 's'}" if len(missed) > 1 else ""
    every = named.asked is None and 0 < named.held < named.judged
    return [text, f"It misses: {named.label}{more}. {OF_EVERY_NIGHT if every else 'More nights will not help.'}"]


def _not_judged(advice: Recommendation) -> list[str]:
    names = [one for one in advice.standings if one.standing == "not_judged"]
    unjudged = [it.label for one in names[:1] for it in one.requirements if it.standing == "not_judged"]
    what = f": {unjudged[0]}" if unjudged else ""
    return ["Nothing is recommended: no night had anything to judge.", f"What could not be judged{what}."]


def _nothing_asked(_: Recommendation) -> list[str]:
    return ["Nothing is recommended, because no requirement is stated."]


def capital(text: str) -> str:
    """Begin a sentence with a capital letter."""
    return text[:1].upper() + text[1:]
