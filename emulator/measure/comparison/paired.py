"""Computes paired differences between variants and the baseline, with their intervals, tests and sentences.

The law: a pair with a side that is cut off is a bound, never dropped and never zero. If the variant's side is only
known to be more than its reading, the difference is at least what is read; if the baseline's is, at most that; if both
are, nothing is known of it. The mean of lower bounds bounds the true mean from below, and so does the low end of its
interval: such an interval is open above, and its test can show a rise only. The other way round likewise. With bounds
of both kinds, or a pair of which nothing is known, both ends are open.

Differences that are all the same have no spread, so that Student's t says nothing. Their interval has no width, and the
test is that of the signs instead: n nights fall on one side by chance once in 2**(n - 1) times.

Of all differences of a comparison together: intervals by Bonferroni's inequality, p-values by the step-down procedure
of Holm (Scandinavian Journal of Statistics 6, 1979), which shows at least as much. The family is every compared
difference, whether it can be computed or not.

A precision: ``5%`` asks that the interval of each difference, which holds for all of them together, reaches at most 5 %
of the baseline's true mean to either side. Nobody knows that mean, so the intervals are held to a little less of the
one that was seen: the share divided by 1 plus itself, 4.76 % for 5 % (A. M. Law, Simulation Modeling and Analysis, the
section on a specified precision of an estimate, from memory: if an estimate lies within g / (1 + g) of itself from the
true mean, it lies within g of the true mean from it). ``makespan=2m,wait_p90=30s`` asks it for the figures that are
named alone, in their own units. With one variant there are no differences: then the intervals of the means are held to
it.

Whoever runs nights until this is reached stops more readily where the spread happens to look small, so that the
intervals cover a little less often than they claim; they come to it as the precision grows finer (Chow and Robbins,
Annals of Mathematical Statistics 36, 1965). Looked at after each night, 95 % intervals of a normal figure that needs 20
to 100 nights covered in 89 to 92 % of simulated cases from the second night on, in 93 to 95 % from the tenth on.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import inf, sqrt
from typing import Final

from emulator.errors import InputError
from emulator.measure.comparison.intervals import (
    Interval,
    kept_within,
    nights_by_ratio,
    same,
    student_cdf,
    student_interval,
)
from emulator.measure.comparison.result import Comparison, Difference
from emulator.measure.comparison.wanted import Reading, label_of, wanted
from emulator.measure.estimate import deviation, mean
from emulator.measure.words import difference, number, value
from emulator.scenario.spelling import advise, parse_duration
from emulator.scenario.variants import AS_WRITTEN
from emulator.timeline.ticks import DAY, HOUR, MILLISECOND, MINUTE, SECOND

__all__ = [
    "Paired",
    "Precision",
    "Seen",
    "TooWide",
    "change",
    "compare_pairs",
    "each_of",
    "holm",
    "nights",
    "pair_up",
    "precision",
    "reach",
    "reached",
    "say_difference",
    "say_verdict",
    "sure",
    "tidy",
    "too_wide",
    "why_not",
]


@dataclass(frozen=True, slots=True)
class Paired:
    """The differences of pairs of nights, by seed.

    Attributes:
        differences: variant minus baseline, of the pairs of which something is known.
        sides: the readings of both nights (variant, baseline) of the pairs that are exact.
        at_least: how many of the differences are lower bounds.
        at_most: how many are upper bounds.
        unknown: pairs of which nothing is known, because both sides are cut off.
        absent: pairs with a side that gave no value.
    """

    differences: tuple[float, ...]
    sides: tuple[tuple[float, float], ...]
    at_least: int
    at_most: int
    unknown: int
    absent: int

    @property
    def n(self) -> int:
        """The pairs of which both nights gave a value."""
        return len(self.differences) + self.unknown

    @property
    def known_below(self) -> bool:
        """Whether every difference is bounded from below."""
        return not self.at_most and not self.unknown

    @property
    def known_above(self) -> bool:
        """Whether every difference is bounded from above."""
        return not self.at_least and not self.unknown

    @property
    def constant(self) -> bool:
        """Whether the differences are exact, two at least, and all the same."""
        return self.n > 1 and self.known_below and self.known_above and same(self.differences)


def pair_up(variant: Mapping[int, Reading], baseline: Mapping[int, Reading]) -> Paired:
    """Pair the readings of two variants by seed; a seed that only one of them has makes no pair.

    >>> pair_up({1: Reading(9), 2: Reading(8, True)}, {1: Reading(7), 2: Reading(7)}).differences
    (2, 1)
    """
    differences: list[float] = []
    sides: list[tuple[float, float]] = []
    at_least = at_most = unknown = absent = 0
    for seed in sorted(variant.keys() & baseline.keys()):
        one, other = variant[seed], baseline[seed]
        if one.value is None or other.value is None:
            absent += 1
        elif one.more_than and other.more_than:
            unknown += 1
        else:
            differences.append(one.value - other.value)
            at_least += one.more_than
            at_most += other.more_than
            if not one.more_than and not other.more_than:
                sides.append((one.value, other.value))
    return Paired(tuple(differences), tuple(sides), at_least, at_most, unknown, absent)


@dataclass(frozen=True, slots=True)
class Seen:
    """What the pairs of one difference show for themselves. See ``Difference`` for the fields."""

    mean: float | None
    alone: Interval | None
    together: Interval | None
    p: float | None
    variance_ratio: float | None


def each_of(confidence: float, differences: int) -> float:
    """Give the confidence of each of so many intervals with which all hold together (Bonferroni).

    >>> each_of(0.9, 4)
    0.975
    """
    return 1 - (1 - confidence) / differences


def compare_pairs(pairs: Paired, confidence: float, differences: int, most: float = inf) -> Seen:
    """Test one of ``differences`` differences for itself; no difference can be above ``most``, either way."""
    told = pairs.differences if pairs.known_below or pairs.known_above else ()
    alone = student_interval(told, confidence)
    together = student_interval(told, each_of(confidence, differences))
    open_both = None
    if pairs.n > 1 and not told:
        open_both = Interval(None, None, confidence)
    return Seen(
        mean(told) if told else None,
        _opened(alone, pairs, most) or open_both,
        _opened(together, pairs, most, confidence) or open_both,
        _p(told, pairs),
        _variance_ratio(pairs),
    )


def _opened(interval: Interval | None, pairs: Paired, most: float, confidence: float | None = None) -> Interval | None:
    """Open the ends that bounds leave unknown, cut at ``most``, and say the confidence that it is part of."""
    if interval is None:
        return None
    kept = kept_within(interval, -most, most)
    low = kept.low if pairs.known_below else None
    high = kept.high if pairs.known_above else None
    return Interval(low, high, interval.confidence if confidence is None else confidence)


def _p(told: Sequence[float], pairs: Paired) -> float | None:
    if len(told) < 2:
        return None
    middle = mean(told)
    can_show = pairs.known_below if middle > 0 else pairs.known_above
    if middle == 0 or not can_show:
        return 1.0
    if same(told):
        return 2.0 ** (1 - len(told))
    t = middle / (deviation(told) / sqrt(len(told)))
    return 2 * student_cdf(-abs(t), len(told) - 1)


def _variance_ratio(pairs: Paired) -> float | None:
    """Say how many times fewer nights the same draws need; None unless all pairs are exact and vary."""
    if pairs.n < 2 or not pairs.known_below or not pairs.known_above or same(pairs.differences):
        return None
    variant, baseline = zip(*pairs.sides, strict=True)
    apart = deviation(variant) ** 2 + deviation(baseline) ** 2
    return apart / deviation(pairs.differences) ** 2


def holm(p_values: Sequence[float | None]) -> list[float | None]:
    """Adjust p-values by Holm's step-down procedure; None counts as 1 and stays None.

    >>> holm([0.01, 0.04, None, 0.02])
    [0.04, 0.08, None, 0.06]
    """
    order = sorted(range(len(p_values)), key=lambda place: _or_one(p_values[place]))
    adjusted: list[float | None] = [None] * len(p_values)
    highest = 0.0
    for step, place in enumerate(order):
        p = p_values[place]
        if p is not None:
            highest = max(highest, min(1.0, (len(p_values) - step) * p))
            adjusted[place] = highest
    return adjusted


def _or_one(p: float | None) -> float:
    return 1.0 if p is None else p


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


@dataclass(frozen=True, slots=True)
class Precision:
    """How exactly differences are to be known.

    Attributes:
        relative: half the width of an interval, as a share of the baseline's true mean; None when figures are named.
        absolute: half the width of the interval of each figure that is named, in ticks for a time.
    """

    relative: float | None = None
    absolute: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TooWide:
    """One figure that is not known as exactly as was asked.

    Attributes:
        measure: the text that names the figure.
        variant: the variant.
        half: half the width of its interval; None when it is open or there is none yet.
        asked: what was asked for.
        about: about how many nights it would take; None when that cannot be told.
        sentence: all of that in one sentence.
    """

    measure: str
    variant: str
    half: float | None
    asked: float
    about: int | None
    sentence: str


def precision(text: str, measures: Sequence[str]) -> Precision:
    """Read what was asked for; ``measures`` are the texts of the compared figures.

    Raises:
        InputError: for anything that is no precision, or names a figure that is not compared.

    >>> precision("5%", ["makespan"])
    Precision(relative=0.05, absolute={})
    >>> precision("makespan=2m", ["makespan", "failed"]).absolute
    {'makespan': 120000000}
    >>> precision("2m", ["makespan"])
    Traceback (most recent call last):
    emulator.errors.InputError: the precision '2m' is not understood: write 5%, or makespan=2m,failed=0.5
    """
    plain = text.strip()
    if plain.endswith("%") and "=" not in plain:
        return Precision(relative=_positive(plain[:-1], plain, text) / 100)
    known = [wanted(measure).text for measure in measures]
    absolute: dict[str, float] = {}
    for part in plain.split(","):
        name, equals, amount = part.rpartition("=")
        if not equals:
            raise _not_understood(text)
        figure = wanted(name.strip())
        if figure.text not in known:
            raise InputError(f"the precision {text!r}: {figure.text} is not compared: {advise(figure.text, known)}")
        if figure.text in absolute:
            raise InputError(f"the precision {text!r} names {figure.text} twice: name it once")
        if figure.measure.unit != "time":
            absolute[figure.text] = _positive(amount, part, text)
            continue
        try:
            absolute[figure.text] = parse_duration(amount.strip())
        except ValueError as error:
            raise InputError(f"the precision {text!r}: {error}") from None
        if not absolute[figure.text]:
            raise InputError(f"the precision {text!r}: {part.strip()!r} is nothing: give more than 0")
    return Precision(absolute=absolute)


def _positive(number: str, part: str, text: str) -> float:
    try:
        found = float(number)
    except ValueError:
        raise _not_understood(text) from None
    if not 0 < found < float("inf"):
        raise InputError(f"the precision {text!r}: {part.strip()!r} is out of range: give more than 0")
    return found


def _not_understood(text: str) -> InputError:
    return InputError(f"the precision {text!r} is not understood: write 5%, or makespan=2m,failed=0.5")


def reached(asked: Precision, comparison: Comparison) -> bool:
    """Say whether every interval is as narrow as was asked."""
    return not too_wide(asked, comparison)


def too_wide(asked: Precision, comparison: Comparison) -> tuple[TooWide, ...]:
    """Give what is not known as exactly as was asked, in the order of the comparison."""
    base = {one.measure: one for one in comparison.spreads if one.variant == comparison.baseline}
    found = []
    for measure, variant, unit, n, interval in _intervals(comparison):
        middle = base[measure].mean
        if asked.relative is None and measure not in asked.absolute:
            continue
        share = None if asked.relative is None else asked.relative / (1 + asked.relative)
        limit = asked.absolute.get(measure, 0.0) if share is None else share * abs(middle or 0.0)
        half = None if interval is None else _half(interval)
        if half is None or half > limit:
            found.append(_too_wide(measure, variant, unit, n, half, limit))
    return tuple(found)


def _intervals(comparison: Comparison) -> Iterator[tuple[str, str, str, int, Interval | None]]:
    for one in comparison.differences:
        if one.n or not one.absent:  # what no pair of nights gives cannot be known any better
            yield one.measure, one.variant, one.unit, one.n, one.together
    if len(comparison.variants) == 1:
        for it in comparison.spreads:
            if it.n or not it.absent:
                yield it.measure, it.variant, it.unit, it.n, it.mean_interval


def _half(interval: Interval) -> float | None:
    return None if interval.low is None or interval.high is None else (interval.high - interval.low) / 2


def _too_wide(measure: str, variant: str, unit: str, n: int, half: float | None, limit: float) -> TooWide:
    who = f"{called(variant)}: {label_of(measure)}"
    if half is None:
        return TooWide(measure, variant, None, limit, None, f"{who} has no interval with two ends yet.")
    seen = f"{who} is known to within {difference(half, unit)}"
    if not limit:
        why = "the baseline's mean is 0, so no share of it can be reached: ask for an amount"
        return TooWide(measure, variant, half, limit, None, f"{seen}; {why}.")
    about = nights_by_ratio(n, half, limit)
    said = f"{seen}, {difference(limit, unit)} was asked: about {value(about, 'count')} nights would do"
    return TooWide(measure, variant, half, limit, about, f"{said}.")
