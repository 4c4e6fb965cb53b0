"""Gives the answer of a comparison, or of many nights of one scenario, and how sure that is.

Every name and number is read from the recommendation or from the nights themselves, and an interval that is told here
is the one that the table tells. One night met or missed a requirement; of many nights it is said in how many it was
kept.
"""

from collections.abc import Sequence
from math import ceil, floor
from typing import Final

from emulator.measure.comparison.intervals import Interval
from emulator.measure.comparison.paired import called, change, reach
from emulator.measure.comparison.result import (
    CandidateStanding,
    Comparison,
    LeaderDifference,
    Recommendation,
    Share,
    Spread,
)
from emulator.measure.comparison.shares import ALL, nights_enough
from emulator.measure.comparison.wanted import label_of, wanted
from emulator.measure.words import number, value
from emulator.scenario.variants import AS_WRITTEN
from emulator.show.comparison.words import (
    FAILED_NIGHTS,
    ONE_THAT_MISSED,
    again,
    between,
    column_of,
    interval_title,
    night_count,
    seeds,
)
from emulator.show.layout import Page, Role, as_sentence
from emulator.show.meta import NOT_RANDOM, all_of
from emulator.show.words import listed

__all__ = [
    "OF_EVERY_NIGHT",
    "WORDS",
    "all_kept",
    "answer",
    "at_least",
    "capital",
    "difference_in_words",
    "edges",
    "is_random",
    "lies",
    "negated",
    "nights_answer",
    "nights_screen",
    "shown_share",
    "to_show",
    "varies",
]


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
        return [f"Take {called(one.variant)}: {kept}.", _sure_of_candidate(advice, one)]
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


def _sure_of_candidate(advice: Recommendation, one: CandidateStanding) -> str:
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
        return _sure_of_candidate(advice, advice.standing_of(advice.leads))
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
    ahead = f" {_sure_of_candidate(advice, first)}" if advice.open_ahead else ""
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


WORDS: Final = {
    "holds": "kept",
    "does_not_hold": "fails",
    "undecided": "too few nights",
    "nothing_to_judge": "not judged",
}
_ROLES: Final[dict[str, Role]] = {"holds": "good", "does_not_hold": "bad"}
_BINS: Final = 8
_BAR: Final = 30
_MOST_ASKED: Final = 8
_MOST_FIGURES: Final = 3


def nights_answer(comparison: Comparison) -> tuple[str, ...]:
    """Give the answer in at most two sentences."""
    nights = night_count(comparison.nights)
    if comparison.lost:
        return (f"{len(comparison.lost):,} of {nights} failed to run.",)
    asked = [one for one in comparison.shares if one.requirement != ALL and one.judged]
    if not any(one.requirement != ALL for one in comparison.shares):
        return (f"No requirement is stated; {nights} {'was' if comparison.nights == 1 else 'were'} run.",)
    if not asked:
        return (f"Nothing could be judged in {nights}.",)
    decides = _deciding(comparison)
    if decides is not None and decides.verdict == "does_not_hold":
        sure = _sure(comparison, decides, "it")
        if decides.asked is None and 0 < decides.held < decides.judged:
            sure += f" {OF_EVERY_NIGHT}"
        return (f"The night fails too often: {_kept(decides)}.", sure)
    if decides is not None and decides.verdict == "undecided":
        return (f"Too few nights to decide: {_kept(decides)}.", _enough(comparison, decides))
    every = next(one for one in comparison.shares if one.requirement == ALL)
    many = f"{capital(all_of(len(asked)).removesuffix(' is'))} {'was' if len(asked) == 1 else 'were'}"
    how = f"all {nights}" if every.held == every.judged and comparison.nights > 1 else f"{every.held:,} of {nights}"
    return (
        f"The night fits often enough: {many[:1].lower()}{many[1:]} kept in {how}.",
        _sure(comparison, every, "it" if len(asked) == 1 else "them"),
    )


def _kept(one: Share) -> str:
    return f"{one.asks}: kept in {one.held:,} of {night_count(one.judged)}"


def is_random(comparison: Comparison) -> bool:
    """Say whether anything in the nights was drawn by chance."""
    return any(night.drawn for night in comparison.played)


def _interval(one: Share) -> Interval | None:
    return one.together or one.interval


def _sure(comparison: Comparison, one: Share, them: str) -> str:
    interval = _interval(one)
    if not is_random(comparison) or interval is None:
        return NOT_RANDOM
    sure = f"({value(comparison.confidence, 'share')} sure)"
    low, high = interval.low or 0.0, 1.0 if interval.high is None else interval.high
    if high >= 1:
        return f"At least {at_least(low)} of all nights keep {them} {sure}."
    return f"Between {at_least(low)} and {ceil(high * 100 - 1e-9)} % of all nights keep {them} {sure}."


def _enough(comparison: Comparison, one: Share) -> str:
    """Say how sure an open requirement is, and how many nights would do."""
    sure = _sure(comparison, one, "it").removesuffix(".")
    asked = value(to_show(one.asked), "share")
    enough = nights_enough(one.held, one.judged, one.asked, 1, comparison.confidence)
    if enough is None:
        return f"{sure}; it is missed about as often as is allowed, so no number of nights is known that decides."
    if one.held == one.judged:
        return f"{sure}; {night_count(enough)} without a miss would show {asked}."
    return f"{sure}; about {night_count(enough)} would probably show {asked}."


def _deciding(comparison: Comparison) -> Share | None:
    """Give the requirement that decides: of those that fail, or else are open, the one that was missed most."""
    for verdict in ("does_not_hold", "undecided"):
        found = [one for one in comparison.shares if one.verdict == verdict and one.requirement != ALL]
        if found:
            return max(found, key=lambda one: one.judged - one.held)
    return None


def nights_screen(page: Page, comparison: Comparison) -> None:
    """Write the first screen, up to what it says of more."""
    outcome = _deciding(comparison)
    bad = bool(comparison.lost) or (outcome is not None and outcome.verdict == "does_not_hold")
    page.say(" ".join(nights_answer(comparison)), "bad" if bad else "" if outcome is not None else "good")
    page.blank()
    of = "as written" if comparison.baseline == AS_WRITTEN else called(comparison.baseline)
    page.say(f"{as_sentence(comparison.title)} {night_count(comparison.nights)} ({seeds(comparison)}), {of}.")
    _asked(page, comparison)
    if comparison.lost:
        page.heading(FAILED_NIGHTS)
        for lost in comparison.lost[:2]:
            page.say(f"Seed {lost.seed}: {lost.why}.", "bad", indent=2, hanging=4)
    told = _why(page, comparison)
    rest = [one for one in comparison.spreads if one.measure != told and one.median is not None]
    if rest:
        page.heading("Figures")
        for one in rest[:_MOST_FIGURES]:
            page.say(f"{label_of(one.measure)}: {lies(one)}", indent=2, hanging=4)
        if len(rest) > _MOST_FIGURES:
            page.say(f"{len(rest) - _MOST_FIGURES} more figures: --all", indent=2)


def _asked(page: Page, comparison: Comparison) -> None:
    asked = [one for one in comparison.shares if one.requirement != ALL]
    if not asked:
        return
    shown = sorted(asked, key=lambda one: one.verdict == "holds")[:_MOST_ASKED] if len(asked) > _MOST_ASKED else asked
    random = is_random(comparison)
    page.blank()
    rows = [["requirement", "nights kept", *([interval_title(comparison.confidence)] if random else []), ""]]
    for one in shown:
        share = [between(_interval(one), "share")] if random else []
        rows.append([one.asks, f"{one.held:,} of {one.judged:,}", *share, WORDS[one.verdict]])
    page.table(rows, right=[1, 2] if random else [1], roles=["", *(_ROLES.get(one.verdict, "") for one in shown)])
    if len(shown) < len(asked):
        page.say(f"and {len(asked) - len(shown)} more: --all", indent=2)


def _why(page: Page, comparison: Comparison) -> str:
    """Show how the figure of the deciding requirement lies over nights, with one night that misses it."""
    decides = shown_share(comparison)
    if decides is None:
        return ""
    spread = next((one for one in comparison.spreads if one.measure == decides.measure), None)
    page.heading("Why")
    if spread is not None and spread.median is not None:
        page.say(f"{label_of(spread.measure)}: {lies(spread)}", indent=2, hanging=4)
        if varies(spread):
            _histogram(page, comparison, decides)
    if decides.missed_seeds:
        page.say(ONE_THAT_MISSED, indent=2)
        page.command(again(comparison, decides.variant, decides.missed_seeds[0]))
    return "" if spread is None else spread.measure


def shown_share(comparison: Comparison) -> Share | None:
    """Give the requirement whose figure is shown over the nights: the one that decides, else the first that varies."""
    decides = _deciding(comparison)
    if decides is not None:
        return decides
    asked = [one for one in comparison.shares if one.measure and one.requirement != ALL]
    spreads = {one.measure: one for one in comparison.spreads}
    return next((one for one in asked if varies(spreads.get(one.measure))), None)


def varies(one: Spread | None) -> bool:
    """Say whether a figure is not the same in every night."""
    return one is not None and one.least is not None and one.most is not None and one.least < one.most


def lies(one: Spread) -> str:
    """Say how a figure lies over nights: half of them, nine in ten."""
    if one.least == one.most and not one.lower_bounds and not one.absent:
        return f"{value(one.least or 0, one.unit)} in {'every night' if one.n > 1 else 'this night'}."
    parts = []
    for words, name, amount in (("median", "median", one.median), ("nine nights in ten at most", "p90", one.p90)):
        bound = "> " if name in one.lower_bounds else ""
        parts.append(f"{words} {bound}{'none' if amount is None else value(amount, one.unit)}")
    return f"{', '.join(parts)}."


def _histogram(page: Page, comparison: Comparison, decides: Share) -> None:
    """Draw how many nights had which values of a figure, and where the limit lies."""
    readings = [
        night.readings[decides.measure].value
        for night in comparison.played
        if not night.failure and decides.measure in night.readings
    ]
    values = sorted(one for one in readings if one is not None)
    low, high = float(values[0]), float(values[-1])
    unit = column_of(wanted(decides.measure).unit, values)
    bins = edges(low / unit.size, high / unit.size)
    counts = [sum(1 for one in values if first <= one / unit.size < last) for first, last in bins]
    counts[-1] += sum(1 for one in values if one / unit.size == bins[-1][1])
    most = max(counts)
    limits = [one / unit.size for one in (decides.at_least, decides.at_most) if one is not None]
    rows = []
    for (first, last), count in zip(bins, counts, strict=True):
        bar = "o" * (max(1, round(count / most * _BAR)) if count else 0)
        limit = next((f"   limit {number(one)} {unit.name}".rstrip() for one in limits if first < one <= last), "")
        rows.append([f"{number(first, 6)} to {number(last, 6)} {unit.name}".rstrip(), f"{count:,}", f"{bar}{limit}"])
    page.table([["", "nights", ""], *rows], right=[0, 1])


def edges(low: float, high: float) -> Sequence[tuple[float, float]]:
    """Part a range at round values into eight at most.

    >>> edges(3.1, 4.2)
    ((3.0, 3.2), (3.2, 3.4), (3.4, 3.6), (3.6, 3.8), (3.8, 4.0), (4.0, 4.2))
    """
    step = next(
        size * 10.0**power
        for power in range(-12, 24)
        for size in (1, 2, 2.5, 5)
        if (high - low) / (size * 10.0**power) <= _BINS - 2
    )
    first = int(low / step + 1e-9)
    last = first + 1
    while last * step < high - 1e-9 * step:
        last += 1
    return tuple((float(f"{place * step:.9g}"), float(f"{(place + 1) * step:.9g}")) for place in range(first, last))
