"""Applies the rule of recommendation to the variants of a scenario.

The whole rule, in its order; what it gives is described in ``result``.

1. Candidates are the scenario as written and its variants, without what-ifs.
2. Each requirement of each candidate is shown, missed or open (``preference``).
3. A candidate qualifies when all its requirements are shown.
4. Several qualify: the measures of ``prefer`` drop out whoever is clearly worse than the leader (``preference``).
5. One is left: take it. Several are left: a tie, named in the order as written, fewest changed keys, file order.
6. None qualifies and some are open: too few nights. The open one with the most nights kept leads, then by ``prefer``.
7. None qualifies and none is open: the one with the most nights kept comes closest.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil
from typing import Final

from emulator.measure.comparison.intervals import share_interval
from emulator.measure.comparison.preference import (
    Readings,
    against,
    all_standing,
    confidence_of_each,
    first_missed,
    nights_at_rate,
    nights_without_a_miss,
    preferred,
    standing,
)
from emulator.measure.comparison.result import (
    CandidateStanding,
    CutShort,
    Enough,
    LeaderDifference,
    Lost,
    PreferenceStep,
    Recommendation,
    RequirementStanding,
    Share,
    Standing,
    VariantVerdict,
)
from emulator.measure.comparison.wanted import PlayedNight, Wanted
from emulator.measure.occurrences import Asked
from emulator.measure.requirements import has_bound, say_requirement, words_of

__all__ = ["Candidates", "Entrant", "nights_by_default", "recommend"]

LEAST_NIGHTS: Final = 30
MOST_NIGHTS: Final = 1_000
_OF_BASELINE: Final[Mapping[str, Standing]] = {"holds": "shown", "does_not_hold": "missed", "undecided": "open"}


@dataclass(frozen=True, slots=True)
class Entrant:
    """One variant that is compared.

    Attributes:
        name: of the variant.
        changed: how many keys it changes; 0 for the scenario as written.
        what_if: it changes the world, and is never recommended.
    """

    name: str
    changed: int = 0
    what_if: bool = False


def nights_by_default(candidates: int, asked: Sequence[float | None], confidence: float = 0.95) -> int:
    """Give the nights of each variant where nobody says how many: fixed before the first of them.

    So many as show every requirement if none is missed; 30 at least, 1,000 at most.

    Args:
        candidates: how many there are; what-ifs do not count.
        asked: the share of nights that each requirement asks for; None: every night.
        confidence: of all candidates together.

    >>> nights_by_default(2, [None]), nights_by_default(6, [0.8, None]), nights_by_default(1, [0.5])
    (42, 53, 30)
    """
    needed = [nights_without_a_miss(candidates, share, confidence) for share in asked]
    return min(MOST_NIGHTS, max([LEAST_NIGHTS, *needed]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidates:
    """What the rule of recommendation decides on.

    Attributes:
        entrants: the variants that are compared, in file order, the scenario as written first.
        requirements: of each variant, in the order of ``PlayedNight.held``.
        played: every night that was played, in any order; those that failed count as lost.
        readings: of the preferred and compared figures, and of the share of jobs done, by figure and variant.
        not_worse: what became of requirements on the baseline.
        lost: nights that failed to run.
        prefer: the preferred measures, in order.
        compared: the figures whose differences from the leader are told.
        confidence: of all candidates together.
        random: whether anything in the scenario is random.
        nights: how many nights of each variant there are.
        planned: how many were asked for.
        cut_short: why there are fewer.
    """

    entrants: Sequence[Entrant]
    requirements: Mapping[str, Sequence[Asked]]
    played: Sequence[PlayedNight]
    readings: Readings
    not_worse: Sequence[Share]
    lost: Sequence[Lost]
    prefer: Sequence[Wanted]
    compared: Sequence[Wanted]
    confidence: float
    random: bool
    nights: int
    planned: int
    cut_short: CutShort = ""


def recommend(of: Candidates) -> Recommendation:
    """Apply the rule."""
    count = sum(1 for one in of.entrants if not one.what_if)
    each = confidence_of_each(of.confidence, count)
    standings = {
        one.name: _candidate(
            one, of.requirements.get(one.name, ()), of.played, of.not_worse, of.lost, each, random=of.random
        )
        for one in of.entrants
    }
    candidates = [one for one in sorted(of.entrants, key=lambda one: one.changed) if not one.what_if]
    names = [one.name for one in candidates]
    asked = any(of.requirements.get(name) for name in names)

    def by(stands: Standing) -> list[str]:
        return [name for name in names if standings[name].standing == stands]

    shown, open_ones = by("shown") if asked else [], by("open") if asked else []
    steps: tuple[PreferenceStep, ...] = ()
    enough = None
    ahead: tuple[str, ...] = ()
    recommended: tuple[str, ...] = ()
    if shown:
        recommended, steps = preferred(shown, of.prefer, of.readings, of.confidence, random=of.random)
        answer, leads = "take" if len(recommended) == 1 else "tie", recommended[0]
        ahead = tuple(
            one
            for one in open_ones
            if preferred([recommended[0], one], of.prefer, of.readings, of.confidence, random=of.random)[0] == (one,)
        )
    elif open_ones:
        answer, leads = (
            "too_few_nights",
            _first(open_ones, standings, of.prefer, of.readings, of.confidence, random=of.random),
        )
        enough = _enough(standings[leads], count, of.confidence, of.nights)
    elif asked and by("not_judged"):
        answer, leads = "not_judged", ""
    elif asked and names:
        answer, leads = "none", _first(names, standings, of.prefer, of.readings, of.confidence, random=of.random)
    else:
        answer, leads = "nothing_asked", ""
    order = [one.name for one in of.entrants]
    return Recommendation(
        answer=answer,  # type: ignore[arg-type]  # one of the literals, chosen above
        recommended=recommended,
        leads=leads,
        standings=tuple(_told(standings[name], answer, recommended, steps) for name in order),
        enough=enough,
        open_ahead=ahead,
        prefer=tuple(one.text for one in of.prefer),
        steps=tuple(replace(one, dropped=_in(order, one.dropped), left=_in(order, one.left)) for one in steps),
        differences=_differences(leads, order, of.prefer, of.compared, of.readings, of.confidence, random=of.random),
        candidates=count,
        confidence=of.confidence,
        random=of.random,
        nights=of.nights,
        planned=of.planned,
        cut_short=of.cut_short,
    )


def _in(order: Sequence[str], names: Sequence[str]) -> tuple[str, ...]:
    return tuple(name for name in order if name in names)


def _candidate(
    entrant: Entrant,
    requirements: Sequence[Asked],
    played: Sequence[PlayedNight],
    not_worse: Sequence[Share],
    lost: Sequence[Lost],
    each: float,
    *,
    random: bool,
) -> CandidateStanding:
    own = sorted((one for one in played if one.variant == entrant.name and not one.failure), key=lambda one: one.seed)
    gone = {one.seed for one in lost if one.variant == entrant.name}
    gone |= {one.seed for one in played if one.variant == entrant.name and one.failure}
    places = [place for place, one in enumerate(requirements) if has_bound(one)]
    found = [_requirement(requirements[place], place, own, each, random=random) for place in places]
    found += [_of_baseline(one) for one in not_worse if one.variant == entrant.name]
    answers = [(night.seed, _all_of([night.held[place] for place in places])) for night in own]
    judged = [held for _, held in answers if held is not None]
    misses = [one.judged - one.held for one in found]
    return CandidateStanding(
        variant=entrant.name,
        verdict="what_if" if entrant.what_if else "fails",
        what_if=entrant.what_if,
        standing=all_standing((one.standing for one in found), lost=bool(gone)),
        requirements=tuple(found),
        kept=sum(judged),
        judged=len(judged),
        interval=share_interval(sum(judged), len(judged), each) if judged and random else None,
        missed_seeds=first_missed(answers),
        misses_most=misses.index(max(misses)) if any(misses) else None,
        changed=entrant.changed,
        lost=len(gone),
    )


def _all_of(held: Sequence[bool | None]) -> bool | None:
    judged = [one for one in held if one is not None]
    return all(judged) if judged else None


def _requirement(
    requirement: Asked, place: int, nights: Sequence[PlayedNight], each: float, *, random: bool
) -> RequirementStanding:
    answers = [(night.seed, night.held[place]) for night in nights]
    judged = [held for _, held in answers if held is not None]
    held, of = sum(judged), len(judged)
    interval = share_interval(held, of, each) if of and random else None
    return RequirementStanding(
        requirement=say_requirement(requirement),
        label=words_of(requirement),
        standing=standing(held, of, requirement.in_share, interval),
        held=held,
        judged=of,
        unjudged=len(answers) - of,
        asked=requirement.in_share,
        interval=interval,
        missed_seeds=first_missed(answers),
    )


def _of_baseline(one: Share) -> RequirementStanding:
    stands = _OF_BASELINE.get(one.verdict, "not_judged")
    return RequirementStanding(one.requirement, one.asks, stands, 0, 0, 0, None, None, (), of_baseline=True)


def _first(
    names: Sequence[str],
    standings: Mapping[str, CandidateStanding],
    prefer: Sequence[Wanted],
    readings: Readings,
    confidence: float,
    *,
    random: bool,
) -> str:
    """Give who kept all requirements in the most nights; of equals who misses fewer of them, then who is preferred."""

    def kept(name: str) -> tuple[float, int, float]:
        one = standings[name]
        share = one.kept / one.judged if one.judged else 0.0
        missed = sum(1 for it in one.requirements if it.standing == "missed")
        held = sum(it.held / it.judged for it in one.requirements if it.judged)
        return share, -missed, held

    best = max(kept(name) for name in names)
    equals = [name for name in names if kept(name) == best]
    return preferred(equals, prefer, readings, confidence, random=random)[0][0]


def _enough(leader: CandidateStanding, candidates: int, confidence: float, nights: int) -> Enough:
    """Say how many nights would decide on the open candidate that leads."""
    needed: list[int | None] = []
    clean = True
    for one in leader.requirements:
        if one.standing != "open":
            continue
        if one.of_baseline:
            needed.append(None)  # the spread of a difference decides: ``Difference.shows_with`` says how many
            continue
        if one.held == one.judged:
            found: int | None = nights_without_a_miss(candidates, one.asked, confidence)
        else:
            clean = False
            found = nights_at_rate(one.held, one.judged, one.asked or 1.0, candidates, confidence)
        share = one.judged / (one.judged + one.unjudged)  # of the nights, that have something to judge
        needed.append(None if found is None else ceil(found / share))
    if leader.lost or not needed:
        return Enough(None, clean)
    known = [one for one in needed if one is not None]
    return Enough(max(known) if len(known) == len(needed) else None, clean)


def _told(
    one: CandidateStanding, answer: str, recommended: Sequence[str], steps: Sequence[PreferenceStep]
) -> CandidateStanding:
    """Give a standing with the word for it, and with what dropped it."""
    if one.what_if:
        return one
    if one.variant in recommended:
        return replace(one, verdict="take" if answer == "take" else "tie")
    if answer == "nothing_asked":
        return replace(one, verdict="nothing_asked")
    words: Mapping[Standing, VariantVerdict] = {
        "shown": "qualifies",
        "missed": "fails",
        "open": "too_few_nights",
        "not_judged": "not_judged",
    }
    dropped = next((place for place, step in enumerate(steps) if one.variant in step.dropped), None)
    return replace(one, verdict=words[one.standing], dropped_by=dropped)


def _differences(
    leads: str,
    order: Sequence[str],
    prefer: Sequence[Wanted],
    compared: Sequence[Wanted],
    readings: Readings,
    confidence: float,
    *,
    random: bool,
) -> tuple[LeaderDifference, ...]:
    """Give the difference of every figure of every other variant from the leader's, all together."""
    figures = list(dict.fromkeys([*prefer, *compared]))
    others = [name for name in order if name != leads]
    if not leads or not others:
        return ()
    each = 1 - (1 - confidence) / (len(figures) * len(others))
    found = []
    for figure in figures:
        for name in others:
            pair, how = against(figure, name, leads, readings, each, random=random)
            interval = None if pair.interval is None else replace(pair.interval, confidence=confidence)
            found.append(LeaderDifference(figure.text, name, figure.unit, pair.n, pair.mean, interval, how))
    return tuple(found)
