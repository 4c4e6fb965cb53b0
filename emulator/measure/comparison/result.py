"""The parts of a comparison's result, its recommendation included.

``Comparison.recommendation`` holds one ``Recommendation``. Whoever shows it writes the words. Shares run from 0 to 1,
times are ticks (microseconds), and every interval here holds for all candidates together (see ``Recommendation``).

The words used: a **candidate** is the scenario as written or a variant that changes a setting. A **what-if** is a
variant that changes the world (faults, the amount or length of the work, how systems answer, or ``candidate: false``):
it is shown and never recommended. A requirement of a candidate is **shown**, **missed**, **open** (too few nights), or
**not judged** (no night had anything to judge).

A bound of an interval that is None is open: nothing is known on that side.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final, Literal

from emulator.measure.comparison.intervals import Interval
from emulator.measure.comparison.wanted import PlayedNight
from emulator.measure.estimate import Unit
from emulator.scenario.stated import Assumed

__all__ = [
    "VERDICTS",
    "Against",
    "Answer",
    "CandidateStanding",
    "Comparison",
    "CutShort",
    "Difference",
    "Effect",
    "Enough",
    "LeaderDifference",
    "Lost",
    "PreferenceStep",
    "Recommendation",
    "RequirementStanding",
    "Share",
    "ShareVerdict",
    "Spread",
    "Standing",
    "TradePoint",
    "VariantVerdict",
]


Answer = Literal["take", "tie", "too_few_nights", "none", "not_judged", "nothing_asked"]
"""The answer.

take: one variant is recommended. tie: several qualify, and nothing under ``prefer`` separates them. too_few_nights:
none qualifies yet, and one at least is open. none: none qualifies, and none is open. not_judged: requirements are
stated, none is open, and for a variant that missed none no night had anything to judge. nothing_asked: no requirement
is stated, so nothing is recommended.
"""

Standing = Literal["shown", "missed", "open", "not_judged"]
"""How a requirement of a candidate stands, or all of them together."""

VariantVerdict = Literal[
    "take", "tie", "qualifies", "too_few_nights", "fails", "not_judged", "what_if", "nothing_asked"
]
"""The word for a variant in a table. qualifies: all its requirements are shown, and another is preferred."""

CutShort = Literal["", "interrupted", "precision_reached"]
"""Why a run ended before its nights: somebody interrupted it, or a rule that was fixed beforehand ended it."""

Against = Literal[
    "better", "worse", "higher", "lower", "same", "within_margin", "no_clear_difference", "not_compared", "unknown"
]
"""How a figure of a variant compares with the leader's.

within_margin: clear, and of a time not shown to be beyond 2 % of the leader's. not_compared: the time of one of the two
is clearly shorter, and it does fewer jobs. unknown: there is no interval (no pair of nights, or one alone).
"""


@dataclass(frozen=True, slots=True)
class RequirementStanding:
    """How one requirement stands under one variant.

    Attributes:
        requirement: with the name of its measure, as it is typed; ``label`` in words, for screens.
        label: see ``requirement``.
        standing: shown, missed, open or not_judged.
        held: in how many nights it held, of ``judged`` in which there was something to judge.
        judged: see ``held``; both are 0 for one on not being worse than the baseline (``of_baseline``).
        unjudged: nights in which there was nothing to judge.
        asked: the share of nights that was asked for; None: every night.
        interval: the exact interval of the share of nights, for all candidates together. None where nothing is random,
            where nothing was judged, and for one on the baseline.
        missed_seeds: the first seeds, ten at most, with which it was missed.
        of_baseline: it asks not to be worse than the baseline, which the interval of a difference decides.
    """

    requirement: str
    label: str
    standing: Standing
    held: int
    judged: int
    unjudged: int
    asked: float | None
    interval: Interval | None
    missed_seeds: tuple[int, ...]
    of_baseline: bool = False


@dataclass(frozen=True, slots=True)
class CandidateStanding:
    """How one variant stands.

    Attributes:
        variant: its name (``as written`` for the scenario itself).
        verdict: the word for it in a table.
        what_if: it changes the world, and is never recommended.
        standing: of all its requirements together: missed when one is, else open when one is, else shown. A variant
            of which a night failed to run (``lost``) is never shown, only open.
        requirements: each requirement of it, in the scenario's order; those on the baseline last.
        kept: in how many nights all requirements held at once, of ``judged``.
        judged: see ``kept``.
        interval: the exact interval of that share, for all candidates together; None where nothing is random, and where
            nothing was judged. Its low end is the share of all nights that the nights so far show.
        missed_seeds: the first seeds, ten at most, of nights in which one was missed.
        misses_most: place in ``requirements`` of the one that was missed in most nights; None when none was.
        changed: how many keys the variant changes; 0 for the scenario as written.
        lost: how many of its nights failed to run.
        dropped_by: where it qualifies and another is preferred: place in ``Recommendation.steps``; else None.
    """

    variant: str
    verdict: VariantVerdict
    what_if: bool
    standing: Standing
    requirements: tuple[RequirementStanding, ...]
    kept: int
    judged: int
    interval: Interval | None
    missed_seeds: tuple[int, ...]
    misses_most: int | None
    changed: int
    lost: int
    dropped_by: int | None = None


@dataclass(frozen=True, slots=True)
class PreferenceStep:
    """One measure of ``prefer``, and whom it dropped.

    Attributes:
        measure: the text that names the figure.
        leader: the variant with the best mean among those left; "" where none may lead: no value, lower bounds only,
            or times of variants that do fewer jobs.
        dropped: who dropped out, in file order.
        left: who was left after it, in file order.
    """

    measure: str
    leader: str
    dropped: tuple[str, ...]
    left: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LeaderDifference:
    """One figure of a variant minus the leader's, night by night on the same draws.

    Attributes:
        measure: the text that names the figure.
        variant: the variant.
        unit: time, share, count or ratio.
        n: pairs of nights that gave a difference.
        mean: the mean difference (a bound where something was unfinished); None when nothing is known.
        interval: for all variants and measures of this list together; None with fewer than two pairs of nights unless
            nothing is random, where it has no width. An end that is None is open.
        against: what the interval shows of the variant.
    """

    measure: str
    variant: str
    unit: Unit
    n: int
    mean: float | None
    interval: Interval | None
    against: Against


@dataclass(frozen=True, slots=True)
class Enough:
    """How many nights in all would decide on the variant that leads.

    Attributes:
        nights: of each variant; None when no number does: it misses about as often as is allowed, or a night failed.
        without_a_miss: it has missed nothing, and ``nights`` show it if it goes on so. Else it goes on missing as often
            as it did: then ``nights`` show it four times in five.
    """

    nights: int | None
    without_a_miss: bool


@dataclass(frozen=True, slots=True)
class Recommendation:
    """What the rule of recommendation says of a comparison.

    Attributes:
        answer: take, tie, too_few_nights, none, not_judged or nothing_asked.
        recommended: the variants to take: one for take; several for a tie, the one to name first in front; else none.
        leads: the variant that is recommended first; with too_few_nights the open one that leads; with none the one
            that comes closest; else "". Differences (``differences``) are those from it.
        standings: every variant, in file order, the scenario as written first.
        enough: with too_few_nights, how many nights would decide on ``leads``; else None.
        open_ahead: open variants that ``prefer`` puts ahead of the one to take: cheaper, say, and not shown yet.
        prefer: the texts that name the preferred measures, in order.
        steps: what each of them did to those that qualify; empty when one or none does.
        differences: of every other variant from ``leads``, by measure, then variant.
        candidates: how many candidates share the confidence: each interval is at 1 - (1 - confidence) / candidates.
        confidence: of all candidates together.
        random: whether anything in the scenario is random. If not, one night decides, and no interval is printed.
        nights: how many nights of each variant the answer is drawn from.
        planned: how many were asked for.
        cut_short: why there are fewer; "" when there are not.
    """

    answer: Answer
    recommended: tuple[str, ...]
    leads: str
    standings: tuple[CandidateStanding, ...]
    enough: Enough | None
    open_ahead: tuple[str, ...]
    prefer: tuple[str, ...]
    steps: tuple[PreferenceStep, ...]
    differences: tuple[LeaderDifference, ...]
    candidates: int
    confidence: float
    random: bool
    nights: int
    planned: int
    cut_short: CutShort

    def standing_of(self, variant: str) -> CandidateStanding:
        """Give the standing of one variant.

        Raises:
            KeyError: when there is none of that name.
        """
        found = {one.variant: one for one in self.standings}
        return found[variant]


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
