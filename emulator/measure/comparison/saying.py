"""How is what a comparison found said to a tired person, in one sentence?"""

import math
from collections.abc import Sequence
from typing import Final

from emulator.measure.comparison.result import Difference, Interval
from emulator.measure.comparison.wanted import label_of
from emulator.measure.words import difference, number, value
from emulator.scenario.variants import AS_WRITTEN
from emulator.timeline.ticks import DAY, HOUR, MILLISECOND, MINUTE, SECOND

__all__ = ["change", "nights", "reach", "say_difference", "say_verdict", "sure", "tidy", "why_not"]

_TIDY_TIMES: Final = (
    *(step * unit for unit in (1, 10, 100, MILLISECOND, 10 * MILLISECOND, 100 * MILLISECOND) for step in (1, 2, 5)),
    *(step * unit for unit in (SECOND, MINUTE) for step in (1, 2, 5, 10, 15, 20, 30)),
    *(step * HOUR for step in (1, 2, 3, 6, 12)),
    *(step * DAY for step in (1, 2, 5, 10, 20, 50, 100)),
)
"""Times that people think in."""
_WORK: Final = frozenset(("executed", "wasted_work"))
"""Measures whose times are amounts of work."""


def tidy(amount: float, unit: str) -> float:
    """Give the round amount that is nearest to one above 0: 1, 2 or 5 and zeros, for times 1, 2, 5, 10, 15, 20, 30.

    >>> tidy(0.034, "share"), tidy(7.4, "count"), tidy(570_000_000.0, "time") / MINUTE
    (0.05, 10, 10.0)
    """
    if unit == "time":
        return min(_TIDY_TIMES, key=lambda step: abs(math.log(step / amount)))
    power = math.floor(math.log10(amount))
    steps = [float(f"{step}e{power}") for step in (1, 2, 5, 10)]
    found = min(steps, key=lambda step: abs(math.log(step / amount)))
    return int(found) if found == int(found) else found


def change(amount: float, unit: str, measure: str = "") -> str:
    """Write a difference with its direction; of an amount of work there is less or more, a time is shorter or longer.

    >>> change(-720_000_000, "time"), change(0.02, "share"), change(0, "count")
    ('12 min shorter', '2 percentage points higher', 'no difference')
    >>> change(-720_000_000, "time", "wasted_work for queue night")
    '12 min less'
    """
    if amount == 0:
        return "no difference"
    if _is_work(measure):
        less, more = "less", "more"
    else:
        less, more = ("shorter", "longer") if unit == "time" else ("lower", "higher")
    return f"{difference(abs(amount), unit)} {less if amount < 0 else more}"


def _is_work(measure: str) -> bool:
    return measure.partition(" ")[0] in _WORK


def reach(interval: Interval, unit: str, measure: str = "") -> str:
    """Write how far an interval of a difference reaches; the smaller amount first.

    >>> reach(Interval(-15, -9, 0.95), "count"), reach(Interval(-3, 5, 0.95), "count")
    ('9 to 15 lower', '3 lower to 5 higher')
    >>> reach(Interval(2, None, 0.95), "count"), reach(Interval(None, 2, 0.95), "count")
    ('at least 2 higher', 'at most 2 higher')
    >>> reach(Interval(60_000_001, 60_000_002, 0.95), "time")
    '1 min longer'
    >>> reach(Interval(0.076, 0.11, 0.95), "share")
    '7.6 to 11 percentage points higher'
    >>> reach(Interval(60_000_000, None, 0.95), "time", "wasted_work")
    'at least 1 min more'
    """
    low, high = interval.low, interval.high
    if low is None and high is None:
        return "anything"
    if low is None or high is None:
        end = low if high is None else high
        assert end is not None, "one end is known"
        if end == 0:
            return f"no difference or {'more' if high is None else 'less'}"
        beyond = (end < 0) == (low is None)  # the interval goes on away from no difference
        return f"at {'least' if beyond else 'most'} {change(end, unit, measure)}"
    if low == high or (low * high > 0 and difference(abs(low), unit) == difference(abs(high), unit)):
        return change(low, unit, measure)
    if low > 0:
        return f"{_less(low, unit)} to {change(high, unit, measure)}"
    if high < 0:
        return f"{_less(-high, unit)} to {change(low, unit, measure)}"
    return f"{change(low, unit, measure)} to {change(high, unit, measure)}"


def _less(amount: float, unit: str) -> str:
    """Write the smaller end of an interval: without its unit where the larger end says the same one."""
    return number(float(f"{amount * 100:.9g}")) if unit == "share" else difference(amount, unit)


def sure(confidence: float) -> str:
    """Write a confidence: ``95 % sure``."""
    return f"{value(confidence, 'share')} sure"


def called(variant: str) -> str:
    """Name a variant in a sentence.

    >>> called("two"), called("as written")
    ("'two'", 'the scenario as written')
    """
    return "the scenario as written" if variant == AS_WRITTEN else f"'{variant}'"


def say_verdict(verdict: str) -> str:
    """Write the verdict on a requirement of many nights.

    >>> say_verdict("holds"), say_verdict("does_not_hold"), say_verdict("undecided"), say_verdict("nothing_to_judge")
    ('kept', 'fails', 'too few nights', 'nothing to judge')
    """
    words = {"holds": "kept", "does_not_hold": "fails", "undecided": "too few nights"}
    return words.get(verdict, verdict.replace("_", " "))


def nights(count: int) -> str:
    """Write a number of nights: ``1 night``, ``40 nights``."""
    return f"{count} night{'' if count == 1 else 's'}"


def say_difference(it: Difference, size_shown: bool, constant: bool) -> str:
    """Write what one difference shows.

    Args:
        it: the difference; its sentence is not read.
        size_shown: whether the nights that were run would have shown a difference of the size that is told.
        constant: whether every night gave the same difference.
    """
    name, who = label_of(it.measure), called(it.variant)
    if it.effect == "same":
        return f"{who}: the same {name} in each of {nights(it.n)}.{_left_out(it)}"
    if it.effect == "not_compared" and it.mean is not None:
        bound = "at least " if it.at_least_pairs or it.at_most_pairs else ""
        by = f"{bound}{change(it.mean, it.unit, it.measure)}"
        return f"{who}: {name} {by}, not compared: the shorter time comes with fewer jobs done."
    if it.effect == "undecided":
        return f"{who}: no verdict on {name}: {why_not(it)}."
    assert it.mean is not None and it.together is not None  # any other effect comes from an interval
    reaches, how_sure = reach(it.together, it.unit, it.measure), sure(it.together.confidence)
    if it.effect == "no_clear_difference":
        return (
            f"{who}: no clear difference in {name}: {reaches} ({how_sure}, "
            f"for all differences together). {_more_nights(it, size_shown)}{_left_out(it)}"
        )
    bound = "at least " if it.at_least_pairs or it.at_most_pairs else ""
    text = f"{who} is {it.effect}: {name} {bound}{change(it.mean, it.unit, it.measure)}"
    if constant:
        return f"{text} in every one of {nights(it.n)}, so nothing is known of how much that varies.{_left_out(it)}"
    text += (
        f" ({sure(it.together.confidence)}: {reach(it.together, it.unit, it.measure)}, for all differences together)."
    )
    if _may_be_zero(it.together):
        text += " That interval alone allows for no difference, but Holm's sharper test of all of them shows one."
    return f"{text}{_cut_off(it)}{_left_out(it)}"


def _may_be_zero(interval: Interval) -> bool:
    return (interval.low is None or interval.low <= 0) and (interval.high is None or interval.high >= 0)


def why_not(it: Difference) -> str:
    """Write why there is no verdict on a difference."""
    if it.n == 0:
        return "no pair of nights has a value under both"
    if it.n == 1:
        return "one pair of nights has no spread: run more"
    if it.mean is not None and not it.at_least_pairs and not it.at_most_pairs:
        every = f"it is {change(it.mean, it.unit, it.measure)} in every one of {nights(it.n)}"
        return f"{every}. These are too few nights to rely on"
    parts: Sequence[tuple[int, str]] = (
        (it.unknown_pairs, "under both"),
        (it.at_least_pairs, f"under {called(it.variant)}"),
        (it.at_most_pairs, "under the baseline"),
    )
    said = " and ".join(f"{where} in {count}" for count, where in parts if count)
    return f"of {nights(it.n)}, something was unfinished {said}: let the scenario last longer"


def _more_nights(it: Difference, size_shown: bool) -> str:
    assert it.of_size is not None  # it is asked about whenever no difference is shown
    size = difference(it.of_size, it.unit)
    if it.shows_with is None:
        return f"No number of nights that can be run would detect a difference of {size}."
    if size_shown:
        return f"A difference of {size} would probably have been detected."
    return f"About {nights(_about(it.shows_with))} would detect a difference of {size} (80 times in 100)."


def _about(count: int) -> int:
    """Round up to two digits."""
    unit = int(10 ** max(0, len(str(count)) - 2))
    return -(-count // unit) * unit


def _cut_off(it: Difference) -> str:
    count = it.at_least_pairs + it.at_most_pairs
    where = called(it.variant) if it.at_least_pairs else "the baseline"
    return f" In {nights(count)} something was unfinished under {where}." if count else ""


def _left_out(it: Difference) -> str:
    return f" {it.absent} more night{'' if it.absent == 1 else 's'} had no value." if it.absent else ""
