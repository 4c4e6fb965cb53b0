"""Words that the terminal and the page share: nights, intervals, units of columns, the answer so far.

The answer so far is the one that these nights alone would give, marked as not final; it decides nothing.
"""

import shlex
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

from emulator.measure.comparison.intervals import Interval
from emulator.measure.comparison.paired import called, say_verdict
from emulator.measure.comparison.preference import DONE
from emulator.measure.comparison.result import Comparison, Difference, Share
from emulator.measure.comparison.shares import ALL
from emulator.measure.comparison.sizing import Frontier, Sized, Sizing
from emulator.measure.words import number, value
from emulator.scenario.variants import AS_WRITTEN
from emulator.show.words import spoken
from emulator.timeline.ticks import HOUR, MILLISECOND, MINUTE, SECOND

__all__ = [
    "ANSWER",
    "DOMINATED",
    "FAILED_NIGHTS",
    "LESS_DONE",
    "ONE_THAT_MISSED",
    "Column",
    "SoFar",
    "absent",
    "again",
    "between",
    "column_of",
    "comparison_so_far",
    "done_shares",
    "effect_of",
    "frontier_so_far",
    "identical",
    "interval_title",
    "night_count",
    "not_dominated",
    "seeds",
    "share_title",
    "size_so_far",
    "verdict_of",
]


ANSWER: Final = "The answer in figures"
"""The title of the table with which a page begins."""
DOMINATED: Final = "dominated by"
"""The title of the column of the variants that are no worse on both figures, and better on one."""
ONE_THAT_MISSED: Final = "One night that missed it:"
"""What stands above the command of a night."""
FAILED_NIGHTS: Final = "Nights that failed to run"

LESS_DONE: Final = "The variants do not get the same share of jobs done: one that fails jobs can look quick and cheap."
"""Said where ``done_shares`` are told."""


def again(of: Comparison, variant: str, seed: int, *, page: bool = False) -> str:
    """Give the command that runs one night of a variant, or the Python for settings that came from no file.

    Args:
        page: let it write the page of that night too.
    """
    file = of.files[of.variants.index(variant)] if len(of.files) > 1 else of.files[0]
    if file == "settings":  # made in Python: there is no file
        named = "" if variant == AS_WRITTEN else f", variant={variant!r}"
        return f"emulator.run(settings, seed={seed}{named})" + (".page()" if page else "")
    named = "" if variant in (AS_WRITTEN, file) else f" --variant {shlex.quote(variant)}"
    named += "".join(f" {change}" for change in of.changes)
    return f"queuedrill run {shlex.quote(file)}{named} --seed {seed}" + (" --page night.html" if page else "")


def between(one: Interval | None, unit: str) -> str:
    """Write an interval of a mean or a share: one value where both ends read alike, a dash if there is none.

    >>> between(Interval(0.25, None, 0.95), "share"), between(None, "share")
    ('25 % or more', '-')
    >>> between(Interval(0.25, 0.5, 0.95), "share"), between(Interval(1, 1, 0.95), "share")
    ('25 % to 50 %', '100 %')
    """
    if one is None:
        return "-"
    if one.low is None or one.high is None:
        if one.low is not None:
            return f"{value(one.low, unit)} or more"
        return "-" if one.high is None else f"{value(one.high, unit)} or less"
    low, high = value(one.low, unit), value(one.high, unit)
    return low if low == high else f"{low} to {high}"


def done_shares(of: Comparison) -> dict[str, str]:
    """Write the share of jobs done of each variant; nothing where all are alike, or the trade-off is of them anyway.

    A variant that fails jobs early ends early and wastes little: beside a trade-off it has to be said.
    """
    if DONE in of.trade_off:
        return {}
    words = {one.variant: "none" if one.done is None else value(one.done, "share") for one in of.points}
    return words if len(set(words.values())) > 1 else {}


def identical(of: Comparison) -> list[str]:
    """Name the figures that are the same under every variant in every night."""
    effects: dict[str, set[str]] = {}
    for one in of.differences:
        effects.setdefault(one.measure, set()).add(one.effect)
    return [measure for measure in of.measures if effects.get(measure) == {"same"}]


def not_dominated(of: Comparison) -> str:
    """Name the variants that no other dominates, and say what that is.

    With the share of jobs done beside each where that differs.
    """
    done = done_shares(of)
    names = [
        called(point.variant) + (f" ({done[point.variant]} done)" if done else "")
        for point in of.points
        if not point.dominated_by
    ]
    return (
        f"Dominated by no other: {', '.join(names)}. "
        "A variant dominates another that is no better on either figure, and worse on one."
    )


def interval_title(confidence: float) -> str:
    """Give the title of a column of intervals: ``95 % interval``."""
    return f"{value(confidence, 'share')} interval"


def share_title(confidence: float) -> str:
    """Give the title of a column of shares with their intervals: ``share of all nights, 95 % interval``."""
    return f"share of all nights, {interval_title(confidence)}"


def absent(value: str, workers: Sequence[str]) -> str:
    """Say that workers are not there under a value, and what comes of it.

    >>> absent("pools.dome.count = 1", ["dome-2"])
    'With pools.dome.count = 1, dome-2 is not there: what is aimed at it hits nothing.'
    """
    are, them = ("is", "it") if len(workers) == 1 else ("are", "them")
    return f"With {value}, {', '.join(workers)} {are} not there: what is aimed at {them} hits nothing."


def verdict_of(one: Share | Sized) -> str:
    """Write a verdict: ``kept``, ``fails``, ``too few nights``."""
    return say_verdict(one.verdict)


def effect_of(one: Difference) -> str:
    """Write what a difference shows: ``better``, ``worse``, ``same``, ``no clear difference``, ``too few nights``.

    Where the runs ended too early to tell, no number of nights would help: ``unfinished``.
    """
    if one.effect != "undecided":
        return spoken(one.effect)
    return "unfinished" if one.unknown_pairs or one.at_least_pairs or one.at_most_pairs else "too few nights"


def night_count(count: int) -> str:
    """Write a number of nights: ``1 night``, ``1,000 nights``."""
    return f"{count:,} night{'' if count == 1 else 's'}"


def seeds(of: Comparison) -> str:
    """Write which seeds were played: ``seed 3``, ``seeds 1 to 30``."""
    last = of.first_seed + of.nights - 1
    return f"seed {last}" if of.nights == 1 else f"seeds {of.first_seed} to {last}"


class Column(NamedTuple):
    """A unit: its name for the heading ("" for none), and how much of the figure's own unit it is."""

    name: str
    size: float

    def cell(self, amount: float | None, *, more_than: bool = False) -> str:
        """Write a value in this unit.

        >>> Column("min", MINUTE).cell(90 * SECOND), Column("%", 0.01).cell(0.995, more_than=True)
        ('1.5', '> 99.5')
        """
        if amount is None:
            return "none"
        return ("> " if more_than else "") + number(float(f"{amount / self.size:.9g}"))


def column_of(unit: str, amounts: Sequence[float | None]) -> Column:
    """Choose the unit in which the largest of some values is easy to read.

    >>> column_of("time", [90 * SECOND]).name, column_of("time", [3 * HOUR, 0]).name, column_of("share", [0.5]).name
    ('s', 'h', '%')
    """
    if unit == "share":
        return Column("%", 0.01)
    if unit != "time":
        return Column("", 1)
    most = max((abs(amount) for amount in amounts if amount is not None), default=0)
    for name, size, least in (("h", HOUR, 2 * HOUR), ("min", MINUTE, 5 * MINUTE), ("s", SECOND, SECOND)):
        if most >= least:
            return Column(name, size)
    return Column("ms", MILLISECOND)


SoFar = Callable[[str], None]
"""Told, from time to time, the answer so far in a few words."""


def comparison_so_far(comparison: Comparison) -> str:
    """Say what a comparison, or many nights of one scenario, come to so far."""
    advice = comparison.recommendation
    if advice is None:
        every = next((one for one in comparison.shares if one.requirement == ALL), None)
        return "" if every is None else f"so far kept in {every.held:,} of {every.judged:,} nights"
    if advice.answer == "tie":
        return f"so far a tie of {len(advice.recommended)} variants"
    if advice.answer not in ("take", "too_few_nights", "none"):
        return ""
    one = advice.standing_of(advice.leads)
    seen = f"{called(one.variant)}: {one.kept:,} of {one.judged:,} nights kept"
    words = {"take": "so far take", "too_few_nights": "so far undecided, in front", "none": "so far none, closest"}
    return f"{words[advice.answer]} {seen}"


def size_so_far(sizing: Sizing) -> str:
    """Say what a search for a size comes to so far."""
    taken = sizing.smallest if sizing.searched == "smallest" else sizing.largest
    if taken is not None:
        return f"so far {taken} is the {sizing.searched} that is enough ({sizing.nights:,} nights each)"
    best = max(sizing.tried, key=lambda one: one.held / one.judged if one.judged else -1.0)
    return f"so far none is shown, closest {best.value}: {best.held:,} of {best.judged:,} nights kept"


def frontier_so_far(frontier: Frontier) -> str:
    """Say what a search for two numbers comes to so far."""
    found = sum(1 for one in frontier.points if one.second is not None)
    each = f"{frontier.nights:,} nights each"
    return f"so far {found} of {len(frontier.points)} values have a second one that is enough ({each})"
