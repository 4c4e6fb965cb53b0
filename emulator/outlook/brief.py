"""Collects for a board that decides on a change what it has to know, and what played nights showed of it.

Every figure is of nights that were played for this: the scenario as written, each of its questions, and each guess at
its ends. What nights cannot show (the way back, who owns the risk) is what the scenario states, or "not stated".
"""

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from emulator.errors import InputError
from emulator.experiment.compare import carry_out
from emulator.experiment.comparison_plan import MOST_NIGHTS
from emulator.experiment.comparison_plan import plan as plan_of
from emulator.experiment.guesses import guesses
from emulator.experiment.night import Progress
from emulator.experiment.settings import setting_of
from emulator.measure.comparison.intervals import Interval
from emulator.measure.comparison.questions import Fit, Resting, answers_of
from emulator.measure.comparison.result import Comparison, Share, ShareVerdict, Spread
from emulator.measure.comparison.shares import ALL, Outcome, outcome_of
from emulator.measure.comparison.wanted import default_figures, of_requirement
from emulator.measure.estimate import Unit
from emulator.measure.requirements import has_bound, say_requirement, words_of
from emulator.outlook.not_looked_at import not_looked_at, not_varied
from emulator.scenario import models
from emulator.scenario.arguments import WHOLE, must_be
from emulator.scenario.load import AnyFolders, AnyScenario, Loaded, loaded_from
from emulator.scenario.messages import SOURCES
from emulator.scenario.stated import NOT_STATED, stated
from emulator.scenario.variants import AS_WRITTEN
from emulator.scenario.written import COMPARING, value_at
from emulator.show.settings import assumed, faults_called

__all__ = ["Assumption", "Brief", "FactSeen", "Figured", "RequirementSeen", "WhatIf", "brief"]

_GUESS_NIGHTS: Final = 60
_ORDER: Final = ("guess", NOT_STATED, "estimated", "agreed", "documented", "measured")
"""In which order assumptions stand: what is least known comes first."""
assert set(_ORDER) == {*SOURCES, NOT_STATED}
_FITS: Final[Mapping[Outcome, Fit]] = {
    "good": "fits",
    "bad": "does_not_fit",
    "open": "too_few_nights",
    "nothing_asked": "nothing_asked",
}


@dataclass(frozen=True, slots=True)
class Figured:
    """One figure over the nights of one setting, such as the makespan.

    Attributes:
        unit: time (ticks), share, count or ratio.
        least: the smallest value of a night; ``median`` and ``most`` likewise. None where no night gave one.
        median: see ``least``.
        most: see ``least``.
        lower_bounds: which of them are only known to be more than what stands there.
        unvaried: every night gave the same value: so many nights are one observation of it.
    """

    unit: Unit
    least: float | None
    median: float | None
    most: float | None
    lower_bounds: tuple[str, ...]
    unvaried: bool


@dataclass(frozen=True, slots=True)
class RequirementSeen:
    """What nights showed of one requirement.

    Attributes:
        requirement: with the name of its measure, as it is typed.
        label: in words: its own, if it has some.
        held: in how many nights it held, of ``judged`` in which there was something to judge.
        judged: see ``held``.
        interval: the exact interval of the share of such nights, for all answers of the brief together; None where
            nothing was judged or nothing is random.
        verdict: holds, does_not_hold, undecided or nothing_to_judge.
        at_least: its bound in one night; both bounds for an exact value.
        at_most: likewise.
        figure: what nights gave; None for one on the jobs of an entry.
        missed_seeds: the first seeds of nights that missed it.
    """

    requirement: str
    label: str
    held: int
    judged: int
    interval: Interval | None
    verdict: ShareVerdict
    at_least: float | None
    at_most: float | None
    figure: Figured | None
    missed_seeds: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class FactSeen:
    """A fact of the story (`also_true`): in how many nights it was true, of ``judged``; 0 of 0 where none was read."""

    label: str
    true: int
    judged: int


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What nights showed of one question.

    Attributes:
        ask: the question.
        answer: whether the night fits.
        kept: in how many nights everything was met, of ``judged``.
        judged: see ``kept``.
        interval: as for a requirement.
        fails: the requirements that are missed, in words, else those that are open.
        missed_seeds: the first seeds of nights in which one is missed.
        done: the share of jobs done. makespan: from the first job to the end of the last.
    """

    ask: str
    answer: Fit
    kept: int
    judged: int
    interval: Interval | None
    fails: tuple[str, ...]
    missed_seeds: tuple[int, ...]
    done: Figured | None
    makespan: Figured | None


@dataclass(frozen=True, slots=True)
class Assumption:
    """A value on which the nights rest.

    Attributes:
        name: what it is.
        value: as it is written.
        source: guess, source not stated, estimated, agreed, documented or measured.
        on: the day of that source; "" for none.
        age_days: from then to the night; None for none, or where the day is after the night.
        n: on how many observations it rests.
        flips: each requirement whose verdict is another one at an end of this guess: in words, with the end.
    """

    name: str
    value: str
    source: str
    on: str = ""
    age_days: int | None = None
    n: int | None = None
    flips: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Brief:
    """All that a brief tells; nothing of it is cut.

    Attributes:
        title: of the scenario, with what was set on the command line.
        about: what it shows, in its own words.
        file: the scenario, as given.
        date: when the night begins, and how long it lasts; ``zone`` with the offset at the start.
        zone: see ``date``.
        clock_changes: each change of the clock within the night, in words.
        stated: what the scenario's `brief` states, by key; what it leaves out is not here.
        answer: whether the night fits.
        kept: in how many nights everything was met at once, of ``judged``.
        judged: see ``kept``.
        interval: of the share of such nights, as for a requirement.
        random: whether anything is drawn; if not, all nights are one.
        nights: how many of the scenario and of each question were played.
        first_seed: the seed of the first.
        confidence: of all intervals together.
        requirements: what must hold.
        facts: what merely states the story.
        what_ifs: each question.
        assumptions: what nights rest on: guesses first.
        guess_nights: how many nights each end of a guess was tried in; 0 where none was.
        guesses_not_tried: why they were not; "" if they were, or there is none.
        not_varied: what is the same in every night.
        not_looked_at: what neither the nights nor the questions have.
        commands: the one that makes all of it again, then those that tell more of each part.
        files: (name, SHA-256) of each file.
        versions: of the program, of Python, of the zone data.
    """

    title: str
    about: str
    file: str
    date: str
    zone: str
    clock_changes: tuple[str, ...]
    stated: Mapping[str, Any]
    answer: Fit
    kept: int
    judged: int
    interval: Interval | None
    random: bool
    nights: int
    first_seed: int
    confidence: float
    requirements: tuple[RequirementSeen, ...]
    facts: tuple[FactSeen, ...]
    what_ifs: tuple[WhatIf, ...]
    assumptions: tuple[Assumption, ...]
    guess_nights: int
    guesses_not_tried: str
    not_varied: tuple[str, ...]
    not_looked_at: tuple[str, ...]
    commands: tuple[str, ...]
    files: tuple[tuple[str, str], ...]
    versions: Mapping[str, str] = field(default_factory=dict)

    @property
    def outcome(self) -> Outcome:
        """How the scenario as written came out: what is asked besides is an answer, no requirement."""
        if self.answer == "failed_to_run" or any(one.answer == "failed_to_run" for one in self.what_ifs):
            return "bad"
        return next((outcome for outcome, fit in _FITS.items() if fit == self.answer), "open")


def brief(
    scenario: AnyScenario,
    *,
    nights: int = 100,
    first_seed: int | None = None,
    processes: int | None = None,
    progress: Progress | None = None,
    allow_folders: AnyFolders = (),
) -> Brief:
    """Play the nights of a scenario, of its questions and of its guesses, and tell what a board has to know.

    Args:
        scenario: a file's path, settings as a mapping, or what ``load`` gave.
        nights: of the scenario and of each question, from 1 to 1,000,000; each end of a guess gets 60 at most.
        first_seed: by default the scenario's.
        processes: how many processes run nights; by default one for each processor.
        progress: told the share that is done.
        allow_folders: folders below which the files of the scenario may lie, beside its own folder.

    Raises:
        ScenarioError: with every mistake in the scenario.
        InputError: for arguments out of range.
    """
    must_be(WHOLE, nights=nights)
    if not 1 <= nights <= MOST_NIGHTS:
        raise InputError(f"{nights} nights are out of range: give a number from 1 to {MOST_NIGHTS:,}")
    loaded = loaded_from(scenario, allow_folders)
    guessed = any(told.source == "guess" for told in _said(loaded).values())
    found = _played(loaded, nights, first_seed, processes, _part(progress, 0, 0.6 if guessed else 1))
    own = _of_setting(found, AS_WRITTEN)
    resting, not_tried = _resting(loaded, nights, found.first_seed, processes, _part(progress, 0.6, 1), guessed)
    about = assumed(loaded)
    told, own_words = loaded.scenario.brief, _own_words(loaded.scenario)
    wide = {one.variant: one for one in found.spreads if one.measure == "makespan"}
    done = {one.variant: one for one in found.spreads if one.measure == "done_share"}
    return Brief(
        title=loaded.title,
        about=loaded.scenario.about.strip(),
        file=loaded.name,
        date=about.date,
        zone=about.zone,
        clock_changes=about.clock_changes,
        stated={} if told is None else told.model_dump(exclude_defaults=True),
        answer=own.answer,
        kept=own.kept,
        judged=own.judged,
        interval=own.interval,
        random=any(night.drawn for night in found.played),
        nights=nights,
        first_seed=found.first_seed,
        confidence=found.confidence,
        requirements=tuple(_requirement(found, one, own_words) for one in _shares(found, AS_WRITTEN)),
        facts=tuple(_fact(found, one) for one in loaded.scenario.also_true),
        what_ifs=tuple(
            _what_if(
                found,
                asked.ask,
                _own_words(asked.scenario),
                _figured(done.get(asked.ask), nights),
                _figured(wide.get(asked.ask), nights),
            )
            for asked in loaded.questions
        ),
        assumptions=_assumptions(loaded, resting),
        guess_nights=resting.nights if resting is not None else 0,
        guesses_not_tried=not_tried,
        not_varied=tuple(not_varied(loaded)),
        not_looked_at=(*(told.not_looked_at if told is not None else ()), *not_looked_at(loaded)),
        commands=_commands(loaded, nights, found.first_seed, bool(loaded.questions), guessed and not not_tried),
        files=about.files,
        versions=found.versions,
    )


def _commands(loaded: Loaded, nights: int, seed: int, asks: bool, guessed: bool) -> tuple[str, ...]:
    """Name the command that makes the whole brief again, then those that tell more of each of its parts."""
    of = shlex.quote(loaded.name)
    allowed = [f"--allow-folder {shlex.quote(str(folder))}" for folder in loaded.folders.allowed]
    found = [f"queuedrill brief {of} --nights {nights} --seed {seed} --json"]
    found += [f"queuedrill run {of} --nights {nights} --seed {seed}{' --questions' if asks else ''}"]
    found += [f"queuedrill guesses {of} --nights {min(nights, _GUESS_NIGHTS)} --seed {seed}"] if guessed else []
    return tuple(" ".join([line, *map(str, loaded.changes), *allowed]) for line in found)


def _part(progress: Progress | None, low: float, high: float) -> Progress | None:
    """Give what tells the progress of one part of the work."""
    return None if progress is None else lambda share: progress(low + (high - low) * share)


def _played(
    loaded: Loaded, nights: int, first_seed: int | None, processes: int | None, progress: Progress | None
) -> Comparison:
    """Play the scenario as written and each question on the same draws."""
    patches: dict[str, Mapping[str, Any]] = {AS_WRITTEN: {}, **{one.ask: one.patch for one in loaded.questions}}
    settings = [setting_of(loaded, name, patch) for name, patch in patches.items()]
    scenario = loaded.scenario
    measures = [one.text for one in default_figures((*scenario.must_hold, *scenario.also_true))]
    plan = plan_of(settings, (loaded.name,), measures, None, 0.95, first_seed)
    return carry_out(plan, nights, processes=processes, progress=progress)


def _own_words(scenario: models.Scenario) -> Mapping[str, str]:
    """Give for each requirement that has words of its own these words, by how it is typed."""
    return {say_requirement(one): one.say for one in scenario.must_hold if one.say is not None}


def _shares(found: Comparison, variant: str) -> list[Share]:
    return [one for one in found.shares if one.variant == variant and one.requirement != ALL]


@dataclass(frozen=True, slots=True)
class _Setting:
    answer: Fit
    kept: int
    judged: int
    interval: Interval | None


def _of_setting(found: Comparison, variant: str) -> _Setting:
    """Say how one setting came out; with several, by the rule of recommendation."""
    kept = next((one for one in found.shares if one.variant == variant and one.requirement == ALL), None)
    if found.recommendation is not None:
        answers = answers_of(found, [""] * len(found.variants))
        one = next(one for one in (answers.as_written, *answers.questions) if one.ask == variant)
        return _Setting(one.answer, one.kept, one.judged, one.interval)
    fit: Fit = "failed_to_run" if found.lost else _FITS[outcome_of(found)]
    if fit == "too_few_nights" and kept is not None and not kept.judged:
        fit = "not_judged"
    return _Setting(fit, 0, 0, None) if kept is None else _Setting(fit, kept.held, kept.judged, kept.together)


def _figured(one: Spread | None, nights: int) -> Figured | None:
    if one is None or not one.n:
        return None
    same = one.n == nights and one.least == one.most and not one.more_than and nights > 1
    return Figured(one.unit, one.least, one.median, one.most, one.lower_bounds, same)


def _requirement(found: Comparison, one: Share, own_words: Mapping[str, str]) -> RequirementSeen:
    spread = next((it for it in found.spreads if it.measure == one.measure and it.variant == one.variant), None)
    figure = _figured(spread, found.nights) if one.measure else None
    return RequirementSeen(
        one.requirement,
        own_words.get(one.requirement, one.asks),
        one.held,
        one.judged,
        one.together,
        one.verdict,
        one.at_least,
        one.at_most,
        figure,
        one.missed_seeds,
    )


def _fact(found: Comparison, one: models.Requirement) -> FactSeen:
    """Judge a fact on every night of the scenario as written; one on the jobs of an entry is judged by `run` alone."""
    figure = of_requirement(one)
    if figure is None or not has_bound(one):
        return FactSeen(words_of(one), 0, 0)
    nights = [night for night in found.played if night.variant == AS_WRITTEN and not night.failure]
    held = [_is_true(one, night.readings[figure.text].value, night.readings[figure.text].more_than) for night in nights]
    known = [each for each in held if each is not None]
    return FactSeen(words_of(one), sum(known), len(known))


def _is_true(one: models.Requirement, value: float | None, more_than: bool) -> bool | None:
    if value is None:
        return None
    low = one.at_least if one.exactly is None else one.exactly
    high = one.at_most if one.exactly is None else one.exactly
    if more_than and ((low is not None and value < low) or (high is not None and value <= high)):
        return None
    return (low is None or value >= low) and (high is None or value <= high)


def _what_if(
    found: Comparison, ask: str, own_words: Mapping[str, str], done: Figured | None, makespan: Figured | None
) -> WhatIf:
    of = _of_setting(found, ask)
    shares = _shares(found, ask)
    fails = [one for one in shares if one.verdict == "does_not_hold"]
    fails = fails or [one for one in shares if one.verdict == "undecided"]
    seeds = next((one.missed_seeds for one in found.shares if one.variant == ask and one.requirement == ALL), ())
    said = tuple(own_words.get(one.requirement, one.asks) for one in fails)
    return WhatIf(ask, of.answer, of.kept, of.judged, of.interval, said, seeds, done, makespan)


# -- what is assumed --------------------------------------------------------------------------------------------------


def _said(loaded: Loaded) -> Mapping[str, Any]:
    return {path: told for path, told in loaded.provenance.items() if path.split(".")[0] not in COMPARING}


def _resting(
    loaded: Loaded, nights: int, seed: int, processes: int | None, progress: Progress | None, guessed: bool
) -> tuple[Resting | None, str]:
    """Try each guess at its ends; why that could not be done otherwise."""
    if not guessed:
        return None, ""
    if not any(map(has_bound, loaded.scenario.must_hold)):
        return None, "nothing is required that they could change"
    tried = min(nights, _GUESS_NIGHTS)
    try:
        return guesses(loaded, nights=tried, first_seed=seed, processes=processes, progress=progress), ""
    except InputError as error:
        return None, str(error)


def _assumptions(loaded: Loaded, resting: Resting | None) -> tuple[Assumption, ...]:
    night = loaded.clock.local(0).date()
    flips = {} if resting is None else _flips(resting)
    found = []
    for path, told in _said(loaded).items():
        age = None if told.on is None or told.on > night else (night - told.on).days
        words = _written(value_at(loaded.data, path))
        on = "" if told.on is None else told.on.isoformat()
        found.append(Assumption(_called(loaded, path), words, told.source, on, age, told.n, tuple(flips.get(path, ()))))
    bare = [one for one in stated(loaded, faults_called(loaded)) if one.source == NOT_STATED]
    found += [Assumption(f"{one.entry}: {one.what}", one.value, NOT_STATED) for one in bare]
    return tuple(sorted(found, key=lambda one: (_ORDER.index(one.source), not one.flips)))


def _flips(resting: Resting) -> dict[str, list[str]]:
    """Say by path of each guess which verdicts it flips, at which end, and together with which others."""
    by_path = {one.path: one for one in resting.guesses}
    found: dict[str, list[str]] = {}
    for rests in resting.requirements:
        for corner in rests.smallest:
            for path, end in corner.ends.items():
                guess = by_path[path]
                value = guess.low if end == "low" else guess.high
                others = len(corner.ends) - 1
                beside = f" together with {others} more" if others else ""
                found.setdefault(path, []).append(f"{rests.label}: another verdict with {value}{beside}")
    return found


def _called(loaded: Loaded, path: str) -> str:
    """Name the value at a path as people read it: by the names of items and with keys as words.

    It reads ``queue night: lease``, ``routine copy: parts, read, takes``, ``the whole night: lasts``.
    """
    parts: list[str] = []
    value: Any = loaded.data
    for part in path.split("."):
        value = value[int(part)] if isinstance(value, Sequence) and not isinstance(value, str) else value[part]
        name = value.get("name") or value.get("routine") if isinstance(value, Mapping) else None
        parts.append(str(name) if part.isdecimal() and isinstance(name, str) else part.replace("_", " "))
    if len(parts) == 1:
        return f"the whole night: {parts[0]}"
    first = parts[0].removesuffix("s")
    return f"{first} {parts[1]}: {', '.join(parts[2:])}" if len(parts) > 2 else f"{first} {parts[1]}"


def _written(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{str(key).replace('_', ' ')} {_written(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        return " to ".join(map(_written, value)) if len(value) == 2 else ", ".join(map(_written, value))
    return str(value)
