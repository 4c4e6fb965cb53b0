"""Puts an emulated queue and workers around a test's own code; its keyword arguments, as types for checkers.

``async with Emulator(...) as emu`` lays a scenario out on the running virtual-time loop. Everything that a scenario
file can do happens by itself; the test submits jobs, lets faults begin, lets time pass, waits and looks. Two emulators
on one loop share the clock and nothing else.
"""

import asyncio
import contextvars
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import ExitStack
from types import TracebackType
from typing import TYPE_CHECKING, Any, Final, Literal, NoReturn, Self, TypedDict, Unpack

from emulator.broker.jobs import rare
from emulator.broker.rules import RetryPolicy
from emulator.broker.waiters import After, Before
from emulator.errors import InputError, InvariantError, NeverError, RefusedError
from emulator.measure.invariants import Never, broken
from emulator.measure.words import why_in_words
from emulator.record.events import Row, reason_of
from emulator.scenario.arguments import WHOLE, may_be, texts
from emulator.scenario.load import AnyScenario
from emulator.scenario.spelling import advise
from emulator.testing.client import Client, Program, Programs
from emulator.testing.crashing import SWEPT, CrashPoint, Probe
from emulator.testing.faults import Interventions
from emulator.testing.handlers import Handler, Handlers
from emulator.testing.settings import (
    AWAITED,
    NOT_ENTERED,
    CallBurst,
    Lasting,
    check_arguments,
    check_condition,
    check_plain,
    check_submission,
    coroutine_functions,
    loaded_for,
    policies,
    ticks_of,
    watched,
)
from emulator.testing.stream import Hanging, Span, Stream
from emulator.testing.views import JobHandle, Views
from emulator.testing.work import afresh
from emulator.timeline.agenda import ENDS
from emulator.timeline.bearers import BEARER, NOBODY
from emulator.timeline.libraries import each_in_a_stop, known_libraries
from emulator.timeline.loop import VirtualLoop
from emulator.timeline.ticks import DAY, HOUR, MINUTE, SECOND, say
from emulator.world.plan import fill
from emulator.world.world import World

__all__ = [
    "Emulator",
    "EmulatorOptions",
    "Settings",
]


Named = Mapping[str, Mapping[str, Any]]
Listed = Sequence[Mapping[str, Any]]


class Settings(TypedDict, total=False):
    """The keys of a scenario file, for annotations; what is below each of them is checked when the emulator is made."""

    title: str
    about: str
    starts: str
    zone: str
    lasts: str
    heartbeats: Literal["computed", "simulated"]
    meant_to_miss: bool
    broker: Mapping[str, Any]
    queues: Named
    pools: Named
    systems: Named
    access: Listed
    credentials: Listed
    routines: Named
    arrivals: Listed
    faults: Listed
    actions: Listed
    must_hold: Listed
    also_true: Listed
    prefer: Sequence[str]
    variants: Named
    combine: Mapping[str, Sequence[Any]]
    baseline: str | None
    brief: Mapping[str, Any]
    questions: Listed
    based_on: str
    varies: Named
    growth: Listed


class EmulatorOptions(Settings, total=False):
    """Keyword arguments of ``Emulator`` in a dictionary, which a type checker looks into.

    It also has the keys of a scenario file (``pools``, ``queues`` and so on).

    Attributes:
        handlers, programs, by_hand, retry, seed, never, grace, interleave, crash_at, outside: as ``Emulator`` takes
            them.

    >>> from emulator import Emulator, EmulatorOptions
    >>> async def copy(work):
    ...     await work.spend("10m")
    >>> TWO_DOMES: EmulatorOptions = {"pools": {"dome": {"count": 2}}, "handlers": {"copy": copy}}
    >>> Emulator(**TWO_DOMES).scenario.pools["dome"].count
    2
    """

    handlers: Mapping[str, Handler] | None
    programs: Mapping[str, Program] | None
    by_hand: Iterable[str]
    retry: Mapping[str, RetryPolicy] | None
    seed: int | None
    never: Iterable[Never | CallBurst]
    grace: Lasting
    interleave: int | None
    crash_at: CrashPoint | None
    outside: Iterable[str]


_MADE_ON_ENTRY: Final = ("agenda", "keeper", "loop", "programs", "stream", "world")


class Emulator(Interventions, Views):
    """A queue with its broker and workers around your own code, on the running virtual-time loop.

    ``async with Emulator(...) as emu:`` begins an emulation, and leaving the block ends it. Each fault and each action
    of the scenario file is a method of the same name. An emulator is used once.

    Args:
        scenario: a file's path, its settings as a mapping, or what ``load`` gave; or leave it out and give the
            settings as keywords: ``Emulator(pools={"dome": {"count": 2}}, handlers={"copy": copy})``. What a test does
            not say is filled in, key by key. The queue is ``night``, with a lease of 90 s and four attempts in all. The
            pool is ``workers``, of one worker that is handed its work at once and sends a heartbeat every 30 s. There
            is a routine for each handler, and the scenario lasts 30 days.
        handlers: for routines whose work is your own code: ``async def copy(work): ...``; other routines are modelled.
        programs: worker programs of your own, by worker or pool: ``async def main(client): ...`` (``Client``).
        by_hand: workers and pools that the test itself speaks for, by ``emu.client(worker)``.
        retry: retry policies of your own, by queue: objects with ``decide(case) -> Verdict``, beside which the limits
            of the scenario still stand.
        seed: chooses the draws, from 0 to 2**63 - 1; by default the scenario's.
        never: what must not happen, or the test fails when the emulation is left. Any of ``effect after lease lost``,
            ``effect after job ended``, ``unrepeatable effect twice``, ``job left unfinished``, and bursts of calls
            (``{"calls": "archive", "more_than": 20, "within": "1s"}``).
        grace: how long a handler that was told to stop may take for its cleanup; by default 30 s.
        interleave: a seed by which the steps of tasks on the loop are held back, from entering to leaving, so that
            races between handlers show. By default as the loop was made.
        crash_at: a fault at one point of one job (``CrashPoint``). When the emulation is left without an error, it goes
            on until the fault has ended and nothing is left to do.
        outside: libraries each of whose calls gets a clock stop of its own, from entering to leaving, so that code that
            uses them needs no change: ``"sqlite3"``, ``"aiosqlite"``.
        settings: the keys of a scenario file: ``pools``, ``queues``, ``routines``, ``systems``, ``lasts`` and so on.

    Attributes:
        scenario: the scenario that is played.
        seed: the seed of its draws.

    Raises:
        ScenarioError: with every mistake in the scenario.
        InputError: when there is neither a handler nor a routine, or for a handler that is no coroutine function or has
            no routine. Also when entered twice, or on another loop than the virtual one.
        InvariantError: on leaving, when what ``never`` names has happened.
        IrreproducibleError: on leaving, when another run may come out otherwise, or real I/O was refused; the loop's
            ``allow_irreproducible=True`` accepts that.

    >>> from emulator import Emulator, run_in_virtual_time
    >>> async def copy(work):
    ...     await work.spend("10m")
    ...     work.effect("copied", on := work.parameters["plate"])
    >>> async def test():
    ...     async with Emulator(routines={"copy": {"parameters": {"plate": "text"}}}, handlers={"copy": copy}) as emu:
    ...         job = emu.submit("copy", plate="plate-7")
    ...         await job.reaches("running")
    ...         emu.power_off("workers-1", back_after="5m")
    ...         return (await job).attempts, emu.clock_time().strftime("%H:%M:%S")
    >>> run_in_virtual_time(test)
    (2, '00:15:00')
    """

    def __init__(
        self,
        scenario: AnyScenario | None = None,
        *,
        handlers: Mapping[str, Handler] | None = None,
        programs: Mapping[str, Program] | None = None,
        by_hand: Iterable[str] = (),
        retry: Mapping[str, RetryPolicy] | None = None,
        seed: int | None = None,
        never: Iterable[Never | CallBurst] = (),
        grace: Lasting = 30,
        interleave: int | None = None,
        crash_at: CrashPoint | None = None,
        outside: Iterable[str] = (),
        **settings: Unpack[Settings],
    ) -> None:
        check_arguments(scenario, settings, seed)
        self._handlers = coroutine_functions("handler", handlers, "copy(work)", "handlers")
        self._programs = coroutine_functions("program", programs, "main(client)", "programs")
        self._by_hand = tuple(texts("by_hand", by_hand))
        self._grace = ticks_of(grace)
        may_be(WHOLE, interleave=interleave)
        self._interleave = interleave
        if crash_at is not None and not isinstance(crash_at, CrashPoint):
            raise InputError(f'crash_at={crash_at!r}: give a point, such as CrashPoint("copy#1", number=7)')
        self._crash_at = crash_at
        try:
            self._outside = known_libraries(outside)
        except ValueError as wrong:
            raise InputError(str(wrong)) from None
        self._stops = ExitStack()
        self.loaded = loaded_for(scenario, settings, self._handlers)
        self.scenario = self.loaded.scenario
        self._never = watched(never, self.scenario.systems)
        self.seed = self.scenario.seed if seed is None else seed
        self._retry = policies(retry, self.scenario.queues)
        self._is_open = False
        self._began = False
        self._closing: asyncio.Task[None] | None = None
        self._hanging: Hanging | None = None
        self._entry_of = {name: self._entry_name(name) for name in self.scenario.routines}
        self._submitted: dict[str, int] = {}

    def _entry_name(self, routine: str) -> str:
        taken = {entry.label for entry in self.scenario.arrivals}
        return f"{routine} (submitted)" if routine in taken else routine

    @property
    def has_begun(self) -> bool:
        """Whether it has been entered."""
        return self._began

    if not TYPE_CHECKING:  # who would else take every name for one that there is

        def __getattr__(self, name: str) -> NoReturn:
            if name in _MADE_ON_ENTRY:
                raise InputError(NOT_ENTERED)
            raise AttributeError(f"{type(self).__name__!r} object has no attribute {name!r}")

        def __await__(self) -> NoReturn:
            raise InputError(AWAITED)

    # -- begin and end -------------------------------------------------------------------------------------------------

    def __enter__(self) -> NoReturn:
        raise InputError("an emulator is entered by `async with`: write `async with Emulator(...) as emu:`")

    def __exit__(self, *_: object) -> None:
        raise NotImplementedError

    async def __aenter__(self) -> Self:
        loop = VirtualLoop.of()
        if self._began:
            raise InputError("this emulator has been entered before: make one for each emulation")
        if self._interleave is not None and loop.interleave is not None:
            raise InputError(
                f"interleave={self._interleave}: the steps on this loop are held back by the seed {loop.interleave} "
                "already: leave one of the two out"
            )
        self._began = self._is_open = True
        self.loop = loop
        if self._interleave is not None:
            loop.interleave = self._interleave
        self._stops.enter_context(each_in_a_stop(loop, self._outside))
        self._context = contextvars.copy_context()
        self._context.run(BEARER.set, NOBODY)
        self.agenda = Span(loop.agenda)
        self.keeper = Handlers(loop, self._context, self._handlers, self._grace)
        swept = SWEPT.get()
        if self._crash_at is not None:
            self.keeper.probe = Probe(self, self._crash_at, self._context)
        elif swept is not None:
            self.keeper.probe = Probe(self, swept[0], self._context)
            swept[1].append(self.keeper.probe)
        self.programs = Programs(self.keeper, loop, self._context, self._programs, self._by_hand)
        self.stream = Stream(loop, self._context, self._see)
        self.world = self.keeper.world = World(
            self.loaded,
            self.seed,
            self.agenda,
            self.stream,
            heartbeats="simulated",  # so that the worker's view of its lease is at hand at any moment
            policies=self._retry,
            named=[*self._entry_of.values(), *(entry.label for entry in self.scenario.arrivals)],
        )
        loop.show_clocks(self.keeper.moment_of(0) - loop.agenda.now)
        self._hanging = Hanging(loop, self.world, self.keeper, self.stream, self._reach_end)
        self.world.execution.notice = self.stream.notice
        for routine in self._handlers:
            self.world.routines[routine].handler = self.keeper
        self.programs.take_over(self.world)
        self.agenda.at(self.scenario.lasts, self._reach_end, None, ENDS, -1)
        self.world.start()
        await loop.advance(0)  # what begins at once has begun
        return self

    def _see(self, row: Row) -> None:
        self.keeper.see(row)
        self.programs.see(row)
        if self.keeper.probe is not None:
            self.keeper.probe.see(row)
        if self._hanging is not None:
            self._hanging.see(row)

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        __tracebackhide__ = True
        with self._stops:
            if error is None and self.keeper.probe is not None:
                await self.keeper.probe.finish()
            if self._is_open:
                self._is_open = False
                await self._end(f"the emulation was left at {self._reading()}", self.agenda.now)
            elif self._closing is not None:
                await self._closing
        raised = [("a subscriber to the events", failure) for failure in self.stream.failures]
        raised += [("a call at a power off", failure) for failure in self.keeper.raised]
        if self._interleave is not None:
            self.loop.interleave = None
        if error is None:
            for _, failure in raised:
                raise failure
            self.check(at_end=True)
            self.loop.findings += self.keeper.faults_in_vain()
            self.loop.check_reproducible()
        else:
            for who, failure in raised:  # it may be why the rest went wrong
                error.add_note(f"before that, {who} raised {type(failure).__name__}: {failure}")

    def check(self, *, at_end: bool = False) -> None:
        """Look now for what must never happen (``never``); it is done by itself when the emulation is left.

        Args:
            at_end: also look for what only the end can tell, such as a job left unfinished.

        Raises:
            InvariantError: naming every event by which it happened.
        """
        __tracebackhide__ = True  # a report is about the test, not about what looks at it
        if found := broken(self._rows, self._never, at_end=at_end):
            raise InvariantError("what must never happen has happened:\n  " + "\n  ".join(found))

    def _reach_end(self, _: object) -> None:
        """The scenario is over."""
        self._is_open = False
        self.agenda.over = True
        self.keeper.over = "the scenario is over"
        self.world.close()
        self.stream.end(f"the scenario is over after {say(self.scenario.lasts)}")
        self._closing = self.loop.create_task(
            self._close("the scenario is over"), name="the end of the scenario", context=self._context
        )

    async def _close(self, why: str) -> None:
        await self.keeper.close(why)
        await self.programs.close(why)

    async def _end(self, why: str, at: int) -> None:
        await self._close(why)
        self.agenda.over = True
        self.world.close(at)
        self.stream.end(why)

    def client(self, worker: str) -> Client:
        """Give the client through which the test speaks for a worker that it drives ``by_hand``.

        Raises:
            InputError: when there is no such worker, or it works by itself.
        """
        self._check_open()
        return self.programs.client(worker)

    # -- jobs ----------------------------------------------------------------------------------------------------------

    def submit(
        self,
        routine: str,
        *,
        key: str | None = None,
        priority: int | None = None,
        idempotency_key: str = "",
        not_before: Lasting = 0,
        after: JobHandle | str | None = None,
        if_failed: Literal["fail", "go_on"] = "fail",
        **parameters: Any,
    ) -> JobHandle:
        """Submit a job now.

        Args:
            routine: what kind of work it is.
            key: the exclusive key: of jobs with the same one, one runs at a time; by default what the routine says.
            priority: a whole number, the highest first; by default the routine's.
            idempotency_key: another submission with the same one, while this job is unfinished, gives this job.
            not_before: how long from now it is held.
            after: a job that must have ended before: its handle, or its name ``entry#number``.
            if_failed: what becomes of this one if that job fails: it fails too, or goes on.
            parameters: their values by name, plain data that a message could carry: texts, numbers, dates, paths, and
                lists and mappings of these. The routine says which there are, unless it has a handler.

        Raises:
            InputError: for a routine, parameter or job that there is not; for a parameter that is no plain data; before
                the emulator is entered.
            RefusedError: when the queue is full or the broker is down.
            NeverError: when the emulation is over.
        """
        self._check_open()
        ready = self.world.routines.get(self._known("routine", routine, self.scenario.routines))
        assert ready is not None
        self._check_parameters(routine, parameters)
        check_plain(routine, parameters)
        check_submission(key, priority, idempotency_key, after)
        after = self.job(after) if isinstance(after, str) else after
        self._known("answer for if_failed", if_failed, ("fail", "go_on"))
        if not self.world.broker.is_up:
            raise RefusedError(f"the broker is down at {self._reading()}: {routine} cannot be submitted")
        now = self.agenda.now
        held = now + pause if (pause := ticks_of(not_before)) else 0
        entry = self._entry_of[routine]
        ordinal = self._submitted[entry] = self._submitted.get(entry, 0) + 1
        sources = self.world.sources
        job = sources.job(sources.new(entry, routine, afresh(parameters), priority), ordinal, now, key)
        if idempotency_key or held or after is not None:
            extra = rare(job)
            extra.idempotency_key, extra.not_before = fill(idempotency_key, job), held
            if after is not None:
                other, _, place = after.name.rpartition("#")
                extra.after = After((Before(other, int(place), goes_on=if_failed == "go_on"),))
        number = self.world.dispatcher.submit(0, job)
        if not number:
            why = why_in_words(*reason_of(self._rows[-1]))
            raise RefusedError(f"{entry}#{ordinal} was refused at {self._reading()}: {why}")
        return self.job(number)

    # -- time ----------------------------------------------------------------------------------------------------------

    async def advance(
        self, lasting: Lasting = 0, *, days: float = 0, hours: float = 0, minutes: float = 0, seconds: float = 0
    ) -> None:
        """Let so much time pass: ``await emu.advance(minutes=5)`` or ``await emu.advance("5m")``.

        All that is due until then has happened when it returns, at exactly that time. ``days``, ``hours``, ``minutes``
        and ``seconds`` are added to ``lasting``.

        Raises:
            InputError: for what is no duration, or is negative; before the emulator is entered.
        """
        ticks = ticks_of(lasting)
        for amount, unit in ((days, DAY), (hours, HOUR), (minutes, MINUTE), (seconds, SECOND)):
            ticks += ticks_of(amount) * unit // SECOND
        await self.loop.advance(ticks)

    async def until(self, condition: Callable[[], object]) -> None:
        """Let time pass until a condition holds; it is asked now, and then after every event of the emulation.

        So it may look at what events change: jobs, figures, ``emu.recorded(...)``. State of the test's own (a list that
        a handler appends to, a flag) is no event. A change of it is seen only when the next event comes, which may be
        much later. For such a condition let the handler set an ``asyncio.Event`` and await that, or look in steps:
        ``while not seen: await emu.advance(seconds=1)``.

        Args:
            condition: a plain function without arguments; what it gives is taken as true or false.

        Raises:
            NeverError: when the scenario is over and it never held.
            InputError: for what is no plain function.

        >>> from emulator import Emulator, run_in_virtual_time
        >>> async def copy(work):
        ...     await work.spend("10m")
        >>> async def test():
        ...     async with Emulator(handlers={"copy": copy}) as emu:
        ...         emu.submit("copy")
        ...         await emu.until(lambda: emu.figure("done").value == 1)
        ...         return emu.time
        >>> run_in_virtual_time(test)
        600.0
        """
        said = check_condition(condition)
        while not condition():
            await self.stream.change(lambda: f"{said} never held", counts_heartbeats=True)

    async def settle(self) -> None:
        """Let time pass until nothing is left to do: no job is unfinished, save those that nothing can ever move.

        Jobs that are still to come are waited for.

        Raises:
            NeverError: when the scenario is over before; the message tells of each job that is unfinished.
        """
        while not self._is_settled():
            await self.stream.change(self._unsettled)

    def _is_settled(self) -> bool:
        world = self.world
        if world.arrivals.has_more() or self.keeper.working():
            return False
        if any(worker.attempts for worker in world.workers.values()):
            return False
        stuck = frozenset(world.stuck())
        return all(job in stuck for job in world.broker.jobs_unfinished())

    def _unsettled(self) -> str:
        jobs = [f"{self.job(number).name}: {self.why_unfinished(number)}" for number in self.broker.jobs_unfinished()]
        return "these jobs are unfinished:\n  " + "\n  ".join(jobs[:20]) if jobs else "more jobs were to come"

    # -- checks --------------------------------------------------------------------------------------------------------

    def _known(self, what: str, name: str, known: Iterable[str]) -> str:
        if not isinstance(name, str):
            raise InputError(
                f"{name!r} names no {what}: give its name as a text, such as {next(iter(known), 'copy')!r}"
            )
        if name not in known:
            raise InputError(f"there is no {what} {name!r}: {advise(name, tuple(known))}")
        return name

    def _check_parameters(self, routine: str, given: Mapping[str, Any]) -> None:
        declared = self.scenario.routines[routine].parameters
        if routine in self._handlers and not declared:
            return
        for name in given:
            self._known(f"parameter of {routine}", name, declared)

    def _check_open(self) -> None:
        if not self._began:
            raise InputError(NOT_ENTERED)
        if not self._is_open:
            raise NeverError(f"{self.stream.over or 'the emulation is over'}: nothing more can be done to it")
