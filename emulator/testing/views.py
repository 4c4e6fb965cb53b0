"""What can a test see of an emulation: its events, its figures, its jobs, at any moment?"""

import inspect
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from emulator.broker.broker import Broker
from emulator.errors import InputError
from emulator.measure.catalogue import FigureName, find
from emulator.measure.comparison.wanted import Wanted, check_names
from emulator.measure.estimate import Figure
from emulator.measure.figures import figure
from emulator.measure.fold import NightFold
from emulator.measure.night import Night
from emulator.measure.selection import Where
from emulator.measure.story.job import job_story
from emulator.measure.story.settings import settings_of
from emulator.measure.story.source import Rows
from emulator.measure.story.surroundings import Surroundings
from emulator.record.event_view import JOB, KIND
from emulator.record.events import Event, EventKind, Row, read
from emulator.record.export import digest
from emulator.record.trail import known_kinds
from emulator.scenario.aims import aims
from emulator.scenario.arguments import FLAG, FUNCTION, PATH, WHOLE, must_be, texts
from emulator.scenario.load import Loaded
from emulator.scenario.spelling import advise
from emulator.show.phrases import spoken
from emulator.show.reasons import in_words
from emulator.show.story.writing import lines as story_lines
from emulator.testing.jobs import JobHandle, name_of
from emulator.testing.saving import save
from emulator.testing.span import Span
from emulator.testing.stream import Stream
from emulator.testing.workers import WorkerView
from emulator.timeline.reports import place_of
from emulator.timeline.ticks import SECOND, say
from emulator.world.world import World

if TYPE_CHECKING:
    from emulator.testing.handlers import Handlers
    from emulator.testing.mistakes import WatchedPolicy
    from emulator.testing.programs import Programs

__all__ = ["Views"]


class Views:
    """What is seen of an emulation."""

    agenda: Span
    keeper: "Handlers"
    loaded: Loaded
    programs: "Programs"
    seed: int
    stream: Stream
    world: World
    _entry_of: Mapping[str, str]
    _retry: "Mapping[str, WatchedPolicy]"

    @property
    def time(self) -> float:
        """The seconds of virtual time since the start of the scenario."""
        return self.agenda.now / SECOND

    def clock_time(self) -> datetime:
        """Give the time on the wall, in the scenario's zone."""
        return self.world.clock.local(self.agenda.now)

    # -- jobs ----------------------------------------------------------------------------------------------------------

    def job(self, which: int | str) -> JobHandle:
        """Give the handle of a job by its number, or by its name ``entry#number``.

        Raises:
            InputError: when there is no such job (yet).
        """
        jobs = self.stream.of_job
        if isinstance(which, int) and which in jobs:
            return JobHandle(self, which)
        for number, rows in jobs.items():
            if name_of(rows[0]) == which:
                return JobHandle(self, number)
        known = [name_of(rows[0]) for rows in jobs.values()]
        what = advise(str(which), known) if known else "none has been submitted"
        raise InputError(f"there is no job {which!r} at {self._reading()}: {what}")

    def jobs(self) -> list[JobHandle]:
        """Give the handles of all jobs so far, in the order in which they came."""
        return [JobHandle(self, number) for number in self.stream.of_job]

    def why_unfinished(self, job: int) -> str:
        """Say in words why a job, by its number, is unfinished, and where its handler waits.

        Raises:
            InputError: when there is no such job (yet).
        """
        job = self.job(job).number
        said = in_words(self.world.explain(job))
        for attempt in self.keeper.working():
            if attempt.order.job == job and attempt.task is not None:
                said += f"; attempt {attempt.order.attempt} waits {place_of(attempt.task)}"
        return said

    # -- workers -------------------------------------------------------------------------------------------------------

    @property
    def workers(self) -> tuple[WorkerView, ...]:
        """All workers, pool by pool as the scenario names them, whatever state they are in."""
        return tuple(WorkerView(self.world, worker) for worker in self.world.workers.values())

    def worker(self, name: str) -> WorkerView:
        """Give a worker to look at: ``emu.worker("dome-1").state``.

        Raises:
            InputError: when there is no such worker; the message gives the nearest.
        """
        found = self.world.workers.get(name)
        if found is None:
            raise InputError(f"there is no worker {name!r}: {advise(str(name), tuple(self.world.workers))}")
        return WorkerView(self.world, found)

    # -- events and figures --------------------------------------------------------------------------------------------

    @property
    def broker(self) -> Broker:
        """The broker, to look at; what changes it goes through the emulator."""
        return self.world.broker

    @property
    def _rows(self) -> list[Row]:
        """Every event so far, as it was written."""
        return self.stream.rows

    def recorded(self, *kinds: EventKind) -> list[Event]:
        """Give the events so far, in order; of some kinds only, if any are named: ``emu.recorded("handed_out")``.

        Raises:
            InputError: for a kind that there is not; the message gives the nearest.
        """
        known_kinds(texts("kinds", kinds))
        return [event for event in read(self._rows) if not kinds or event.kind in kinds]

    def events(self, *, since_start: bool = False) -> AsyncIterator[Event]:
        """Give every event from now on as it comes, until the emulation is over: ``async for event in emu.events()``.

        Args:
            since_start: begin with the first event instead.
        """
        return self.stream.events(1 if since_start else len(self._rows) + 1)

    def subscribe(self, subscriber: Callable[[Event], object]) -> Callable[[], None]:
        """Have a function called with every event from now on; gives the function that ends that.

        It is called in a turn of its own, when the world is at rest, so it may use the emulator. What it raises ends
        its subscription, and is raised again when the emulation is left: an ``assert`` in it fails the test.

        Raises:
            InputError: for what cannot be called, or is async.
        """
        must_be(FUNCTION, subscriber=subscriber)
        if inspect.iscoroutinefunction(subscriber):
            raise InputError("subscriber: found an async function: give a plain one, or read `async for` in `events()`")
        return self.stream.subscribe(subscriber)

    def night(self) -> Night:
        """Fold the events so far: what a night looks like that ends now."""
        world = self.world
        pools, slots, takes = world.pools_of_workers(), world.slots(), world.takes_slots()
        fold = NightFold(max(1, self.agenda.now), pools=pools, slots=slots, takes_slots=takes)
        fold.feed_all(self._rows)
        return replace(fold.close(), aims=aims(self.loaded))

    def figure(
        self,
        name: FigureName,
        *,
        routine: str | None = None,
        queue: str | None = None,
        entry: str | None = None,
        pool: str | None = None,
        effect: str | None = None,
        target: str | None = None,
        set_of: str | None = None,
    ) -> Figure:
        """Read one figure of the catalogue as it stands now, of the whole emulation or of a part of it.

        Raises:
            InputError: for a name that is not in the catalogue, or a part that the scenario does not have (the message
                gives the nearest). Also for a part that the figure cannot be filtered by.
        """
        asked = Wanted(find(name).name, Where(routine, queue, entry, pool, effect, target, set_of))
        night = self.night()
        check_names([asked], self.loaded.scenario, self._entry_of.values())
        return figure(night, asked.name, asked.where)

    def digest(self) -> str:
        """Give the SHA-256 of the events so far as JSON Lines: the same run gives the same."""
        return digest(self._rows)

    @property
    def failures(self) -> list[BaseException]:
        """What handlers raised that is neither transient nor permanent, what programs, policies and subscribers raised.

        They are likely mistakes in the code under test: look here when a job fails and it is not clear why.
        """
        return [error for _, error in self.failures_by()]

    def failures_by(self) -> list[tuple[str, BaseException]]:
        """Give the failures, each with the words that say who raised it."""
        return [
            *((f"{of.name}, attempt {of.attempt} on {of.worker}", error) for of, error in self.keeper.failures),
            *((f"the program of {worker}", error) for worker, error in self.programs.failures),
            *((f"the retry policy of {queue}", error) for queue, of in self._retry.items() for error in of.failures),
            *(("a subscriber to the events", error) for error in self.stream.failures),
        ]

    def stories(self, at_most: int = 3) -> str:
        """Tell the stories of the jobs that failed or are unfinished, and of those with a request refused as stale.

        Args:
            at_most: so many jobs, in the order of their numbers.
        """
        must_be(WHOLE, at_most=at_most)
        stale = {row[JOB] for row in self._rows if row[KIND] == "stale_refused"}
        concerned = [job for job in self.jobs() if job.state != "done" or job.number in stale]
        if not concerned:
            return ""
        scenario = self.loaded.scenario
        around = Surroundings(Rows(self._rows, finished=False), settings_of(scenario), scenario.lasts)
        told = []
        for job in concerned[:at_most]:
            ending = job.ending
            why = (
                self.why_unfinished(job.number)
                if ending is None
                else ": ".join(part for part in (spoken(ending.sub_state), ending.why) if part)
            )
            outcomes = ", ".join(map(spoken, job.outcomes)) or "none yet"
            line = f"{job.name} is {spoken(job.state)}" + (f" ({why})" if why else "") + f"; attempts: {outcomes}"
            lines = story_lines(job_story(around, job.number), self.loaded.clock)
            told.append("\n".join([line, *(f"  {time:<8}  {text}" for _, time, text, _ in lines)]))
        return "\n".join(told)

    async def save(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write the events so far to a new SQLite log, while the clock stands still.

        Args:
            path: the file.
            overwrite: let it take the place of an earlier log.

        Raises:
            LogError: when it cannot be written, or is there already.
        """
        must_be(PATH, path=path)
        must_be(FLAG, overwrite=overwrite)
        return await save(self._rows, self.loaded, self.seed, Path(path), overwrite=overwrite)

    def _reading(self) -> str:
        return f"{self.clock_time():%Y-%m-%d %H:%M:%S} ({say(self.agenda.now)} after the start)"
