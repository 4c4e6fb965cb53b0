"""What does a comparison say? Plain frozen results: figures by variant, differences to the baseline, shares of nights.

All times are ticks (microseconds), shares run from 0 to 1. A bound of an interval that is None is open: nothing is
known on that side.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final, Literal

from emulator.measure.comparison.interval import Interval
from emulator.measure.comparison.recommendation import Recommendation, Standing
from emulator.measure.comparison.wanted import PlayedNight
from emulator.measure.estimate import Unit
from emulator.scenario.stated import Assumed

__all__ = [
    "VERDICTS",
    "Comparison",
    "Difference",
    "Effect",
    "Interval",
    "Lost",
    "Share",
    "ShareVerdict",
    "Spread",
    "TradePoint",
]

Effect = Literal["better", "worse", "higher", "lower", "same", "no_clear_difference", "not_compared", "undecided"]
"""How a variant compares to the baseline; ``higher`` and ``lower`` where neither side is better."""
# A time is `not_compared` where the side with the shorter one gets fewer jobs done: it may be short because of that.

ShareVerdict = Literal["holds", "does_not_hold", "undecided", "nothing_to_judge"]
"""Whether a requirement holds in the share of nights that was asked for."""

VERDICTS: Final[Mapping[Standing, ShareVerdict]] = MappingProxyType(
    {"shown": "holds", "missed": "does_not_hold", "open": "undecided", "not_judged": "nothing_to_judge"}
)
"""The verdict on a share of nights, by how the requirement stands."""


@dataclass(frozen=True, slots=True)
class Spread:
    """One figure under one variant, over all its nights.

    Attributes:
        measure: the text that names the figure.
        variant: the name of the variant.
        unit: time, share, count or ratio.
        n: the nights that gave a value; ``absent`` others had nothing to take it from.
        absent: see ``n``.
        more_than: in how many of the ``n`` nights the value is only known to be more than what is read. The mean is a
            lower bound then, and an order statistic that falls on such a night is one too.
        mean: the mean over nights, with its Student t ``mean_interval`` (None with fewer than two nights).
        mean_interval: see ``mean``; the upper end is open when ``more_than`` is not 0. It is cut at 0, and for a share
            at 1: no mean lies beyond.
        deviation: the sample standard deviation over nights; None with fewer than two.
        median: half of the nights have at most this value, with an interval by order statistics.
        median_interval: see ``median``; an open side means too few nights to bound it there.
        p90: nine nights in ten have at most this value, likewise.
        p90_interval: see ``p90``.
        least: the smallest value of a night.
        most: the largest value of a night.
        lower_bounds: which of ``mean``, ``median``, ``p90``, ``least`` and ``most`` are only known to be more than, or
            at least, what stands there.
    """

    measure: str
    variant: str
    unit: Unit
    n: int
    absent: int
    more_than: int
    mean: float | None
    mean_interval: Interval | None
    deviation: float | None
    median: float | None
    median_interval: Interval | None
    p90: float | None
    p90_interval: Interval | None
    least: float | None
    most: float | None
    lower_bounds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Difference:
    """One figure of a variant minus that of the baseline, night by night on the same draws.

    Attributes:
        measure: the text that names the figure.
        variant: the variant that is compared with the baseline.
        unit: time, share, count or ratio.
        n: the pairs of nights that both gave a value; ``absent`` pairs did not.
        absent: see ``n``.
        at_least_pairs: in how many pairs the difference is only known to be at least what is read.
        at_most_pairs: in how many it is only known to be at most that.
        unknown_pairs: in how many neither bound is known, because both sides are cut off; they stand in for nothing.
        mean: the mean difference: a lower bound when pairs are at least what is read, an upper one when they are at
            most that. None without any pair, with both kinds, or with an unknown one, because it says nothing then.
        alone: the Student t interval of this difference for itself; the side that is not known is open.
        together: the interval that holds for all differences of the comparison at once (Bonferroni).
        p: the two-sided p-value of the paired t test (of the sign test where every night gave the same difference).
            With a mean that is a bound, it is 1 on the side that the bound cannot show. None when it cannot be
            computed.
        p_together: the same, adjusted by Holm over all differences of the comparison (one without p counts as 1).
        variance_ratio: variance of the difference if the nights were independent, divided by that of the paired ones;
            2 means that independent nights would need twice as many. None when it is not defined.
        effect: what is shown, at the family-wise confidence of the comparison.
        shows_with: how many nights would show a difference of the size ``of_size``, from the spread seen here (80 times
            in 100). None when it cannot be told or is not needed.
        of_size: see ``shows_with``.
        sentence: all of that for a person, in one sentence.
    """

    measure: str
    variant: str
    unit: Unit
    n: int
    absent: int
    at_least_pairs: int
    at_most_pairs: int
    unknown_pairs: int
    mean: float | None
    alone: Interval | None
    together: Interval | None
    p: float | None
    p_together: float | None
    variance_ratio: float | None
    effect: Effect
    shows_with: int | None
    of_size: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class Share:
    """In what share of nights a requirement, or all of them, held under one variant.

    Attributes:
        requirement: with the name of its measure; ``all requirements`` for the nights that met all of them at once. The
            verdict of that one sums up those of the single ones, each as it was asked.
        variant: the name of the variant.
        held: in how many nights it held, of ``judged`` in which there was something to judge.
        judged: see ``held``.
        interval: the exact (Clopper-Pearson) interval of the share for itself; None when nothing was judged.
        asked: the share of nights that was asked for. None: every night (and for all of them together: each as asked).
        verdict: holds, does_not_hold, undecided, or nothing_to_judge, by the rule of recommendation: what is asked of
            every night holds when no night missed it, and at least 90 % of all nights keep it.
        sentence: all of that for a person, in one sentence.
        missed_seeds: the first seeds, ten at most, with which it was missed: ``run --seed`` shows such a night.
        measure: the text that names the figure it is about; "" for all requirements together, and for occurrences.
        at_least, at_most: its bounds in one night; both for one that asks for an exact value.
        label: what is asked, in words, for screens; "" where nobody has said it otherwise than ``requirement``.
        together: the exact interval that holds for all candidates of a comparison together, on which the verdict rests;
            None where nothing is random, where nothing was judged, and for what a difference decides.
    """

    requirement: str
    variant: str
    held: int
    judged: int
    interval: Interval | None
    asked: float | None
    verdict: ShareVerdict
    sentence: str
    missed_seeds: tuple[int, ...] = ()
    measure: str = ""
    at_least: float | None = None
    at_most: float | None = None
    label: str = ""
    together: Interval | None = None

    @property
    def asks(self) -> str:
        """What is asked, as people read it."""
        return self.label or self.requirement


@dataclass(frozen=True, slots=True)
class TradePoint:
    """One variant in the trade-off of two figures: their means, and what beats it on them.

    Attributes:
        variant: the name of the variant.
        across: the mean of the first figure; None when no night gave a value.
        up: the mean of the second, likewise.
        dominated_by: the variants that are no worse on both and better on one; a mean that is only a lower bound beats
            nothing by being low.
        across_more_than: the true mean of the first figure is only known to be more than that.
        up_more_than: that of the second, likewise.
        done: the mean share of jobs done, which tells whether a variant is quick and cheap because it gets less done;
            None when it is not known.
    """

    variant: str
    across: float | None
    up: float | None
    dominated_by: tuple[str, ...]
    across_more_than: bool = False
    up_more_than: bool = False
    done: float | None = None


@dataclass(frozen=True, slots=True)
class Lost:
    """A night that failed to run: its process died each time, or the night ended with a defect.

    Attributes:
        variant: the name of the variant.
        seed: the night's seed.
        why: what happened, in words.
    """

    variant: str
    seed: int
    why: str


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """What many nights under one or more settings say.

    Attributes:
        title: the scenario's title.
        files: the scenario files that were compared, as given.
        variants: the names of the variants, the baseline first.
        baseline: the name of the baseline.
        first_seed: night k of every variant is the night with seed ``first_seed + k``.
        nights: how many nights of each variant were asked for and run.
        confidence: of every interval for itself, and of all differences together.
        stopped: why no more nights were run, in one sentence.
        measures: the texts that name the compared figures.
        trade_off: the two figures of the trade-off view.
        spreads: by measure, then variant.
        differences: by measure, then variant (the baseline left out); empty with one variant.
        shares: by variant, each requirement with a bound in order, then all of them together; none without any.
        not_worse: by variant (the baseline left out), each requirement on not being worse than the baseline; ``held``
            and ``judged`` are 0, and ``interval`` is None. The sentence has the interval of the difference.
        points: the trade-off of each variant.
        lost: nights that failed to run.
        versions: of the program, of Python, of the zone data and of scipy.
        recommendation: which variant to take, and how each of them stands; None with one variant.
        played: every night that was played, by seed, then variant.
        changes: what was set on the command line, each as the option was given.
        assumed: what the nights of the baseline rest on, each value with its source; None where nobody has told.
    """

    title: str
    files: tuple[str, ...]
    variants: tuple[str, ...]
    baseline: str
    first_seed: int
    nights: int
    confidence: float
    stopped: str
    measures: tuple[str, ...]
    trade_off: tuple[str, str]
    spreads: tuple[Spread, ...]
    differences: tuple[Difference, ...]
    shares: tuple[Share, ...]
    not_worse: tuple[Share, ...]
    points: tuple[TradePoint, ...]
    lost: tuple[Lost, ...]
    versions: Mapping[str, str]
    recommendation: Recommendation | None
    played: tuple[PlayedNight, ...] = field(repr=False)
    changes: tuple[str, ...] = ()
    assumed: Assumed | None = field(default=None, repr=False)
