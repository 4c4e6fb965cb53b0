"""Answers the questions of a scenario from many nights, and finds the guesses on which a verdict rests.

Each question is a setting of its own, played on the same draws as the scenario as written. It fits when every
requirement of it is shown, by the interval of the rule of recommendation; all intervals hold together, for the scenario
as written and for every question.

A verdict rests on a set of guesses when it is another one with these at an end of what is plausible for them, and
everything else as written. Both verdicts are those of ``shares``: "holds" and "does not hold" are told apart from too
few nights. Every combination is played on the same draws.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from emulator.measure.comparison.intervals import Interval
from emulator.measure.comparison.result import (
    CandidateStanding,
    Comparison,
    Difference,
    RequirementStanding,
    ShareVerdict,
)
from emulator.measure.comparison.shares import Outcome
from emulator.measure.comparison.wanted import wanted
from emulator.measure.estimate import Unit
from emulator.scenario.stated import Assumed

__all__ = [
    "Answer",
    "Answers",
    "Corner",
    "Cost",
    "End",
    "Fit",
    "Guess",
    "Resting",
    "Rests",
    "answers_of",
    "outcome_of_answers",
    "sentence_of",
]


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


End = Literal["low", "high"]
"""One end of what is plausible for a guessed value."""


@dataclass(frozen=True, slots=True)
class Guess:
    """A value that is marked as a guess.

    Attributes:
        path: its dotted path.
        words: what it is and how much, such as ``the lease of 90 s``.
        low: the lower end that was tried, as people read it; "" where none was.
        high: the upper end, likewise.
        assumed: whether nobody stated the ends: then they are half the value and twice the value.
        not_tried: why it was not tried; "" if it was.
    """

    path: str
    words: str
    low: str = ""
    high: str = ""
    assumed: bool = False
    not_tried: str = ""


@dataclass(frozen=True, slots=True)
class Corner:
    """What a requirement came to with some guesses at an end: of ``judged`` nights it held in ``held``."""

    ends: Mapping[str, End]
    held: int
    judged: int
    verdict: ShareVerdict


@dataclass(frozen=True, slots=True)
class Rests:
    """What guesses do to the verdict on one requirement.

    Attributes:
        requirement: with the name of its measure; ``label`` in words.
        label: see ``requirement``.
        as_written: what it comes to with every guess as written.
        single: with one guess at one end, all others as written: two for each guess that was tried.
        against: with all guesses at once at the ends that go against the verdict most; None where it was not tried.
        smallest: the smallest sets of guesses that flip the verdict, each at the ends at which they do.
        proven: whether all smaller sets were tried at those ends. If not, no guess of the set can be left out.
        pairs: of the pairs that were screened, those that flip the verdict although neither guess does so alone.
    """

    requirement: str
    label: str
    as_written: Corner
    single: tuple[Corner, ...] = ()
    against: Corner | None = None
    smallest: tuple[Corner, ...] = ()
    proven: bool = True
    pairs: tuple[Corner, ...] = ()

    @property
    def flips(self) -> bool:
        """Whether a set of guesses flips the verdict."""
        return bool(self.smallest or self.pairs)

    @property
    def undecided(self) -> bool:
        """Whether too few nights decide, or have anything to judge with all guesses at their ends."""
        if self.as_written.verdict == "undecided":
            return True
        against = None if self.flips or self.against is None else self.against.verdict
        return against in ("undecided", "nothing_to_judge")

    @property
    def not_judged(self) -> bool:
        """Whether no night as written had anything to judge."""
        return self.as_written.verdict == "nothing_to_judge"


@dataclass(frozen=True, slots=True)
class Resting:
    """What a search for the guesses behind the verdicts came to.

    Attributes:
        title: the scenario's title.
        file: the scenario, as given.
        guesses: every value that is marked as a guess.
        requirements: each requirement with a bound.
        nights: nights of each combination; ``first_seed`` is the seed of the first.
        first_seed: see there.
        confidence: of the interval of each share, each for itself.
        screened: whether all pairs were tried, at all their ends.
        combinations: how many combinations of values were played, the scenario as written among them.
        refused: how many were not, because such a scenario would be wrong.
        changes: what was set on the command line.
    """

    title: str
    file: str
    guesses: tuple[Guess, ...]
    requirements: tuple[Rests, ...]
    nights: int
    first_seed: int
    confidence: float
    screened: bool
    combinations: int
    refused: int = 0
    changes: tuple[str, ...] = ()

    @property
    def tried(self) -> tuple[Guess, ...]:
        """The guesses that were tried."""
        return tuple(one for one in self.guesses if not one.not_tried)

    @property
    def outcome(self) -> Literal["good", "bad", "open", "nothing_asked"]:
        """bad: a verdict rests on guesses. open: too few nights to decide, or nothing to judge. nothing_asked: no guess
        was tried."""
        if not self.tried:
            return "nothing_asked"
        if any(one.flips for one in self.requirements):
            return "bad"
        if all(one.not_judged for one in self.requirements):
            return "open"
        return "open" if any(one.undecided for one in self.requirements) else "good"

    @property
    def sentence(self) -> str:
        """The answer in a few sentences."""
        if not self.guesses:
            return f"{self.file} marks no value as a guess. Mark one with {{value: 90s, from: guess}}."
        if not self.tried:
            return f"{self.file}: none of its guesses can be tried. Give each `plausible: [LOW, HIGH]`."
        asked = self.requirements
        said = [
            (f"{one.label}: " if len(asked) > 1 else "") + sentence_of(one, self.guesses) for one in asked if one.flips
        ]
        if said:
            return " ".join(said)
        if all(one.not_judged for one in asked):
            return "Nothing could be judged: no night had anything that a requirement asks about. Does any job come?"
        if any(one.against is not None and one.against.verdict == "nothing_to_judge" for one in asked):
            return "Not everything could be judged: with the guesses at their ends no night had anything to judge."
        if self.outcome == "open":
            return "Too few nights to decide: give more with --nights."
        left_out = "".join(f" Nothing could be judged of {one.label}." for one in asked if one.not_judged)
        return f"No verdict rests on a guess: each stays with all guesses at their worst ends at once.{left_out}"


def sentence_of(one: Rests, guesses: Sequence[Guess]) -> str:
    """Say on which guesses the verdict on a requirement rests.

    >>> lease = Guess("queues.night.lease", "the lease of 90 s", "30s", "5m")
    >>> corner = Corner({"queues.night.lease": "low"}, 12, 60, "does_not_hold")
    >>> sentence_of(Rests("done_share at least 1", "", Corner({}, 60, 60, "holds"), smallest=(corner,)), [lease])
    'The verdict rests on one guess: the lease of 90 s. Measure that one.'
    """
    words = _unique(guesses)
    sets = [[words[path] for path in corner.ends] for corner in one.smallest or one.pairs]
    if not sets:
        return "The verdict does not rest on a guess."
    if len(sets) == 1 and len(sets[0]) == 1:
        return f"The verdict rests on one guess: {sets[0][0]}. Measure that one."
    if all(len(each) == 1 for each in sets):
        each_one = _listed([one_set[0] for one_set in sets])
        return f"The verdict rests on each of {len(sets)} guesses alone: {each_one}. Measure them all."
    together = _listed(sets[0])
    more = "" if len(sets) == 1 else f" {len(sets) - 1} more set{'' if len(sets) == 2 else 's'} of as many flip it too."
    least = "" if one.proven else " No single one of them can be left out."
    return f"The verdict rests on {len(sets[0])} guesses together: {together}.{least}{more} Measure one of them first."


def _unique(guesses: Sequence[Guess]) -> dict[str, str]:
    """Give the words for each guess by its path; where two share them, the path stands behind."""
    all_words = [one.words for one in guesses]
    return {one.path: one.words if all_words.count(one.words) == 1 else f"{one.words} ({one.path})" for one in guesses}


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
