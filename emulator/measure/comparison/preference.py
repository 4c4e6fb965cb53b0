"""Judges the requirements of each variant, and finds the preferred variants by paired differences from the leader.

The law: for each measure the leader has the best mean. A variant drops out when its paired difference from the leader
is clear: the Student t interval at a level shared by all pairs of variants and all measures (Bonferroni) lies wholly on
the worse side, and for a time by more than 2 % of the leader's. What is only known to be "more than" its reading never
leads, and so drops nobody out. A time of a variant that does fewer jobs than one that is left never leads either: it
may be short because jobs were given up.

Whether a requirement is shown, missed, or open: the interval is two-sided and exact (Clopper and Pearson, Biometrika
26, 1934), at a confidence that holds for all candidates together (Bonferroni). With ``in_share: s`` a requirement is
shown when the low end is at least s, and missed when the high end is below. Without it, or with ``in_share: 1``, it is
asked of every night: missed after one miss, and shown without one as soon as the low end is at least 90 %. Where
nothing is random one night decides.

A candidate with a false requirement is shown only if that very requirement is: so the number of requirements needs no
further correction (an intersection-union test; Berger, Technometrics 24, 1982, from memory).

Others dominate a variant that is no better on either of two figures, and worse on one. That is told by the means over
nights, which are estimates: the intervals of the differences say how sure they are. A mean that is only a lower bound
can be beaten by a figure that is better than the bound, and never beats by being low itself. A variant that fails jobs
early may be good on both: the share of jobs done stands with each point, and decides nothing.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Final

from emulator.errors import InputError
from emulator.measure.comparison.intervals import (
    Interval,
    binomial_cdf,
    nights_without_more_misses,
    same,
    share_interval,
)
from emulator.measure.comparison.paired import compare_pairs, pair_up
from emulator.measure.comparison.result import Against, PreferenceStep, Spread, Standing, TradePoint
from emulator.measure.comparison.wanted import Reading, Wanted
from emulator.measure.estimate import mean

__all__ = [
    "DEFAULT",
    "DEFAULT_PREFER",
    "DONE",
    "EVERY_NIGHT",
    "MARGIN",
    "Pair",
    "against",
    "all_standing",
    "check_directions",
    "confidence_of_each",
    "does_fewer",
    "first_missed",
    "measure_pair",
    "nights_at_rate",
    "nights_without_a_miss",
    "preferred",
    "standing",
    "trade_points",
]


DEFAULT: Final = ("makespan", "wasted_work")
"""The two figures of the trade-off when none are named."""

DONE: Final = "done_share"
"""The figure that is told beside the two, whichever they are."""


def check_directions(across: Wanted, up: Wanted) -> None:
    """Make sure that of both figures one side is better.

    Raises:
        InputError: when of one neither is.
    """
    for figure in (across, up):
        if not figure.measure.better:
            raise InputError(f"{figure.text} cannot be traded off: neither more nor less of it is better")


def trade_points(
    across: Sequence[Spread], up: Sequence[Spread], better: tuple[str, str], done: Sequence[float | None]
) -> tuple[TradePoint, ...]:
    """Give one point for each variant, from the spreads of two figures in the same order of variants.

    Args:
        across: the first figure, of each variant.
        up: the second.
        better: for each of the two, ``lower`` or ``higher``.
        done: the mean share of jobs done of each variant.
    """
    pairs = list(zip(across, up, strict=True))
    return tuple(
        TradePoint(
            one.variant,
            one.mean,
            other.mean,
            tuple(rival[0].variant for rival in pairs if _beats(rival, (one, other), better)),
            one.more_than > 0,
            other.more_than > 0,
            share,
        )
        for (one, other), share in zip(pairs, done, strict=True)
    )


def _beats(rival: tuple[Spread, Spread], point: tuple[Spread, Spread], better: tuple[str, str]) -> bool:
    ahead = [_ahead(*sides) for sides in zip(rival, point, better, strict=True)]
    return all(one is not None and one >= 0 for one in ahead) and any(one is not None and one > 0 for one in ahead)


def _ahead(rival: Spread, point: Spread, better: str) -> float | None:
    """Say by how much a rival is ahead, at the least; None when that is not known."""
    if rival.mean is None or point.mean is None:
        return None
    if better == "lower":
        return None if rival.more_than else point.mean - rival.mean
    return None if point.more_than else rival.mean - point.mean


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


EVERY_NIGHT: Final = 0.9
"""What is asked of every night, and never missed, is shown when at least this share of all nights keeps it."""

_POWER: Final = 0.8


def confidence_of_each(confidence: float, candidates: int) -> float:
    """Give the confidence of one interval of several that hold together (Bonferroni).

    >>> round(confidence_of_each(0.95, 5), 4)
    0.99
    """
    return 1 - (1 - confidence) / max(1, candidates)


def _needed(asked: float | None) -> float:
    """Give the share that the low end has to reach."""
    return EVERY_NIGHT if asked is None or asked >= 1 else asked


def standing(held: int, judged: int, asked: float | None, interval: Interval | None) -> Standing:
    """Say how a requirement stands.

    Args:
        held: in how many nights it held, of ``judged``.
        judged: nights in which there was something to judge.
        asked: the share of nights that is asked for; None: every night.
        interval: of the share of nights; None where nothing is random.

    >>> standing(53, 53, None, share_interval(53, 53, 1 - 0.05 / 6))
    'shown'
    >>> standing(52, 52, None, share_interval(52, 52, 1 - 0.05 / 6)), standing(199, 200, None, None)
    ('open', 'missed')
    """
    if not judged:
        return "not_judged"
    if interval is None:
        return "shown" if held == judged else "missed"
    low, high = interval.low or 0.0, 1.0 if interval.high is None else interval.high
    if (asked is None or asked >= 1) and held < judged:
        return "missed"
    if low >= _needed(asked):
        return "shown"
    return "missed" if high < _needed(asked) else "open"


def all_standing(found: Iterable[Standing], *, lost: bool = False) -> Standing:
    """Say how all requirements of one candidate stand together.

    One that no night could judge does not hold up the others; nothing but such ones is not judged.

    >>> all_standing(["shown", "not_judged"]), all_standing(["shown", "open"]), all_standing(["not_judged"])
    ('shown', 'open', 'not_judged')
    >>> all_standing([]), all_standing(["shown"], lost=True)
    ('shown', 'open')
    """
    seen = set(found)
    if "missed" in seen:
        return "missed"
    if "open" in seen:
        return "open"
    if seen == {"not_judged"}:
        return "not_judged"
    return "open" if lost else "shown"


def nights_without_a_miss(candidates: int, asked: float | None = None, confidence: float = 0.95) -> int:
    """Give the fewest nights that show a requirement if none of them misses it.

    With no miss in n nights the low end of the exact interval at a level of ``a`` is (a / 2) ** (1 / n).

    >>> [nights_without_a_miss(candidates) for candidates in (1, 2, 3, 6, 8)]
    [36, 42, 46, 53, 55]
    """
    share = _needed(asked)
    fails = (1 - confidence) / 2 / max(1, candidates)
    found = max(1, int(math.log(fails) / math.log(share)))  # rounded down, in case of a quotient that is rounded up
    each = confidence_of_each(confidence, candidates)
    while (share_interval(found, found, each).low or 0.0) < share:
        found += 1
    return found


def nights_at_rate(held: int, judged: int, asked: float, candidates: int, confidence: float = 0.95) -> int | None:
    """Give the fewest nights that show a requirement four times in five, if it goes on being missed as often as now.

    Args:
        held: in how many nights it held, of ``judged``.
        judged: see ``held``; above 0.
        asked: the share of nights that is asked for, below 1.
        candidates: of how many all intervals hold together.
        confidence: of all of them.

    Returns:
        None when it held in no more nights than are asked for, or a million nights would not do. Any larger number
        shows it as often or more often.

    Raises:
        InputError: for a share of 1 or more, which no number of nights with a miss can show.

    >>> nights_at_rate(57, 60, 0.9, 2), nights_at_rate(54, 60, 0.9, 2)
    (308, None)
    """
    if asked >= 1:
        raise InputError("what is asked of every night is missed after one miss: no number of nights shows it")
    rate = held / judged
    if rate <= asked:
        return None
    each = confidence_of_each(confidence, candidates)

    def enough(misses: int) -> bool:
        """Say whether as many nights do as show it with so many misses, and all numbers of nights above that."""
        most = nights_without_more_misses(misses + 1, asked, each)  # from here on one more miss is allowed
        return most is not None and binomial_cdf(misses, most - 1, 1 - rate) >= _POWER

    # More nights may allow no more misses, and then show it less often: so misses are searched, and not nights.
    high = 1
    while not enough(high):
        high *= 2
        if nights_without_more_misses(high, asked, each) is None:
            return None
    low = -1 if high == 1 else high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return nights_without_more_misses(high, asked, each)


def first_missed(answers: Sequence[tuple[int, bool | None]], most: int = 10) -> tuple[int, ...]:
    """Give the first seeds with which something was missed."""
    return tuple(seed for seed, held in answers if held is False)[:most]
