"""By how much does a variant differ from the baseline, night by night on the same draws?

The law: a pair with a side that is cut off is a bound, never dropped and never zero. If the variant's side is only
known to be more than its reading, the difference is at least what is read; if the baseline's is, at most that; if both
are, nothing is known of it. The mean of lower bounds bounds the true mean from below, and so does the low end of its
interval: such an interval is open above, and its test can show a rise only. The other way round likewise. With bounds
of both kinds, or a pair of which nothing is known, both ends are open.

Differences that are all the same have no spread, so that Student's t says nothing. Their interval has no width, and
the test is that of the signs instead: n nights fall on one side by chance once in 2**(n - 1) times.

Of all differences of a comparison together: intervals by Bonferroni's inequality, p-values by the step-down procedure
of Holm (Scandinavian Journal of Statistics 6, 1979), which shows at least as much. The family is every compared
difference, whether it can be computed or not.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf, sqrt

from emulator.measure.comparison.intervals import kept_within, same, student_interval
from emulator.measure.comparison.replication import Reading
from emulator.measure.comparison.result import Interval
from emulator.measure.comparison.tables import student_cdf
from emulator.measure.estimate import deviation, mean

__all__ = ["Paired", "Seen", "compare_pairs", "each_of", "holm", "pair_up"]


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
