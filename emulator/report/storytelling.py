"""Tells the story of one job, worker or requirement of a log or a night, and finds events of a log.

A job or a worker is found without folding the whole log: its own events are asked for, and of everything else the kinds
that its story needs. A requirement is judged anew, from all events. Events are asked for in the words of whoever reads
the log.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import starmap
from pathlib import Path
from typing import TYPE_CHECKING

from emulator.errors import LogError
from emulator.measure.story.facts import Rows, Story, settings_of
from emulator.measure.story.job import job_story, worker_story
from emulator.measure.story.surroundings import Surroundings
from emulator.record.asking import wanted_of
from emulator.record.event_view import KIND, WORKER, EventView, view
from emulator.record.events import Row
from emulator.record.finding import Jobs, find_worker
from emulator.record.log_reader import Log, fitting, open_log
from emulator.record.logged_scenario import loaded_of
from emulator.record.trail import Wanted, follow, known_kinds, trail
from emulator.scenario.clock import Clock
from emulator.scenario.load import AnyFolders, Loaded
from emulator.scenario.models.scenario import Requirement
from emulator.scenario.spelling import advise
from emulator.show.story.writing import Sentence, sentences

if TYPE_CHECKING:
    from emulator.experiment.night import NightResult
    from emulator.report.judged_log import JudgedLog

__all__ = [
    "Told",
    "Trail",
    "story_of_job",
    "story_of_night",
    "story_of_requirement",
    "story_of_worker",
    "trail_of",
]


@dataclass(frozen=True, slots=True)
class Told:
    """A story with its sentences, and the clock that its times are read from."""

    story: Story
    sentences: tuple[Sentence, ...]
    clock: Clock


class _LogSource:
    """The events of a log, asked for as a story needs them; what is written after it was opened is left aside."""

    def __init__(self, log: Log) -> None:
        self._log = log
        self.last = log.last()
        self.finished = log.finished
        self._known: dict[int, EventView] = {}
        self.of_job = lru_cache(maxsize=4096)(self._of_job)
        self.of_kinds = lru_cache(maxsize=16)(self._of_kinds)
        self.one = lru_cache(maxsize=65536)(self._one)

    @cached_property
    def _came(self) -> dict[int, int]:
        """The event by which each job came, before which there is none of it."""
        return {came.job: came.event for came in self.of_kinds(("submitted",))}

    def _of_job(self, job: int, before: int | None = None) -> Sequence[EventView]:
        up_to = self.last[0] if before is None else before - 1
        return self._keep(self._log.numbered(job=job, after=self._came.get(job, 1) - 1, up_to=up_to))

    def of_worker(self, worker: str) -> Sequence[EventView]:
        return list(starmap(view, self._log.numbered(worker=worker, up_to=self.last[0])))

    def _of_kinds(self, kinds: tuple[str, ...], workers: frozenset[str] | None = None) -> Sequence[EventView]:
        after = 0 if self._known else None  # the first look notices whether an event is missing
        return self._keep(self._log.numbered(kinds=kinds, workers=workers, after=after, up_to=self.last[0]))

    def heads(self, kinds: tuple[str, ...]) -> Iterable[EventView]:
        return starmap(view, self._log.heads(kinds, up_to=self.last[0]))

    def _one(self, number: int) -> EventView:
        known = self._known.get(number)
        return known or view(*next(iter(self._log.numbered(after=number - 1, up_to=number))))

    def _keep(self, numbered: Iterable[tuple[int, Row]]) -> list[EventView]:
        found = list(starmap(view, numbered))
        self._known.update((event.event, event) for event in found)
        return found


def story_of_job(path: str | Path, job: str, *, allow_folders: AnyFolders = ()) -> Told:
    """Tell the story of a job of a log.

    Args:
        path: the log; its run may go on, or have been stopped.
        job: its number, or ``entry#number``.

    Raises:
        LogError: when the log cannot be read or was changed since, or there is no such job.
        ScenarioError: when this version of the program does not take the log's scenario any more.
    """
    log = _checked(path, allow_folders)
    with fitting(log.path):
        source = _LogSource(log)
        number = Jobs(log.path, (came.row for came in source.of_kinds(("submitted",)))).find(job)
        loaded = loaded_of(log)
        around = _around(source, loaded)
        return _told(job_story(around, number), around, loaded)


def story_of_worker(path: str | Path, worker: str, *, allow_folders: AnyFolders = ()) -> Told:
    """Tell the story of a worker of a log.

    Raises:
        LogError: when the log cannot be read or was changed since, or no event names such a worker.
        ScenarioError: when this version of the program does not take the log's scenario any more.
    """
    log = _checked(path, allow_folders)
    with fitting(log.path):
        name = find_worker(log.path, log.workers(), worker)
        loaded = loaded_of(log)
        around = _around(Rows(log.rows(), finished=log.finished), loaded)
        return _told(worker_story(around, name), around, loaded)


def story_of_requirement(path: str | Path, asked: str, *, allow_folders: AnyFolders = ()) -> Told:
    """Tell which jobs and events a requirement met or missed by.

    Args:
        path: the log.
        asked: its place among the scenario's requirements, from 1, or the name of its measure.

    Raises:
        LogError: when the log cannot be read or was changed since, or its scenario has no such requirement.
        ScenarioError: when this version of the program does not take the log's scenario any more.
    """
    from emulator.report.judged_log import judged_log  # it loads the world, which no other story of a log needs

    found = judged_log(path, allow_folders=allow_folders)
    with fitting(path):
        around = _around(Rows(found.rows, finished=found.log.finished), found.loaded)
        return _of_requirement(found.log.path, found, around, asked)


def story_of_night(
    night: "NightResult", *, job: str | None = None, worker: str | None = None, requirement: str | None = None
) -> Told:
    """Tell a story from a night that was just run and kept its events: of a job, a worker or a requirement.

    Args:
        night: the night.
        job, worker, requirement: one of them, as for the functions of a log.

    Raises:
        LogError: when there is no such job, worker or requirement.
        InputError: when the night kept no events.
    """
    rows = list(night.every_row())
    path = Path(night.loaded.name)
    around = _around(Rows(rows, finished=True), night.loaded)
    if job is not None:
        number = Jobs(path, (row for row in rows if row[KIND] == "submitted")).find(job)
        return _told(job_story(around, number), around, night.loaded)
    if worker is not None:
        known = tuple(dict.fromkeys(row[WORKER] for row in rows if row[WORKER]))
        return _told(worker_story(around, find_worker(path, known, worker)), around, night.loaded)
    return _of_requirement(path, night, around, requirement or "")


def _of_requirement(path: Path, found: "JudgedLog | NightResult", around: Surroundings, asked: str) -> Told:
    from emulator.measure.story.requirement import requirement_story

    number = _find_requirement(path, found.loaded.scenario.must_hold, asked)
    requirement, judged = found.loaded.scenario.must_hold[number - 1], found.judged[number - 1]
    story = requirement_story(around, found.night, requirement, judged, number, judged.asks)
    return _told(story, around, found.loaded)


def _checked(path: str | Path, allow_folders: AnyFolders) -> Log:
    log = open_log(path, allow_folders=allow_folders)
    log.check()
    return log


def _around(source: "_LogSource | Rows", loaded: Loaded) -> Surroundings:
    return Surroundings(source, settings_of(loaded.scenario), loaded.scenario.lasts)


def _told(story: Story, around: Surroundings, loaded: Loaded) -> Told:
    return Told(story, tuple(sentences(story, loaded.clock, around.causes.chain)), loaded.clock)


def _jobs_of(requirement: Requirement) -> str:
    if requirement.each_occurrence_of is not None:
        return f"each occurrence of {requirement.each_occurrence_of}"
    return f"every job of {requirement.entry}"


def _find_requirement(path: Path, requirements: Sequence[Requirement], asked: str) -> int:
    if not requirements:
        raise LogError(f"{path}: its scenario states no requirement")
    if asked.isascii() and asked.isdecimal():
        if 1 <= int(asked) <= len(requirements):
            return int(asked)
        raise LogError(f"{path}: there is no requirement {asked}: its scenario states {len(requirements)}, from 1 on")
    names = [one.measure or _jobs_of(one) for one in requirements]
    places = [place for place, name in enumerate(names, 1) if name == asked]
    if not places:
        raise LogError(f"{path}: there is no requirement on {asked!r}: {advise(asked, names)}")
    if len(places) > 1:
        from emulator.measure.requirements import say_requirement

        said = "; ".join(f"{place} is {say_requirement(requirements[place - 1])}" for place in places)
        raise LogError(f"{path}: {len(places)} requirements are on {asked}: give the number: {said}")
    return places[0]


@dataclass(frozen=True, slots=True)
class Trail:
    """The events that were asked for, and what is needed to write them; made by ``trail_of``.

    Attributes:
        log: the log.
        clock: the scenario's clock.
        jobs: names its jobs.
        wanted: what is asked of each event.
        ends: the tick at which the scenario ends.
    """

    log: Log
    clock: Clock
    jobs: Jobs
    wanted: Wanted
    ends: int

    def events(self, *, causes: bool = False) -> Iterator[tuple[int, Row]]:
        """Give (number, row) of each event that is there, in order; with ``causes`` also of all that led to it."""
        return trail(self.log, self.wanted, causes=causes)

    def followed(self, pause: Callable[[], None]) -> Iterator[tuple[int, Row]]:
        """Give (number, row) of each event as it is written, until the run is finished; ``pause`` waits for more."""
        return follow(self.log.path, self.wanted, pause)


def trail_of(
    path: str | Path,
    *,
    job: str | None = None,
    worker: str | None = None,
    kinds: Sequence[str] = (),
    from_: str | None = None,
    until: str | None = None,
    allow_folders: AnyFolders = (),
) -> Trail:
    """Find the events of a log that somebody asks for.

    Args:
        path: the log; its run may go on.
        job: its number, or ``entry#number``.
        worker: its name.
        kinds: of these kinds alone.
        allow_folders: folders below which the files of its scenario may lie too.
        from_, until: moments as in a scenario file (``"21:40"``, ``"+2h30m"``, a full timestamp); until is left out.

    Raises:
        LogError: when the log cannot be read or was changed since, or there is no such job, worker or kind.
        InputError: when a moment is none, or lies where the night is not.
    """
    known_kinds(kinds)
    log = open_log(path, allow_folders=allow_folders)
    log.check()
    loaded = loaded_of(log)
    jobs = Jobs(log.path)
    wanted = wanted_of(
        log,
        job=job,
        worker=worker,
        kinds=tuple(kinds) or None,
        from_=from_,
        until=until,
        jobs=jobs,
        loaded=loaded,
        names=("--from", "--until"),
    )
    return Trail(log, loaded.clock, jobs, wanted, loaded.scenario.lasts)
