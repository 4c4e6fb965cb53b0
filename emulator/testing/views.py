"""What a test sees of an emulation: its events, figures, jobs and workers, at any moment, and a log of them."""

import inspect
from collections.abc import AsyncIterator, Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, Protocol

from emulator.broker.broker import Broker
from emulator.broker.rules import Outcome
from emulator.broker.states import FINAL_STATES, State, StateName
from emulator.errors import InputError, NeverError
from emulator.measure.catalogue import FigureName, find
from emulator.measure.comparison.wanted import Wanted, check_names
from emulator.measure.estimate import Figure
from emulator.measure.figures import Where, figure
from emulator.measure.fold import NightFold
from emulator.measure.night import Night
from emulator.measure.story.facts import Rows, settings_of
from emulator.measure.story.job import job_story
from emulator.measure.story.surroundings import Surroundings
from emulator.measure.words import why_in_words
from emulator.record.event_view import JOB, KIND, view, views
from emulator.record.events import DETAILS, Event, EventKind, Row, read
from emulator.record.export import digest
from emulator.record.history import job_of
from emulator.record.log_writer import SqliteRecorder
from emulator.record.meta import RunMeta
from emulator.record.trail import known_kinds
from emulator.scenario.arguments import FLAG, FUNCTION, PATH, WHOLE, must_be, texts
from emulator.scenario.load import Loaded
from emulator.scenario.spelling import advise
from emulator.scenario.stated import aims, resolved
from emulator.show.story.writing import lines as story_lines
from emulator.show.words import in_words, spoken
from emulator.testing.stream import Span, Stream
from emulator.timeline.reports import place_of
from emulator.timeline.stops import clock_stop
from emulator.timeline.ticks import SECOND, say
from emulator.world.worker import BOOTING, OFF, Worker, WorkerState
from emulator.world.world import World

if TYPE_CHECKING:
    from emulator.testing.client import Programs
    from emulator.testing.handlers import Handlers
    from emulator.testing.settings import WatchedPolicy

__all__ = [
    "Ending",
    "JobHandle",
    "Views",
    "WorkerView",
    "name_of",
    "save",
]


_STATES: Final = tuple(state.value for state in State)
_ENTERS: Final = {"handed_out": State.RUNNING.value, "suspended": State.SUSPENDED.value, "resumed": State.RUNNING.value}


@dataclass(frozen=True, slots=True)
class Ending:
    """How a job ended.

    Attributes:
        state: ``done`` or ``failed``.
        sub_state: for a failed one: attempts_used_up, permanent_error, withdrawn, expired, and so on.
        why: the last reason, in words; "" when it is done.
        attempts: how many there were.
        said: what was said of the last attempt, in words, such as the handler's own in ``PermanentError("never")``; ""
            when that went well, or there was none.
    """

    state: Literal["done", "failed"]
    sub_state: str
    why: str
    attempts: int
    said: str = ""


class Holder(Protocol):
    """What a job's handle asks of its emulation."""

    @property
    def broker(self) -> Broker: ...
    @property
    def stream(self) -> Stream: ...
    def why_unfinished(self, job: int) -> str: ...


class JobHandle:
    """A job that was submitted: ``await job`` waits for its end and gives its ``Ending``; ``emu.submit`` makes it.

    Awaiting it raises ``NeverError`` when the emulation is over before the job has ended.

    Attributes:
        number: its number at the broker.
        name: ``entry#number``, as summaries name it.

    >>> from emulator import Emulator, run_in_virtual_time
    >>> async def copy(work):
    ...     await work.spend("10m")
    >>> async def test():
    ...     async with Emulator(handlers={"copy": copy}) as emu:
    ...         job = emu.submit("copy")
    ...         await job.reaches("running")
    ...         emu.power_off("workers-1", back_after="5m")
    ...         ending = await job
    ...         return ending.state, ending.attempts, job.outcomes
    >>> run_in_virtual_time(test)
    ('done', 2, ['lease_lost', 'ok'])
    """

    __slots__ = ("_emulation", "_ending", "_seen", "name", "number")

    def __init__(self, emulation: Holder, number: int) -> None:
        self._emulation = emulation
        self._ending: Ending | None = None
        self._seen = 0
        self.number = number
        self.name = name_of(self._rows[0])

    @property
    def _rows(self) -> list[Row]:
        """The events of this job so far."""
        return self._emulation.stream.of_job[self.number]

    def __repr__(self) -> str:
        return f"<JobHandle {self.name}: {self.state}>"

    @property
    def state(self) -> StateName:
        """The state at the broker: queued, queued_held, running, suspended, requeued, requeued_held, done, failed."""
        name: StateName = self._emulation.broker.state_of(self.number).value
        return name

    @property
    def ending(self) -> Ending | None:
        """How it ended; None while it is unfinished."""
        if self._ending is None and self._emulation.broker.final_state(self.number) is not None:
            life = job_of(views(self._rows))
            end = life.finished
            assert end is not None, "a job that is in a final state was finished by an event"
            ended = [attempt for attempt in life.attempts if attempt.outcome not in ("", "handed_back")]
            last = why_in_words(*ended[-1].reason) if ended else ""
            state: Any = end.state
            self._ending = Ending(state, end.sub_state, why_in_words(*end.because), end.attempts, last)
        return self._ending

    @property
    def outcomes(self) -> list[Outcome]:
        """The outcomes of its attempts so far, in order: ok, error, permanent_error, time_limit, lease_lost."""
        found: list[Any] = [event.outcome for event in views(self._rows) if event.kind == "attempt_ended"]
        return found

    async def reaches(self, *states: StateName) -> StateName:
        """Wait until it is in one of these states, and give the first that it entered since this was asked last.

        So none is missed in a row of them, however short. The words are those of ``state``: ``"running"``, ``"requeued
        held"``.

        Raises:
            InputError: for a word that is no state, or none at all.
            NeverError: when it has ended otherwise, or the emulation is over before.
        """
        for state in texts("states", states):
            if state not in _STATES:
                raise InputError(f"{state!r} is no state of a job: {advise(state, _STATES)}")
        if not states:
            raise InputError("which state? give at least one, such as 'running'")
        rows = self._rows
        while True:
            while self._seen < len(rows):
                entered = _entered(rows[self._seen])
                self._seen += 1
                if entered in states:
                    return entered
            if self.state in states:
                return self.state
            if (ending := self.ending) is not None:
                raise NeverError(
                    f"{self.name} will never be {' or '.join(states)}: it is {ending.state}"
                    + (f" ({spoken(ending.sub_state)}: {ending.why})" if ending.sub_state else "")
                )
            await self._emulation.stream.change(self._in_vain, self.number)

    def _in_vain(self) -> str:
        return f"{self.name} is {self.state}: {self._emulation.why_unfinished(self.number)}"

    def __await__(self) -> Generator[Any, None, Ending]:
        yield from self.reaches(*(state.value for state in FINAL_STATES)).__await__()
        ending = self.ending
        assert ending is not None, "a job that is in a final state was finished by an event"
        return ending


def name_of(row: Row) -> str:
    """Give the name of a job by the event of its submission."""
    came = view(0, row)
    return f"{came.entry}#{came.ordinal}"


def _entered(row: Row) -> str:
    """Give the state that a job entered by an event, "" if by that it entered none."""
    kind = row[KIND]
    return _ENTERS.get(kind, "") if "state" not in DETAILS[kind] else str(view(0, row).state)


class WorkerView:
    """A worker, to look at; ``emu.worker(name)`` and ``emu.workers`` give it. It always tells of the present.

    Attributes:
        name: its name.
        pool: the pool that it belongs to.

    >>> from emulator import Emulator, run_in_virtual_time
    >>> async def copy(work):
    ...     await work.spend("10m")
    >>> async def test():
    ...     async with Emulator(handlers={"copy": copy}, pools={"dome": {"count": 2}}) as emu:
    ...         await emu.submit("copy").reaches("running")
    ...         before = [worker.state for worker in emu.workers]
    ...         emu.power_off("dome-1")
    ...         return before, emu.worker("dome-1").state
    >>> run_in_virtual_time(test)
    (['busy', 'idle'], 'off')
    """

    __slots__ = ("_worker", "_world", "name", "pool")

    def __init__(self, world: World, worker: Worker) -> None:
        self._world = world
        self._worker = worker
        self.name = worker.name
        self.pool = worker.pool

    def __repr__(self) -> str:
        return f"<WorkerView {self.name}: {self.state}>"

    @property
    def state(self) -> WorkerState:
        """Its state: off, booting, idle, busy, draining, frozen or cut_off."""
        worker = self._worker
        if worker.state is OFF:
            return "off"
        if worker.state is BOOTING:
            return "booting"
        return "frozen" if worker.frozen_at >= 0 else self._world.lifecycle.state_word(worker)

    @property
    def jobs(self) -> tuple[str, ...]:
        """The names of the jobs that it works on, whether or not its leases still hold."""
        return tuple(execution.job.name for execution in self._worker.attempts)

    @property
    def speed(self) -> float:
        """How fast it works; 1 is full speed."""
        return self._worker.real_speed

    @property
    def equipped_with(self) -> tuple[str, ...]:
        """What it has, in alphabetical order."""
        return tuple(sorted(self._worker.equipment))


async def save(rows: Sequence[Row], loaded: Loaded, seed: int, path: Path, *, overwrite: bool) -> Path:
    """Write the events so far to a new log, while the clock stands still.

    The log says which scenario and seed it is of. It cannot be reproduced from them alone: what the test did, and the
    code of its handlers, are not in it.
    """
    about = RunMeta(
        seed=seed,
        scenario_text=loaded.text or resolved(loaded),
        scenario_name=loaded.name,
        heartbeats="simulated",
        changes=loaded.changes if loaded.text else (),
        bases=loaded.bases,
    )
    async with clock_stop(f"the log {path.name}"), await SqliteRecorder.create(path, about, overwrite=overwrite) as log:
        for row in rows:
            log.emit(row)
        await log.finish()
    return path


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
