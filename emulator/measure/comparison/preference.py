"""Which of several variants is preferred? Measure by measure, by paired differences from the leader.

The law: for each measure the leader has the best mean. A variant drops out when its paired difference from the leader
is clear: the Student t interval at a level shared by all pairs of variants and all measures (Bonferroni) lies wholly on
the worse side, and for a time by more than 2 % of the leader's. What is only known to be "more than" its
reading never leads, and so drops nobody out. A time of a variant that does fewer jobs than one that is left never leads
either: it may be short because jobs were given up.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Final

from emulator.measure.comparison.intervals import same
from emulator.measure.comparison.paired import compare_pairs, pair_up
from emulator.measure.comparison.recommendation import Against, PreferenceStep
from emulator.measure.comparison.replication import Reading
from emulator.measure.comparison.result import Interval
from emulator.measure.comparison.tradeoff import DONE
from emulator.measure.comparison.wanted import Wanted
from emulator.measure.estimate import mean

__all__ = ["DEFAULT_PREFER", "MARGIN", "Pair", "against", "does_fewer", "measure_pair", "preferred"]

DEFAULT_PREFER: Final = ("worker_hours", "done_share", "makespan", "wasted_work")
"""What is preferred when a scenario does not say."""

MARGIN: Final = 0.02
"""A time counts as different only beyond this share of the leader's."""

_FEWER: Final = 0.01  # of all jobs: a share of jobs done that may be lower by more than this is taken for lower
_PLANNED: Final = frozenset(("worker_hours",))  # known before the night: the same in every night

Readings = Mapping[tuple[str, str], Mapping[int, Reading]]
"""By the text of the figure and the variant, then by seed."""


@dataclass(frozen=True, slots=True)
class Pair:
    """One figure of one variant minus that of another.

    Attributes:
        n: pairs of nights that gave a value under both.
        mean: the mean difference; None when nothing is known of it.
        interval: at the confidence that was asked for; an end that is not known is open.
        certain: it was the same in every night, and that can be relied on.
    """

    n: int
    mean: float | None
    interval: Interval | None
    certain: bool

    @property
    def sign(self) -> int:
        """1 when it is clearly above 0, -1 when clearly below, else 0."""
        if self.certain and self.mean is not None:
            return (self.mean > 0) - (self.mean < 0)
        if self.interval is None or self.interval.low == self.interval.high:
            return 0
        if self.interval.low is not None and self.interval.low > 0:
            return 1
        return -1 if self.interval.high is not None and self.interval.high < 0 else 0


def measure_pair(
    figure: Wanted, variant: str, other: str, readings: Readings, confidence: float, *, random: bool
) -> Pair:
    """Give the paired difference of a figure, variant minus other, with an interval of this confidence."""
    pairs = pair_up(readings[figure.text, variant], readings[figure.text, other])
    seen = compare_pairs(pairs, confidence, 1, 1.0 if figure.unit == "share" else inf)
    exact = pairs.n > 0 and pairs.known_below and pairs.known_above and same(pairs.differences)
    # Where every night differs by the same amount there is no spread: n nights fall on one side by chance once in
    # 2 ** (n - 1) times. What is planned, or not random at all, does not vary.
    fixed = not random or figure.name in _PLANNED or 2.0 ** (1 - pairs.n) <= 1 - confidence
    return Pair(pairs.n, seen.mean, seen.together, exact and fixed)


def does_fewer(variant: str, other: str, readings: Readings, confidence: float, *, random: bool) -> bool:
    """Say whether a variant does fewer jobs than another, or may: clearly, or by more than 1 % of all within reach."""
    done = Wanted(DONE)
    if not readings.get((DONE, variant)) or not readings.get((DONE, other)):
        return False
    pair = measure_pair(done, variant, other, readings, confidence, random=random)
    if pair.mean is None or pair.mean >= 0:
        return False
    if pair.sign < 0 or pair.certain or pair.interval is None or pair.interval.low == pair.interval.high:
        return True
    return pair.interval.low is None or pair.interval.low < -_FEWER


def preferred(
    variants: Sequence[str], prefer: Sequence[Wanted], readings: Readings, confidence: float, *, random: bool
) -> tuple[tuple[str, ...], tuple[PreferenceStep, ...]]:
    """Go through the preferred measures: who is left, and what each measure did.

    Args:
        variants: those to choose from, in the order in which they are to be named.
        prefer: the measures, the most important first.
        readings: of each measure, and of the share of jobs done.
        confidence: of all pairs and measures together.
        random: whether anything is random.
    """
    count = len(variants)
    each = 1 - (1 - confidence) / max(1, count * (count - 1) // 2 * len(prefer))
    left = list(variants)
    steps = []
    for figure in prefer:
        if len(left) < 2:
            break
        leader = _leader(figure, left, readings, each, random=random)
        dropped = [
            one
            for one in left
            if leader and one != leader and _drops(figure, one, leader, readings, each, random=random)
        ]
        left = [one for one in left if one not in dropped]
        steps.append(PreferenceStep(figure.text, leader, tuple(dropped), tuple(left)))
    return tuple(left), tuple(steps)


def _leader(figure: Wanted, left: Sequence[str], readings: Readings, each: float, *, random: bool) -> str:
    """Give who has the best mean of those that may lead; "" for nobody. Among equals the first."""
    means = {}
    for one in left:
        found = [reading for reading in readings[figure.text, one].values() if reading.value is not None]
        if not found or any(reading.more_than for reading in found):
            continue
        if figure.unit == "time" and any(
            does_fewer(one, other, readings, each, random=random) for other in left if other != one
        ):
            continue
        means[one] = mean([reading.value for reading in found if reading.value is not None])
    lower = figure.measure.better == "lower"
    return min(means, key=lambda one: means[one] if lower else -means[one], default="")


def _drops(figure: Wanted, one: str, leader: str, readings: Readings, each: float, *, random: bool) -> bool:
    pair = measure_pair(figure, one, leader, readings, each, random=random)
    worse = 1 if figure.measure.better == "lower" else -1
    return pair.sign == worse and not _within_margin(figure, pair, leader, readings)


def _within_margin(figure: Wanted, pair: Pair, leader: str, readings: Readings) -> bool:
    """Say whether a clear difference is not shown to be beyond what counts: its near end is within the margin."""
    if figure.unit != "time":
        return False
    near = pair.mean
    if not pair.certain and pair.interval is not None:
        near = pair.interval.low if pair.sign > 0 else pair.interval.high
    values = [one.value for one in readings[figure.text, leader].values() if one.value is not None]
    return near is not None and bool(values) and abs(near) <= MARGIN * abs(mean(values))


def against(
    figure: Wanted, variant: str, leader: str, readings: Readings, each: float, *, random: bool
) -> tuple[Pair, Against]:
    """Compare one figure of a variant with the leader's, at the confidence of one interval."""
    pair = measure_pair(figure, variant, leader, readings, each, random=random)
    if pair.mean is None or (pair.interval is None and not pair.certain):
        return pair, "unknown"
    if pair.certain and pair.mean == 0:
        return pair, "same"
    if not pair.sign:
        return pair, "no_clear_difference"
    if not figure.measure.better:
        return pair, "higher" if pair.sign > 0 else "lower"
    if figure.unit == "time":
        shorter, longer = (leader, variant) if pair.sign > 0 else (variant, leader)
        if does_fewer(shorter, longer, readings, each, random=random):
            return pair, "not_compared"
        if _within_margin(figure, pair, leader, readings):
            return pair, "within_margin"
    return pair, "better" if (pair.sign > 0) == (figure.measure.better == "higher") else "worse"
