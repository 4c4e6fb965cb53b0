"""The first screen of many nights of one scenario: how often it kept what is asked, and how a figure lies over them."""

from collections.abc import Sequence
from math import ceil
from typing import Final

from emulator.measure.comparison.intervals import Interval
from emulator.measure.comparison.paired import called
from emulator.measure.comparison.result import Comparison, Share, Spread
from emulator.measure.comparison.shares import ALL, nights_enough
from emulator.measure.comparison.wanted import label_of, wanted
from emulator.measure.words import number, value
from emulator.scenario.variants import AS_WRITTEN
from emulator.show.comparison.answer import OF_EVERY_NIGHT, at_least, capital, to_show
from emulator.show.comparison.units import column_of
from emulator.show.comparison.words import (
    FAILED_NIGHTS,
    ONE_THAT_MISSED,
    again,
    between,
    interval_title,
    night_count,
    seeds,
)
from emulator.show.layout import Page, Role
from emulator.show.meta import NOT_RANDOM, all_of

__all__ = ["WORDS", "edges", "is_random", "lies", "nights_answer", "nights_screen", "shown_share", "varies"]

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
    title = comparison.title.rstrip(".")
    page.say(f"{title}. {night_count(comparison.nights)} ({seeds(comparison)}), {of}.")
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
