"""What does the search say for the smallest value that is large enough, or for the largest that is not too large?"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import floor
from typing import Any, Literal

from emulator.measure.comparison.intervals import share_interval
from emulator.measure.comparison.preference import nights_at_rate, nights_without_a_miss, standing
from emulator.measure.comparison.result import VERDICTS, Interval, ShareVerdict
from emulator.measure.words import value as say

__all__ = ["Searched", "Sized", "SizedRequirement", "Sizing", "conclude_sizing", "is_monotone", "sized"]

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


def conclude_sizing(
    *,
    title: str,
    file: str,
    path: str,
    share: float,
    confidence: float,
    nights: int,
    first_seed: int,
    values: Sequence[Any],
    held: Sequence[Sequence[tuple[int, bool | None]]],
    changes: tuple[str, ...] = (),
    absent: tuple[tuple[Any, tuple[str, ...]], ...] = (),
    random: bool = True,
    requirements: Sequence[Sequence[SizedRequirement]] = (),
    worker_hours: Sequence[float | None] = (),
    searched: Searched = "smallest",
    choose: bool = True,
) -> Sizing:
    """Put a search together.

    Args:
        values: what was tried, in order.
        held: for each value, by seed, whether all requirements held in that night (None: nothing to judge).
        random: whether anything in the nights was drawn by chance.
        requirements: for each value, each requirement by itself.
        worker_hours: for each value, the planned worker-hours.
        searched: for the smallest value or for the largest.
        choose: whether somebody can choose the value; of how much work comes, the smallest value says little.
    """
    each = 1 - (1 - confidence) / len(values)
    tried = tuple(
        sized(value, answers, share, each, random=random) for value, answers in zip(values, held, strict=True)
    )
    if requirements:
        tried = tuple(replace(one, requirements=tuple(each)) for one, each in zip(tried, requirements, strict=True))
    if worker_hours:
        tried = tuple(replace(one, worker_hours=hours) for one, hours in zip(tried, worker_hours, strict=True))
    ahead = tried if searched == "smallest" else tried[::-1]  # the values in the order in which they are looked at
    found = next((place for place, one in enumerate(ahead) if one.verdict == "holds"), None)
    monotone = is_monotone(ahead)
    taken = None if found is None else ahead[found].value
    sentence = _sentence(path, share, confidence, ahead, found, monotone, searched, choose=choose, random=random)
    return Sizing(
        title,
        file,
        path,
        share,
        confidence,
        nights,
        first_seed,
        tried,
        taken if searched == "smallest" else None,
        monotone,
        sentence,
        changes,
        absent,
        random,
        searched,
        taken if searched == "largest" else None,
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


def _sentence(
    path: str,
    share: float,
    confidence: float,
    tried: Sequence[Sized],
    found: int | None,
    monotone: bool,
    searched: Searched,
    *,
    choose: bool,
    random: bool,
) -> str:
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
    if found is not None and not choose and searched == "smallest":
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
