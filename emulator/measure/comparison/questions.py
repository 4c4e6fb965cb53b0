"""What do many nights answer to the questions that a scenario asks?

Each question is a setting of its own, played on the same draws as the scenario as written. It fits when every
requirement of it is shown, by the interval of the rule of recommendation; all intervals hold together, for the scenario
as written and for every question.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from emulator.measure.comparison.interval import Interval
from emulator.measure.comparison.outcome import Outcome
from emulator.measure.comparison.recommendation import CandidateStanding, RequirementStanding
from emulator.measure.comparison.result import Comparison, Difference
from emulator.measure.comparison.wanted import wanted
from emulator.measure.estimate import Unit
from emulator.scenario.stated import Assumed

__all__ = ["Answer", "Answers", "Cost", "Fit", "answers_of", "outcome_of_answers"]

Fit = Literal["fits", "does_not_fit", "too_few_nights", "not_judged", "nothing_asked", "failed_to_run"]
"""fits: each requirement is shown. does_not_fit: one is missed. too_few_nights: none is missed, and one is open.
not_judged: no night had anything to judge. nothing_asked: no requirement is stated. failed_to_run: a night failed."""


@dataclass(frozen=True, slots=True)
class Cost:
    """One figure under a question minus the same as written, night by night on the same draws.

    Attributes:
        measure: the text that names the figure.
        unit: time, share, count or ratio.
        mean: the mean difference; a bound where something was unfinished, None when nothing is known.
        interval: for all differences together; None with fewer than two pairs of nights, or where nothing is random.
        effect: what the interval shows: better, worse, higher, lower, same, no_clear_difference or undecided.
    """

    measure: str
    unit: Unit
    mean: float | None
    interval: Interval | None
    effect: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What the nights say to one question, or of the scenario as written (``ask`` is ``as written`` then).

    Attributes:
        ask: the question.
        command: runs one night of it, without a seed.
        answer: whether the night fits.
        kept: in how many nights all requirements held at once, of ``judged``.
        judged: see ``kept``.
        interval: of the share of such nights; None where nothing was judged or nothing is random.
        fails: the requirements that are missed, else those that are open.
        missed_seeds: the first seeds, ten at most, of nights in which a requirement was missed.
        costs: by measure, in the order of ``prefer``; empty for the scenario as written.
    """

    ask: str
    command: str
    answer: Fit
    kept: int
    judged: int
    interval: Interval | None
    fails: tuple[RequirementStanding, ...]
    missed_seeds: tuple[int, ...]
    costs: tuple[Cost, ...]


@dataclass(frozen=True, slots=True)
class Answers:
    """What many nights answer to all questions of a scenario.

    Attributes:
        title: of the scenario, with what was set on the command line.
        file: the scenario, as given.
        nights: how many of each were run; ``first_seed`` is the seed of the first.
        first_seed: see ``nights``.
        confidence: of all intervals together.
        as_written: of the scenario itself.
        questions: in the order of the file.
        changes: what was set on the command line, each as the option was given.
        versions: of the program, of Python, of the zone data and of scipy.
        assumed: what the nights as written rest on; None where nobody has told.
    """

    title: str
    file: str
    nights: int
    first_seed: int
    confidence: float
    as_written: Answer
    questions: tuple[Answer, ...]
    changes: tuple[str, ...] = ()
    versions: Mapping[str, str] = field(default_factory=dict)
    assumed: Assumed | None = field(default=None, repr=False)


def answers_of(comparison: Comparison, commands: Sequence[str]) -> Answers:
    """Read the answers from a comparison of the scenario as written (its baseline) with each question.

    Args:
        comparison: its variants are named by the questions.
        commands: what runs one night of each variant, in their order.
    """
    first, *asked = (
        _answer(comparison, variant, command) for variant, command in zip(comparison.variants, commands, strict=True)
    )
    return Answers(
        title=comparison.title,
        file=comparison.files[0],
        nights=comparison.nights,
        first_seed=comparison.first_seed,
        confidence=comparison.confidence,
        as_written=first,
        questions=tuple(asked),
        changes=comparison.changes,
        versions=comparison.versions,
        assumed=comparison.assumed,
    )


def _answer(comparison: Comparison, variant: str, command: str) -> Answer:
    advice = comparison.recommendation
    assert advice is not None, "a comparison with entrants has one"
    standing = advice.standing_of(variant)
    fails = [one for one in standing.requirements if one.standing == "missed"]
    return Answer(
        ask=variant,
        command=command,
        answer=_fit(standing, nothing_asked=advice.answer == "nothing_asked"),
        kept=standing.kept,
        judged=standing.judged,
        interval=standing.interval,
        fails=tuple(fails or [one for one in standing.requirements if one.standing == "open"]),
        missed_seeds=standing.missed_seeds,
        costs=tuple(_cost(one, random=advice.random) for one in comparison.differences if one.variant == variant),
    )


def _cost(one: Difference, *, random: bool) -> Cost:
    """Tell a difference; where nothing is random, what one night shows is so in every night."""
    if random or one.mean is None:
        within = one.together  # which is wider than what Holm's rule needs: no effect is told that it does not show
        unsure = within is not None and (within.low or 0) <= 0 <= (within.high or 0)
        seen = "no_clear_difference" if unsure and one.effect != "same" else one.effect
        return Cost(one.measure, one.unit, one.mean, within, seen)
    better = wanted(one.measure).measure.better
    way = "higher" if one.mean > 0 else "lower"
    effect = "same" if one.mean == 0 else way if not better else "better" if way == better else "worse"
    return Cost(one.measure, one.unit, one.mean, None, effect)


def _fit(standing: CandidateStanding, *, nothing_asked: bool) -> Fit:
    if standing.lost:
        return "failed_to_run"
    if nothing_asked or not standing.requirements:
        return "nothing_asked"
    fits: dict[str, Fit] = {"shown": "fits", "missed": "does_not_fit", "open": "too_few_nights"}
    return fits.get(standing.standing, "not_judged")


def outcome_of_answers(found: Answers) -> Outcome:
    """Say how the scenario as written came out: what is asked besides is an answer, no requirement."""
    outcomes: dict[Fit, Outcome] = {"fits": "good", "does_not_fit": "bad", "failed_to_run": "bad"}
    answer = found.as_written.answer
    if any(one.answer == "failed_to_run" for one in found.questions):
        return "bad"
    return outcomes.get(answer, "nothing_asked" if answer == "nothing_asked" else "open")
