"""What does a comparison recommend? The result of the rule of recommendation, as facts: no sentence stands here.

``Comparison.recommendation`` holds one ``Recommendation``. Whoever shows it writes the words. Shares run from 0 to 1,
times are ticks (microseconds), and every interval here holds for all candidates together (see ``Recommendation``).

The words used: a **candidate** is the scenario as written or a variant that changes a setting. A **what-if** is a
variant that changes the world (faults, the amount or length of the work, how systems answer, or ``candidate: false``):
it is shown and never recommended. A requirement of a candidate is **shown**, **missed**, **open** (too few nights), or
**not judged** (no night had anything to judge).
"""

from dataclasses import dataclass
from typing import Literal

from emulator.measure.comparison.interval import Interval
from emulator.measure.estimate import Unit

__all__ = [
    "Against",
    "Answer",
    "CandidateStanding",
    "CutShort",
    "Enough",
    "LeaderDifference",
    "PreferenceStep",
    "Recommendation",
    "RequirementStanding",
    "Standing",
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
