"""Which pairs of two numbers are enough: for each value of the first, the smallest (or largest) of the second?

The law: every pair is tried on the same nights, and the intervals are for all pairs together. A pair is recommended
among those on the frontier alone: the one with the fewest planned worker-hours, and where these do not differ those of
which no other has a smaller value without a larger one beside it. Where nobody can choose the first number, such as how
many jobs come, and where the largest second one is looked for, the answer is the frontier itself.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import floor
from typing import Any, Final

from emulator.measure.comparison.preference import nights_without_a_miss
from emulator.measure.comparison.sizing import Searched, Sized, SizedRequirement, is_monotone, sized
from emulator.measure.words import number
from emulator.measure.words import value as say

__all__ = ["Frontier", "FrontierPoint", "conclude_frontier"]

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


def conclude_frontier(
    *,
    title: str,
    file: str,
    paths: tuple[str, str],
    share: float,
    confidence: float,
    nights: int,
    first_seed: int,
    pairs: Sequence[tuple[Any, Any]],
    held: Sequence[Sequence[tuple[int, bool | None]]],
    requirements: Sequence[Sequence[SizedRequirement]],
    worker_hours: Sequence[float | None],
    changes: tuple[str, ...] = (),
    absent: tuple[tuple[Any, tuple[str, ...]], ...] = (),
    random: bool = True,
    searched: Searched = "smallest",
    choose: bool = True,
) -> Frontier:
    """Put a search for two numbers together.

    Args:
        pairs: what was tried: for each value of the first number, in order, each of the second.
        choose: whether somebody can choose the first number.
        held, requirements, worker_hours: for each pair, as for ``conclude_sizing``.
    """
    each = 1 - (1 - confidence) / len(pairs)
    tried = tuple(
        replace(sized(pair, answers, share, each, random=random), requirements=tuple(its), worker_hours=hours)
        for pair, answers, its, hours in zip(pairs, held, requirements, worker_hours, strict=True)
    )
    rows: dict[str, list[Sized]] = {}
    for one in tried:
        rows.setdefault(str(one.value[0]), []).append(one)
    ahead = [row if searched == "smallest" else row[::-1] for row in rows.values()]
    points = tuple(map(_point, ahead))
    monotone = all(map(is_monotone, ahead))
    choose = choose and searched == "smallest"
    chosen = [one for one in points if one.second is not None]
    if choose and chosen:
        chosen = _chosen(chosen, [str(one.value[1]) for one in next(iter(rows.values()))])
    return Frontier(
        title,
        file,
        paths,
        share,
        confidence,
        nights,
        first_seed,
        tried,
        points,
        tuple((one.first, one.second) for one in chosen),
        monotone,
        _sentence(paths, share, confidence, tried, points, chosen, searched, choose=choose, random=random)
        + (
            ""
            if monotone
            else f" {'Larger' if searched == 'smallest' else 'Smaller'} values are not always better here."
        ),
        changes,
        absent,
        random,
        searched,
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


def _sentence(
    paths: tuple[str, str],
    share: float,
    confidence: float,
    tried: Sequence[Sized],
    points: Sequence[FrontierPoint],
    chosen: Sequence[FrontierPoint],
    searched: Searched,
    *,
    choose: bool,
    random: bool,
) -> str:
    first, second = paths
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
        how = _seen(tried if alike else [best], random=random) + (f" ({asked})" if random else "")
        return f"No pair is shown to keep the requirements{which}. {how}.{f'{more}.' if more else ''}"
    seen = _seen([one.pair for one in chosen], random=random)
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


def _seen(pairs: Sequence[Sized], *, random: bool) -> str:
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
