"""Plays the nights that tell on which guesses a verdict rests.

The order of the search, for each requirement by itself:

1. the scenario as written, and each guess alone at either end;
2. all guesses at once at the ends that go against the verdict. Which end that is, is told by the nights that miss and
   then by the figure itself. Where a guess alone changes neither, both its ends are tried together with the others, and
   at last every guess once at its other end;
3. if that flips the verdict, the smallest sets of guesses that do so, by size; where there are too many sets, guesses
   are left out one after the other instead, and the result says so.

One guess at a time is blind to pairs: a loss alone may do no harm, nor a short lease alone, and both together spoil
every night. Step 2 finds most of them, ``pairs`` screens every pair at all four combinations of ends.
"""

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import combinations, product
from math import inf
from typing import Any, Final

from emulator.errors import InputError, ScenarioError
from emulator.experiment.comparison_plan import MOST_NIGHTS, seed_from
from emulator.experiment.executors import Task, Workers, open_workers
from emulator.experiment.night import Progress
from emulator.experiment.settings import Setting, setting_of
from emulator.measure.comparison.intervals import check_confidence, check_scipy, load_scipy, share_interval
from emulator.measure.comparison.preference import standing
from emulator.measure.comparison.questions import Corner, End, Guess, Resting, Rests
from emulator.measure.comparison.result import VERDICTS, ShareVerdict
from emulator.measure.comparison.wanted import PlayedNight, of_requirement
from emulator.measure.requirements import has_bound, say_requirement, words_of
from emulator.measure.words import duration, number
from emulator.scenario.arguments import FLAG, NUMBER, WHOLE, must_be
from emulator.scenario.load import AnyFolders, AnyScenario, Loaded, loaded_from
from emulator.scenario.messages import Provenance
from emulator.scenario.models.scenario import Requirement
from emulator.scenario.spelling import parse_duration
from emulator.scenario.variants import AS_WRITTEN
from emulator.scenario.written import COMPARING, value_at
from emulator.timeline.ticks import MINUTE, SECOND, say

__all__ = ["guesses", "half_and_double"]

_NOUNS: Final = ("count", "heartbeat", "lease", "poll", "slots")
"""Keys that say in a sentence what they are; any other value is named by its whole path."""
_ASKED: Final = ("must_hold", "also_true")
"""What is asked of a night is a wish, and no guess at how the world is."""
_MOST_SETS: Final = 300
_TIES: Final = 4
_MOST_GUESSES: Final = 200

_Ends = frozenset[tuple[str, End]]
_ENDS: Final[tuple[End, End]] = ("low", "high")


def guesses(
    scenario: AnyScenario,
    *,
    pairs: bool = False,
    nights: int = 60,
    confidence: float = 0.95,
    first_seed: int | None = None,
    processes: int | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
    allow_folders: AnyFolders = (),
) -> Resting:
    """Find the guessed values on which the verdicts of a scenario rest, by nights that are really played.

    Args:
        scenario: a file's path, settings as a mapping, or what ``load`` gave.
        pairs: screen every pair of guesses, at all four combinations of their ends.
        nights: nights of each combination, from 1 to 1,000,000, on the same draws.
        confidence: of the interval of each share.
        first_seed, processes, executor, progress, allow_folders: as for ``compare``.

    Raises:
        ScenarioError: with every mistake in the scenario, or that an end makes which a guess states.
        InputError: for arguments out of range, or a scenario that requires nothing.
    """
    must_be(WHOLE, nights=nights)
    must_be(FLAG, pairs=pairs)
    must_be(NUMBER, confidence=confidence)
    check_confidence(confidence)
    check_scipy()
    if not 1 <= nights <= MOST_NIGHTS:
        raise InputError(f"{nights} nights are out of range: give a number from 1 to {MOST_NIGHTS:,}")
    loaded = loaded_from(scenario, allow_folders)
    marked = {path: said for path, said in loaded.provenance.items() if _is_guess(path, said)}
    if len(marked) > _MOST_GUESSES:
        raise InputError(f"{loaded.name}: {len(marked)} guesses are too many to try: {_MOST_GUESSES} at most")
    found = [_Guessed.of(loaded, path, said) for path, said in marked.items()]
    seed = seed_from(loaded.scenario.seed, first_seed)
    tried = [one for one in found if not one.said.not_tried]
    requirements: tuple[Rests, ...] = ()
    combinations_played, refused = 0, 0
    if tried:
        asked = [(place, one) for place, one in enumerate(loaded.scenario.must_hold) if has_bound(one)]
        if not asked:
            raise InputError(f"{loaded.name}: nothing is required of a night: give `must_hold` what has to be true")
        with open_workers([setting_of(loaded, AS_WRITTEN)], processes, executor, meanwhile=load_scipy) as workers:
            table = _Table(loaded, {one.said.path: one for one in tried}, seed, nights, confidence, workers, progress)
            requirements = tuple(_Search(table, place, one).rests(pairs) for place, one in asked)
        combinations_played, refused = len(table.played), len(table.refused)
    return Resting(
        loaded.title,
        loaded.name,
        tuple(one.said for one in found),
        requirements,
        nights,
        seed,
        confidence,
        pairs,
        combinations_played,
        refused,
        tuple(map(str, loaded.changes)),
    )


def _is_guess(path: str, said: Provenance) -> bool:
    return said.source == "guess" and path.split(".")[0] not in (*COMPARING, *_ASKED)


@dataclass(frozen=True, slots=True)
class _Guessed:
    """A guess, and the two values that are put in its place."""

    said: Guess
    ends: Mapping[End, Any] = field(default_factory=dict)

    @classmethod
    def of(cls, loaded: Loaded, path: str, said: Provenance) -> "_Guessed":
        """Take a guess with its ends: those that it states, else half of it and twice as much.

        Raises:
            ScenarioError: when a stated end cannot stand there.
        """
        value = value_at(loaded.data, path)
        words = _words(path, value)
        assumed = said.plausible is None
        low, high = said.plausible or half_and_double(path, value)
        if low is None:
            why = "it is no number and no duration above 0: give it `plausible: [LOW, HIGH]`"
            return cls(Guess(path, words, not_tried=why))
        ends: dict[End, Any] = {}
        for end, wanted in zip(_ENDS, (low, high), strict=True):
            try:
                setting_of(loaded, f"{path} = {_shown(wanted)}", {path: wanted})
            except ScenarioError:
                if not assumed:
                    raise
                continue  # an end that nobody stated is left out where it cannot stand
            ends[end] = wanted
        if not ends:
            return cls(Guess(path, words, not_tried="neither half nor twice of it can stand there: give `plausible`"))
        shown = [_shown(ends[end]) if end in ends else "" for end in _ENDS]
        return cls(Guess(path, words, shown[0], shown[1], assumed), ends)


def half_and_double(path: str, value: Any) -> tuple[Any, Any]:
    """Give half a number or duration and twice as much; a share ends at 1. (None, None) for anything else.

    >>> half_and_double("queues.night.lease", "90s"), half_and_double("pools.dome.count", 3)
    (('45s', '3m'), (2, 6))
    >>> half_and_double("faults.0.share", 0.7), half_and_double("lasts", "x")
    ((0.35, 1.0), (None, None))
    """
    if isinstance(value, str):
        try:
            ticks = parse_duration(value)
        except ValueError:
            return None, None
        return (say(ticks // 2), say(ticks * 2)) if ticks > 1 else (None, None)
    if isinstance(value, bool) or not isinstance(value, int | float) or value <= 0:
        return None, None
    if isinstance(value, int):
        return (value + 1) // 2, 2 * value
    return value / 2, min(1.0, 2 * value) if value <= 1 and ("share" in path or "loss" in path) else 2 * value


def _words(path: str, value: Any) -> str:
    """Say what a value is and how much.

    >>> _words("queues.night.lease", "90s"), _words("pools.dome.link.loss_back", 0.02)
    ('the lease of 90 s', 'pools.dome.link.loss_back of 0.02')
    """
    key = path.rpartition(".")[2]
    return f"{f'the {key}' if key in _NOUNS else path} of {_shown(value)}"


def _shown(value: Any) -> str:
    """Write a value for people; a duration in the unit in which it is whole, below two minutes in seconds."""
    if isinstance(value, str):
        try:
            ticks = parse_duration(value)
        except ValueError:
            return value
        return f"{ticks // SECOND} s" if ticks < 2 * MINUTE and ticks % SECOND == 0 else duration(ticks)
    if isinstance(value, bool | list | Mapping):
        return (
            ", ".join(f"{key} {_shown(one)}" for key, one in value.items())
            if isinstance(value, Mapping)
            else str(value)
        )
    return number(value)


@dataclass(slots=True)
class _Table:
    """The combinations that were played: for each set of ends its nights, in order of seeds."""

    loaded: Loaded
    guessed: Mapping[str, _Guessed]
    first_seed: int
    nights: int
    confidence: float
    workers: Workers
    progress: Progress | None
    played: dict[_Ends, list[PlayedNight]] = field(default_factory=dict)
    refused: set[_Ends] = field(default_factory=set)
    figures: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        wanted = [of_requirement(one) for one in self.loaded.scenario.must_hold if has_bound(one)]
        self.figures = tuple(dict.fromkeys(one.text for one in wanted if one is not None))

    def play(self, corners: Sequence[_Ends]) -> None:
        """Play what was not played yet.

        Raises:
            InputError: when a night fails to run.
        """
        missing = [one for one in dict.fromkeys(corners) if one not in self.played and one not in self.refused]
        settings = {one: made for one in missing if (made := self._setting(one)) is not None}
        by_name: dict[str, list[PlayedNight]] = {made.name: [] for made in settings.values()}
        share = len(settings) * self.nights

        def done(one: PlayedNight) -> None:
            if one.failure:
                raise InputError(f"the night with {one.variant} and seed {one.seed} failed to run: {one.failure}")
            by_name[one.variant].append(one)
            if self.progress is not None:
                self.progress(sum(map(len, by_name.values())) / share)

        seeds = range(self.first_seed, self.first_seed + self.nights)
        self.workers.run([Task(made, seed) for made in settings.values() for seed in seeds], self.figures, done)
        for one, made in settings.items():
            self.played[one] = sorted(by_name[made.name], key=lambda night: night.seed)

    def _setting(self, ends: _Ends) -> Setting | None:
        patch = {path: self.guessed[path].ends[end] for path, end in sorted(ends)}
        try:
            return setting_of(
                self.loaded, ", ".join(f"{path} {end}" for path, end in sorted(ends)) or AS_WRITTEN, patch
            )
        except ScenarioError:
            self.refused.add(ends)
            return None

    def singles(self) -> Iterator[_Ends]:
        """Give each guess alone at each end that it has."""
        for path, one in self.guessed.items():
            for end in one.ends:
                yield frozenset({(path, end)})


@dataclass(slots=True)
class _Search:
    """The search for one requirement."""

    table: _Table
    place: int
    asked: Requirement

    def rests(self, pairs: bool) -> Rests:
        """Find on which guesses the verdict rests."""
        table = self.table
        nothing: _Ends = frozenset()
        singles = list(table.singles())
        table.play([nothing, *singles])
        written = self.corner(nothing)
        requirement, label = say_requirement(self.asked), words_of(self.asked)
        single = tuple(map(self.corner, singles))
        if written.verdict not in ("holds", "does_not_hold"):
            return Rests(requirement, label, written, single)
        against = self._against()
        smallest: list[_Ends] = [one for one in singles if self.flips(one)]
        proven = True
        if not smallest and self.flips(against):
            smallest, proven = self._smallest(against)
        paired = self._pairs(singles) if pairs else []
        return Rests(
            requirement,
            label,
            written,
            single,
            self.corner(against),
            tuple(map(self.corner, smallest)),
            proven,
            tuple(map(self.corner, paired)),
        )

    def _against(self) -> _Ends:
        """Find the ends of all guesses at once that go against the verdict most."""
        table = self.table
        chosen: dict[str, End] = {}
        ties: list[str] = []
        for path, one in table.guessed.items():
            scores = {end: self.score(frozenset({(path, end)})) for end in one.ends}
            if len(scores) > len(set(scores.values())):
                ties.append(path)
            chosen[path] = max(scores, key=lambda end: scores[end])
        starts = [chosen]
        if len(ties) <= _TIES:
            starts = [{**chosen, **dict(zip(ties, ends, strict=True))} for ends in product(_ENDS, repeat=len(ties))]
        best = self._best([frozenset(one.items()) for one in starts]) or frozenset()
        for path, end in [] if self.flips(best) else sorted(best):
            others = frozenset((path, other) for other in table.guessed[path].ends if other != end)
            if others:
                best = self._best([best, best - {(path, end)} | others]) or best
        return best

    def _best(self, corners: Sequence[_Ends]) -> _Ends | None:
        self.table.play(corners)
        there = [one for one in corners if one in self.table.played]
        return max(there, key=self.score, default=None)

    def _smallest(self, against: _Ends) -> tuple[list[_Ends], bool]:
        """Find the smallest sets of those ends that flip the verdict; singles are known not to."""
        sets = 0
        for size in range(2, len(against)):
            some = [frozenset(one) for one in combinations(sorted(against), size)]
            sets += len(some)
            if sets > _MOST_SETS:
                return [self._reduced(against)], False
            self.table.play(some)
            if found := [one for one in some if self.flips(one)]:
                return found, True
        return [against], True

    def _reduced(self, ends: _Ends) -> _Ends:
        """Leave out one guess after the other, as long as the verdict still flips."""
        for one in sorted(ends):
            fewer = ends - {one}
            self.table.play([fewer])
            if self.flips(fewer):
                ends = fewer
        return ends

    def _pairs(self, singles: Sequence[_Ends]) -> list[_Ends]:
        """Screen all pairs; those of which one guess flips the verdict alone are known already."""
        alone = {path for one in singles if self.flips(one) for path, _ in one}
        some = [
            one | other
            for one, other in combinations(singles, 2)
            if len({path for path, _ in one | other}) == 2 and not alone & {path for path, _ in one | other}
        ]
        self.table.play(some)
        return [one for one in some if self.flips(one)]

    def corner(self, ends: _Ends) -> Corner:
        """Say what the requirement came to in these nights; one that could not be played judges nothing."""
        nights = self.table.played.get(ends, [])
        judged = [held for night in nights if (held := night.held[self.place]) is not None]
        return Corner(dict(sorted(ends)), sum(judged), len(judged), self._verdict(judged, nights))

    def _verdict(self, judged: Sequence[bool], nights: Sequence[PlayedNight]) -> ShareVerdict:
        drawn = any(one.drawn for one in nights)
        interval = share_interval(sum(judged), len(judged), self.table.confidence) if judged and drawn else None
        return VERDICTS[standing(sum(judged), len(judged), self.asked.in_share, interval)]

    def flips(self, ends: _Ends) -> bool:
        """Whether the verdict is the opposite with these ends."""
        written = self.corner(frozenset()).verdict
        return self.corner(ends).verdict == ("does_not_hold" if written == "holds" else "holds")

    def score(self, ends: _Ends) -> tuple[float, float]:
        """Say how far these ends go against the verdict as written: nights missed, then the figure beyond its bound."""
        corner = self.corner(ends)
        if not corner.judged:
            return -inf, -inf  # ends that leave nothing to judge go against no verdict
        sign = 1 if self.corner(frozenset()).verdict == "holds" else -1
        missed = (corner.judged - corner.held) / corner.judged
        return sign * missed, sign * float(self._beyond(self.table.played[ends]))

    def _beyond(self, nights: Sequence[PlayedNight]) -> Fraction | float:
        """The mean distance of the figure beyond the bound that it is nearest to; below 0 where it keeps it."""
        figure = of_requirement(self.asked)
        if figure is None:
            return 0.0
        values = [value for night in nights if (value := night.readings[figure.text].value) is not None]
        one = self.asked
        beyond = [
            max(
                value - one.at_most if one.at_most is not None else -inf,
                one.at_least - value if one.at_least is not None else -inf,
                abs(value - one.exactly) if one.exactly is not None else -inf,
            )
            for value in values
        ]
        return sum(map(Fraction, beyond)) / len(beyond) if beyond else 0.0
