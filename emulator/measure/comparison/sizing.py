"""Finds the smallest values of one or two numbers that are large enough, or the largest that fit.

The law: every pair is tried on the same nights, and the intervals are for all pairs together. A pair is recommended
among those on the frontier alone: the one with the fewest planned worker-hours, and where these do not differ those of
which no other has a smaller value without a larger one beside it. Where nobody can choose the first number, such as how
many jobs come, and where the largest second one is looked for, the answer is the frontier itself.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import floor
from typing import Any, Final, Literal

from emulator.measure.comparison.intervals import Interval, share_interval
from emulator.measure.comparison.preference import nights_at_rate, nights_without_a_miss, standing
from emulator.measure.comparison.result import VERDICTS, ShareVerdict
from emulator.measure.words import number
from emulator.measure.words import value as say

__all__ = [
    "Frontier",
    "FrontierPoint",
    "Search",
    "Searched",
    "Sized",
    "SizedRequirement",
    "Sizing",
    "conclude_frontier",
    "conclude_sizing",
    "is_monotone",
    "sized",
]


Searched = Literal["smallest", "largest"]
"""Which value is looked for: the smallest that is large enough, or the largest that is not too large."""


@dataclass(frozen=True, slots=True)
class SizedRequirement:
    """One requirement with one value that was tried.

    Attributes:
        requirement: with the name of its measure; ``label`` in words, for screens.
        label: see ``requirement``.
        held: in how many nights it held, of ``judged`` in which there was something to judge.
        judged: see ``held``.
    """

    requirement: str
    label: str
    held: int
    judged: int


@dataclass(frozen=True, slots=True)
class Sized:
    """One value that was tried.

    Attributes:
        value: what was set.
        held: in how many nights all requirements held at once, of ``judged``.
        judged: see ``held``.
        interval: the exact interval of the share, at a confidence that holds for all values at once (Bonferroni).
        verdict: whether they hold in the asked share of nights with it.
        missed_seeds: the first seeds, ten at most, with which one was missed.
        requirements: each of them by itself, in the scenario's order.
        worker_hours: the worker-hours that are planned with it; None where they are not known.
    """

    value: Any
    held: int
    judged: int
    interval: Interval | None
    verdict: ShareVerdict
    missed_seeds: tuple[int, ...]
    requirements: tuple[SizedRequirement, ...] = ()
    worker_hours: float | None = None


@dataclass(frozen=True, slots=True)
class Sizing:
    """What a search for the smallest value that is large enough came to.

    Attributes:
        title: the scenario's title.
        file: the scenario, as given.
        path: the dotted path that was set.
        share: in what share of nights all requirements must hold at once.
        confidence: of all intervals together.
        nights: nights with each value.
        first_seed: the seed of the first night.
        tried: each value, in the order given.
        smallest: the first value with which they hold in the asked share; None when none does, or the largest is asked.
        monotone: whether the shares never fell from one value to the next by more than chance explains (never rose,
            where the largest is asked).
        changes: what was set on the command line, each as the option was given.
        absent: for the values with which a worker is not there that a fault or an action is aimed at: which.
        sentence: the answer for a person, with the evidence for it and for the value before it.
        random: whether anything in the nights was drawn by chance; if not, one night with each value decides.
        searched: for the ``smallest`` value or for the ``largest``.
        largest: the last value with which they hold in the asked share; None when none does, or the smallest is asked.
    """

    title: str
    file: str
    path: str
    share: float
    confidence: float
    nights: int
    first_seed: int
    tried: tuple[Sized, ...]
    smallest: Any
    monotone: bool
    sentence: str
    changes: tuple[str, ...] = ()
    absent: tuple[tuple[Any, tuple[str, ...]], ...] = ()
    random: bool = True
    searched: Searched = "smallest"
    largest: Any = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """A search for the smallest value, or the largest: what was tried, and what its nights came to.

    Attributes:
        title, file, share, confidence, nights, first_seed, changes, absent: see ``Sizing``.
        paths: of the number that was set, or of two.
        values: what was tried, in order; of two numbers pairs: for each value of the first, each of the second.
        held: for each value, by seed, whether all requirements held in that night (None: nothing to judge).
        random: whether anything in the nights was drawn by chance.
        requirements: for each value, each requirement by itself.
        worker_hours: for each value, the planned worker-hours.
        searched: for the smallest value or for the largest.
        choose: whether somebody can choose the (first) value; of how much work comes, the smallest value says little.
    """

    title: str
    file: str
    paths: tuple[str, ...]
    share: float
    confidence: float
    nights: int
    first_seed: int
    values: Sequence[Any]
    held: Sequence[Sequence[tuple[int, bool | None]]] = ()
    changes: tuple[str, ...] = ()
    absent: tuple[tuple[Any, tuple[str, ...]], ...] = ()
    random: bool = True
    requirements: Sequence[Sequence[SizedRequirement]] = ()
    worker_hours: Sequence[float | None] = ()
    searched: Searched = "smallest"
    choose: bool = True


def conclude_sizing(of: Search) -> Sizing:
    """Put a search for one number together."""
    each = 1 - (1 - of.confidence) / len(of.values)
    tried = tuple(
        sized(value, answers, of.share, each, random=of.random)
        for value, answers in zip(of.values, of.held, strict=True)
    )
    if of.requirements:
        tried = tuple(replace(one, requirements=tuple(each)) for one, each in zip(tried, of.requirements, strict=True))
    if of.worker_hours:
        tried = tuple(replace(one, worker_hours=hours) for one, hours in zip(tried, of.worker_hours, strict=True))
    ahead = tried if of.searched == "smallest" else tried[::-1]  # the values in the order in which they are looked at
    found = next((place for place, one in enumerate(ahead) if one.verdict == "holds"), None)
    monotone = is_monotone(ahead)
    taken = None if found is None else ahead[found].value
    sentence = _sentence(of, ahead, found, monotone)
    return Sizing(
        of.title,
        of.file,
        of.paths[0],
        of.share,
        of.confidence,
        of.nights,
        of.first_seed,
        tried,
        taken if of.searched == "smallest" else None,
        monotone,
        sentence,
        of.changes,
        of.absent,
        of.random,
        of.searched,
        taken if of.searched == "largest" else None,
    )


def sized(
    value: Any, answers: Sequence[tuple[int, bool | None]], share: float, confidence: float, *, random: bool
) -> Sized:
    """Judge one value by its nights; ``answers``: by seed, whether all requirements held (None: nothing to judge)."""
    judged = [(seed, one) for seed, one in answers if one is not None]
    missed = tuple(seed for seed, one in judged if not one)
    held = len(judged) - len(missed)
    if not judged:
        return Sized(value, 0, 0, None, "nothing_to_judge", ())
    interval = share_interval(held, len(judged), confidence)
    verdict = VERDICTS[standing(held, len(judged), share, interval if random else None)]
    return Sized(value, held, len(judged), interval, verdict, missed[:10])


def is_monotone(ahead: Sequence[Sized]) -> bool:
    """Say whether the shares never fall, in the order in which values are looked at, by more than chance explains."""
    return not any(_above(ahead[before], ahead[after]) for after in range(len(ahead)) for before in range(after))


def _above(one: Sized, other: Sized) -> bool:
    """Say whether the share with one value is above that with another by more than chance explains."""
    if one.interval is None or other.interval is None:
        return False
    return (one.interval.low or 0.0) > (1.0 if other.interval.high is None else other.interval.high)


def _sentence(of: Search, tried: Sequence[Sized], found: int | None, monotone: bool) -> str:
    """Say the answer; ``tried`` in the order in which values are looked at, ``found`` the place of the one to take."""
    path, share, confidence, searched, random = of.paths[0], of.share, of.confidence, of.searched, of.random
    asked = f"{say(share, 'share')} asked, {say(confidence, 'share')} sure"
    alike = len(tried) > 1 and len({(one.held, one.judged) for one in tried}) == 1
    if found is None:
        best = max(tried, key=lambda one: one.held / one.judged if one.judged else 0.0)
        open_ones = [one for one in tried if one.verdict == "undecided"]
        text = f"No {path} that was tried is shown to keep the requirements"
        if not best.judged:
            return f"{text}: nothing could be judged."
        if alike:
            text += f", and none is better than another. With each, {_seen(best)}"
        else:
            text += f": {best.value} comes closest. {_seen(best)}"
        text += f" ({asked})" if random else ""
        if open_ones:
            many = ", ".join(str(one.value) for one in open_ones)
            text += f". Too few nights to decide on {many}"
            if best.held == best.judged and best.verdict == "undecided":
                enough = nights_without_a_miss(len(tried), share, confidence)
                text += f"; {enough:,} nights without a miss would show {'it' if len(open_ones) == 1 else 'one'}"
    elif all(one.verdict == "holds" for one in tried) and len(tried) > 1:
        if alike:
            how = (
                f"in {tried[found].held:,} of {tried[found].judged:,} nights with each" if random else "with each value"
            )
            text = (
                f"Take any: every {path} that was tried keeps the requirements, {how}. In this range it does not matter"
            )
        else:
            beyond = "Smaller" if searched == "smallest" else "Larger"
            text = f"Take {tried[found].value}: every {path} that was tried keeps the requirements. "
            text += f"{beyond} values were not tried and may do too"
    else:
        one = tried[found]
        only = "the first that was tried, and it" if found == 0 else f"the {searched} {path} that"
        how = f"{_seen(one)} ({asked})" if random else "Nothing in it is drawn, so one night decides"
        ahead_of_it = tried[found - 1] if found else one
        if ahead_of_it.verdict == "undecided":
            only, how = (
                f"the {searched} {path} shown to",
                f"{_undecided(ahead_of_it, share, confidence, len(tried))} {how}",
            )
        text = (
            f"Take {one.value}: {only} keep{'' if ahead_of_it.verdict == 'undecided' else 's'} the requirements. {how}"
        )
    if found is not None and not of.choose and searched == "smallest":
        text += ". To learn how much still fits, look for the largest instead"
    elif not monotone:
        other = "Larger" if searched == "smallest" else "Smaller"
        text += f". {other} values are not always better here: look at each"
    return text + "."


def _undecided(one: Sized, share: float, confidence: float, values: int) -> str:
    """Say that a value is undecided, and how many nights would decide where that can be told."""
    if one.held == one.judged:
        enough: int | None = nights_without_a_miss(values, share, confidence)
        then = f"{enough:,} nights without a miss would show it"
    else:
        enough = nights_at_rate(one.held, one.judged, share, values, confidence)
        then = "" if enough is None else f"about {enough:,} nights would probably show it"
    return f"{one.value} is undecided{f': {then}' if then else ''}."


def _seen(one: Sized) -> str:
    assert one.interval is not None, "some night was judged"
    low = floor(100 * (one.interval.low or 0.0) + 1e-9)
    least = f", at least {low} % of all" if low else ""
    nights = "night keeps" if one.judged == 1 else "nights keep"
    return f"{one.held:,} of {one.judged:,} {nights} them{least}"


_MOST_NAMED: Final = 3


@dataclass(frozen=True, slots=True)
class FrontierPoint:
    """What one value of the first number needs of the second, or has room for.

    Attributes:
        first: the value of the first number.
        second: the smallest value of the second with which the requirements hold in the asked share of nights, or the
            largest; None when none does.
        open: values of the second beyond that, for which there are too few nights to decide whether they hold too.
        pair: the pair that was tried, with its evidence; where none holds, the one that kept most nights.
    """

    first: Any
    second: Any
    open: tuple[Any, ...]
    pair: Sized


@dataclass(frozen=True, slots=True)
class Frontier:
    """What a search for two numbers came to.

    Attributes:
        title: the scenario's title.
        file: the scenario, as given.
        paths: the two dotted paths that were set.
        share: in what share of nights all requirements must hold at once.
        confidence: of all intervals together.
        nights: nights with each pair.
        first_seed: the seed of the first night.
        tried: each pair; its ``value`` is the two values.
        points: one for each value of the first number, in the order given.
        recommended: the pairs to choose from; one where planned worker-hours decide, and all of the frontier where
            nobody can choose the first number, or the largest is looked for.
        monotone: whether, for each value of the first number, the shares never fell from one value of the second to the
            next by more than chance explains (never rose, where the largest is asked).
        sentence: the answer for a person.
        changes: what was set on the command line, each as the option was given.
        absent: for the pairs with which a worker is not there that a fault or an action is aimed at: which.
        random: whether anything in the nights was drawn by chance; if not, one night with each pair decides.
        searched: for the ``smallest`` second value or for the ``largest``.
    """

    title: str
    file: str
    paths: tuple[str, str]
    share: float
    confidence: float
    nights: int
    first_seed: int
    tried: tuple[Sized, ...]
    points: tuple[FrontierPoint, ...]
    recommended: tuple[tuple[Any, Any], ...]
    monotone: bool
    sentence: str
    changes: tuple[str, ...] = ()
    absent: tuple[tuple[Any, tuple[str, ...]], ...] = ()
    random: bool = True
    searched: Searched = "smallest"


def conclude_frontier(of: Search) -> Frontier:
    """Put a search for two numbers together."""
    each = 1 - (1 - of.confidence) / len(of.values)
    tried = tuple(
        replace(sized(pair, answers, of.share, each, random=of.random), requirements=tuple(its), worker_hours=hours)
        for pair, answers, its, hours in zip(of.values, of.held, of.requirements, of.worker_hours, strict=True)
    )
    rows: dict[str, list[Sized]] = {}
    for one in tried:
        rows.setdefault(str(one.value[0]), []).append(one)
    ahead = [row if of.searched == "smallest" else row[::-1] for row in rows.values()]
    points = tuple(map(_point, ahead))
    monotone = all(map(is_monotone, ahead))
    choose = of.choose and of.searched == "smallest"
    chosen = [one for one in points if one.second is not None]
    if choose and chosen:
        chosen = _chosen(chosen, [str(one.value[1]) for one in next(iter(rows.values()))])
    sentence = _sentence_of_pairs(of, tried, points, chosen, choose=choose)
    if not monotone:
        sentence += f" {'Larger' if of.searched == 'smallest' else 'Smaller'} values are not always better here."
    return Frontier(
        of.title,
        of.file,
        (of.paths[0], of.paths[1]),
        of.share,
        of.confidence,
        of.nights,
        of.first_seed,
        tried,
        points,
        tuple((one.first, one.second) for one in chosen),
        monotone,
        sentence,
        of.changes,
        of.absent,
        of.random,
        of.searched,
    )


def _point(row: Sequence[Sized]) -> FrontierPoint:
    """Give the point of one value of the first number; the pairs in the order in which they are looked at."""
    place = next((place for place, one in enumerate(row) if one.verdict == "holds"), None)
    beyond = row if place is None else row[:place]
    is_open = tuple(one.value[1] for one in beyond if one.verdict == "undecided")
    pair = max(row, key=lambda one: one.held / one.judged if one.judged else -1.0) if place is None else row[place]
    return FrontierPoint(row[0].value[0], None if place is None else pair.value[1], is_open, pair)


def _chosen(found: list[FrontierPoint], seconds: Sequence[str]) -> list[FrontierPoint]:
    """Choose on the frontier."""
    hours = [one.pair.worker_hours for one in found]
    if None not in hours:
        fewest = min(hours, key=lambda it: it or 0.0)
        found = [one for one in found if one.pair.worker_hours == fewest]
    kept: list[FrontierPoint] = []
    for one in found:  # a larger first value is worth it only with a smaller second one
        if not kept or seconds.index(str(one.second)) < seconds.index(str(kept[-1].second)):
            kept.append(one)
    return kept


def _sentence_of_pairs(
    of: Search,
    tried: Sequence[Sized],
    points: Sequence[FrontierPoint],
    chosen: Sequence[FrontierPoint],
    *,
    choose: bool,
) -> str:
    (first, second), share, confidence, searched, random = of.paths, of.share, of.confidence, of.searched, of.random
    asked = f"{say(share, 'share')} asked, {say(confidence, 'share')} sure"
    if not chosen:
        best = max(tried, key=lambda one: one.held / one.judged if one.judged else -1.0)
        x, y = best.value
        is_open = sum(1 for one in tried if one.verdict == "undecided")
        more = f" Too few nights to decide on {is_open} pair{'' if is_open == 1 else 's'}" if is_open else ""
        if best.held == best.judged and best.verdict == "undecided":
            enough = nights_without_a_miss(len(tried), share, confidence)
            more += f"; {enough:,} nights without a miss would show {'it' if is_open == 1 else 'one'}"
        alike = len({(one.held, one.judged) for one in tried}) == 1 and len(tried) > 1
        which = ", and none is better than another" if alike else f": {first} {x} with {second} {y} comes closest"
        how = _pairs_seen(tried if alike else [best], random=random) + (f" ({asked})" if random else "")
        return f"No pair is shown to keep the requirements{which}. {how}.{f'{more}.' if more else ''}"
    seen = _pairs_seen([one.pair for one in chosen], random=random)
    how = f"{seen} ({asked})." if random else f"{seen}."
    if not choose:
        named = [f"{one.second} with {first} {one.first}" for one in chosen[:1]]
        named += [f"{one.second} with {one.first}" for one in chosen[1:_MOST_NAMED]]
        return f"{searched.capitalize()} {second} that keeps the requirements: {_listed(named, len(chosen))}. {how}"
    if len(chosen) > 1:
        named = [f"{one.first} with {one.second}" for one in chosen[:_MOST_NAMED]]
        return f"{len(chosen)} pairs will do, and no other pair is smaller: {_listed(named, len(chosen))}. {how}"
    [one] = chosen
    others = [it for it in points if it.second is not None and it is not one]
    hours = one.pair.worker_hours
    cheaper = hours is not None and any(it.pair.worker_hours not in (None, hours) for it in others)
    if cheaper:
        assert hours is not None, "that is what `cheaper` asks"
        why = f"no other that keeps the requirements plans fewer worker-hours ({number(hours)})"
    elif others:
        why = "every other that keeps the requirements is larger"
    else:
        why = "no smaller one that was tried keeps the requirements"
    return f"Take {first} {one.first} with {second} {one.second}: {why}. {how}"


def _listed(named: Sequence[str], count: int) -> str:
    more = count - len(named)
    return ", ".join(named) + (f", and {more} more" if more > 0 else "")


def _pairs_seen(pairs: Sequence[Sized], *, random: bool) -> str:
    """Say in how many nights the requirements were kept, by the pair that kept fewest."""
    if not random:
        return "Nothing in it is drawn, so one night decides"
    worst = min(pairs, key=lambda one: one.held)
    if worst.interval is None:
        return "Nothing could be judged"
    low = floor(100 * (worst.interval.low or 0.0) + 1e-9)
    least = f", at least {low} % of all" if low else ""
    each = "They keep them in " if len(pairs) > 1 else "It keeps them in "
    or_more = " or more" if any(one.held > worst.held for one in pairs) else ""
    nights = "night" if worst.judged == 1 else "nights"
    return f"{each}{worst.held:,} of {worst.judged:,} {nights}{or_more}{least}"
