"""On which guesses does a verdict rest? What many nights at the ends of guessed values came to.

The law: a verdict rests on a set of guesses when it is another one with these at an end of what is plausible for them,
and everything else as written. Both verdicts are those of ``shares``: "holds" and "does not hold" are told apart from
too few nights. Every combination is played on the same draws.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from emulator.measure.comparison.result import ShareVerdict

__all__ = ["Corner", "End", "Guess", "Resting", "Rests", "sentence_of"]

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
