"""The clock, the stops and the limits that the virtual loop offers, apart from the turns that it takes.

Everything here is built on public names of asyncio; how the loop takes its turns is in ``loop.py``.
"""

import asyncio
import sys
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import Future as SourceFuture
from contextlib import ExitStack
from contextvars import Context, ContextVar
from typing import Any, Final, NoReturn, Self, TypeVarTuple

from emulator.errors import ClockStopError, IrreproducibleError, OutsideWorkError, WallLimitError
from emulator.timeline.agenda import Agenda, Entry
from emulator.timeline.bearers import BEARER, NOBODY, Bearer
from emulator.timeline.course import Course, Pace, whole_ticks
from emulator.timeline.kinds import must_be
from emulator.timeline.libraries import each_in_a_stop, known_libraries
from emulator.timeline.outside import GuardedLoop, refuse_other_loop
from emulator.timeline.paces import WallLimit
from emulator.timeline.reports import clock_reading, place_here, tasks_waiting
from emulator.timeline.resources import held_by, watch_what_is_opened
from emulator.timeline.stops import ClockStop, Outside, OutsideCall
from emulator.timeline.tasks import Future, Places
from emulator.timeline.threads import Origin, begins_threads, live_on, name_of_thread
from emulator.timeline.ticks import SECOND, say
from emulator.timeline.wall_clocks import DEFAULT_CALENDAR, Over, raise_in, wall_clocks

__all__ = ["RAN", "TimedLoop"]

_Ts = TypeVarTuple("_Ts")
_LESS_TO_DO: Final = "give the loop a longer wall_limit, or less to do"

RAN: Final[ContextVar["dict[TimedLoop, None] | None"]] = ContextVar("emulator_loops_that_ran", default=None)
"""Takes in the loops that run, for whoever asks in the context in which they are run."""


class TimedLoop(GuardedLoop):
    """The clock, the stops and the limits of a virtual loop; ``VirtualLoop`` adds the turns.

    Attributes:
        agenda: its ``now`` is the clock.
        irreproducible: the reasons found so far why another run may write another log; empty while there is none.
        findings: what the end of the run is to fail for: those reasons, and what was refused; emptied when told.
        outside: the libraries each of whose calls gets a clock stop of its own.
    """

    # In slots, because Python looks up slowly what an object with more than 30 attributes in its dict has.
    __slots__ = (
        "_allows",
        "_calendar",
        "_clocks",
        "_course",
        "_outside",
        "_over",
        "_shows",
        "_spins",
        "_submitting",
        "_threads",
        "_wall",
        "_withheld",
        "agenda",
        "findings",
        "irreproducible",
        "outside",
        "places",
        "places_of_futures",
    )  # fmt: skip

    def __init__(
        self,
        agenda: Agenda | None = None,
        *,
        start: int = 0,
        pace: Pace = "fast",
        end: int | None = None,
        wall_limit: float | None = None,
        patience: float = 60.0,
        turns: int = 500_000,
        shuffle_ties: int | None = None,
        interleave: int | None = None,
        in_order: bool = True,
        allow_irreproducible: bool = False,
        wall_clocks: bool | None = None,
        outside: Iterable[str] = (),
    ) -> None:
        """Make a loop.

        Args:
            agenda: the modelled world's own heap, which the loop merges with its timers; its ``now`` is the clock.
            start: the first tick (microsecond), when no agenda is given.
            pace: ``"fast"`` jumps; a number above 0 lets so many seconds of virtual time pass in a real one;
                ``"manual"`` moves the clock only while somebody awaits ``advance``. All three give the same log.
            end: the tick at which virtual time ends; nothing due then or later runs.
            wall_limit: seconds of real time, above 0, that all runs of the loop together may take.
            patience: seconds of real time, above 0, without a sign from outside after which a stopped clock is
                an error.
            turns: turns at one instant after which the loop is taken to be spinning.
            shuffle_ties: a seed; timers of one instant then fire in an order drawn from it, not first made first
                fired.
            interleave: a seed; steps of tasks are then held back by turns drawn from it, so that races between tasks
                show. The order is realistic; asyncio does not promise it.
            in_order: deliver the results of executor calls in the order begun; without it the log may differ
                between runs.
            allow_irreproducible: let a test or an emulation end well although the run may come out otherwise the next
                time, or real I/O was refused in it.
            wall_clocks: let ``time.monotonic``, ``time.time``, ``datetime.now`` and the like follow virtual time, in
                the loop's own thread while it runs and outside clock stops. By default they do from the first emulator
                on, and from the beginning in marked tests and in ``run_in_virtual_time``.
            outside: libraries each of whose calls gets a clock stop of its own, so that code that uses them needs no
                change: ``"sqlite3"``, ``"aiosqlite"``.

        Raises:
            ValueError: for arguments out of range or of another kind.
            DefectError: when this Python's asyncio lacks what the loop needs.
        """
        super().__init__()
        self._withheld: list[Bearer] = []  # those who stand still or are gone
        self._submitting = False
        self.findings: list[str] = []
        self._threads: list[Origin] = []
        self._clocks = ExitStack()
        self._over: Over | None
        watch_what_is_opened()
        try:
            must_be(bool, "True or False", allow_irreproducible=allow_irreproducible)
            self._allows = allow_irreproducible
            if wall_clocks is not None:
                must_be(bool, "True, False or None", wall_clocks=wall_clocks)
            self._shows, self._calendar, self._over, self._spins = wall_clocks, DEFAULT_CALENDAR, None, ""
            must_be(int, "the first tick, a whole number of microseconds", start=start)
            if agenda is not None:
                must_be(Agenda, "an Agenda", agenda=agenda)
            if agenda is not None and start:
                raise ValueError(f"start={start}: the given agenda has its own present, tick {agenda.now}")
            self.outside = known_libraries(outside)
            self.agenda = Agenda(start) if agenda is None else agenda
            self._course = Course(self.agenda, pace, end, turns, shuffle_ties)
            self._outside = Outside(patience, in_order)
            self._wall = None if wall_limit is None else WallLimit(wall_limit, self._ring, self._insist)
            self._prepare()
            self.interleave = interleave
        except Exception:
            self.close()
            raise
        self.places, self.places_of_futures = (Places(self, self._course) for _ in range(2))
        self.irreproducible: list[str] = [] if in_order else ["results of executor calls come as they are done"]

    # -- what is asked of a virtual loop alone ------------------------------------------------------------------------

    @classmethod
    def of(cls, loop: asyncio.AbstractEventLoop | None = None) -> Self:
        """Give ``loop``, by default the running one, if it is a virtual one.

        Raises:
            InputError: when it is another loop, with the reason.
        """
        found = asyncio.get_running_loop() if loop is None else loop
        if not isinstance(found, cls):
            raise refuse_other_loop(found)
        return found

    def clock_stop(self, name: str, patience: float | None = None) -> ClockStop:
        """Keep the clock still around outside work: ``async with loop.clock_stop("save the plates"): ...``.

        ``patience`` is as for the module's ``clock_stop``.
        """
        return ClockStop(self._outside, name, patience)

    async def advance(self, ticks: int) -> None:
        """Let virtual time pass: return at exactly ``ticks`` from now, after all that is due until then has run.

        Raises:
            ValueError: for a negative number, or one that is not whole.
            ClockStopError: inside a clock stop.
        """
        self.refuse_inside_stop("advance")
        if not isinstance(ticks, int) or ticks < 0:
            raise ValueError(f"advance({ticks!r}): give a whole number of ticks (microseconds), 0 or more")
        arrival: asyncio.Future[None] = self.create_future()
        self._course.await_arrival(ticks, arrival)
        await arrival

    @property
    def lag(self) -> float:
        """The most seconds of real time by which a paced run was late so far; 0 for the other paces."""
        return 0.0 if self._course.pacer is None else self._course.pacer.lag

    def is_open_to_outside(self) -> bool:
        """Say whether a clock stop is open, so that real I/O is allowed."""
        return bool(self._outside.stops)

    def refuse_inside_stop(self, what: str) -> None:
        """Refuse to let virtual time pass in code that has stopped the clock.

        Raises:
            ClockStopError: inside a clock stop.
        """
        if (stop := self._outside.stop_here()) is not None:
            raise ClockStopError(
                f"{what} lets virtual time pass, and inside the clock stop {stop.name!r} none does: leave that first"
            )

    def has_nothing_but(self, expected: Callable[[Entry], bool]) -> bool:
        """Say whether nothing can wake any code but what is expected: entries of the agenda."""
        course, outside = self._course, self._outside
        if course.is_paced or course.fresh or course.arrivals or outside.stops or outside.calls:
            return False
        return course.next_timer() is None and all(map(expected, course.entries))

    # -- whose code may run --------------------------------------------------------------------------------------------

    def stand_still(self, bearer: Bearer, why: str) -> None:
        """Let a bearer's code stand still, timers and all, until it goes on.

        What it had handed to an executor or to a database completes at this instant; its code learns of it later.
        """
        if bearer.state == "runs":
            bearer.state, bearer.why = "stands still", why
            self._withheld.append(bearer)
            self._outside.set_aside(bearer)
            for done in () if bearer.held is None else bearer.held.handed_over():
                self._await_real_end(f"{bearer.name}: what it handed to a database", done)

    def go_on(self, bearer: Bearer) -> None:
        """Let a bearer's code go on as if no time had passed, its overdue timers after what was ready."""
        if bearer.state == "stands still":
            bearer.state, bearer.why = "runs", ""
            self._withheld.remove(bearer)
            self._outside.take_back(bearer)
            for handle in bearer.unpark():
                self._make_ready(handle)

    def abandon(self, bearer: Bearer, why: str) -> None:
        """Let a bearer's code never run again, not even its ``finally`` blocks."""
        if bearer.state == "gone":
            return
        if bearer.state == "runs":
            self._withheld.append(bearer)
            self._outside.set_aside(bearer)
        bearer.state, bearer.why = "gone", why
        bearer.unpark()
        self._bury(bearer)
        for origin in held_by(bearer).give_back():
            self._await_real_end(f"{bearer.name}: the end of a thread", origin.ended)

    def _await_real_end(self, name: str, source: "SourceFuture[None]") -> None:
        """Let the clock stand until the real end of something that nobody awaits."""
        answer: asyncio.Future[None] = self.create_future()
        self._await_outside(OutsideCall(name, source, answer))

    def show_clocks(self, calendar: int) -> None:
        """Let the clocks show virtual time, unless that is off.

        Args:
            calendar: microseconds from 1970 to tick 0.
        """
        self._calendar = calendar
        if self._shows is None:
            self._shows = True
            self._clocks.enter_context(wall_clocks())

    def _shown_tick(self) -> int | Over | None:
        if self._over is not None:
            return self._over
        if not self._shows or (self._outside.stops and self._outside.stop_here() is not None):
            return None
        return self.agenda.now

    def _shown_moment(self) -> int | None:
        tick = self._shown_tick()
        if not isinstance(tick, int):
            return None
        clock = BEARER.get().clock
        return self._calendar + tick if clock is None else clock(tick)

    def _refuse_sleep(self) -> None:
        if BEARER.get() is not NOBODY and self._shown_tick() is not None:
            self._refuse(
                "time.sleep()",
                "time.sleep() would hold up the whole emulation, and no virtual time would pass: await asyncio.sleep() "
                "or work.spend(); what has to block goes into a thread, by await work.outside(...)",
            )

    async def all_given_back(self) -> None:
        """Wait for the real end of what a bearer that is gone had handed to threads, and of all executor calls."""
        await self._outside.all_ended()

    def set_speed(self, bearer: Bearer, speed: float) -> None:
        """Let a bearer's sleeps take ``1 / speed`` times their time from now on.

        Raises:
            ValueError: for a speed that is not above 0.
        """
        if not 0 < speed < float("inf"):
            raise ValueError(f"the speed {speed!r} is out of range: give a number above 0; 1 is full speed")
        before, bearer.speed = bearer.speed, speed
        for sleep in list(bearer.sleeps):
            sleep.rescale(self.agenda.now, before)

    # -- what asyncio asks of every loop ------------------------------------------------------------------------------

    def time(self) -> float:
        """Give the virtual time in seconds."""
        return self.agenda.now / SECOND

    def call_at(
        self, when: float, callback: Callable[[*_Ts], object], *args: *_Ts, context: Context | None = None
    ) -> asyncio.TimerHandle:
        """Call back at ``when`` in seconds, rounded to the nearest tick; a time that has passed means the next turn."""
        if when is None:
            raise TypeError("when cannot be None")
        return self._arm(whole_ticks(when), callback, args, context)

    def create_future(self) -> "asyncio.Future[Any]":
        """Make a future whose order in sets is fixed."""
        made: Future[Any] = Future(loop=self)
        if self._outside.stops:
            made.begun = self._outside.begun_here()
        return made

    def call_exception_handler(self, context: dict[str, Any]) -> None:
        """Pass on what went wrong, with the virtual time at which it did."""
        super().call_exception_handler({**context, "virtual_time": say(self.agenda.now)})

    def run_forever(self) -> None:
        """Run until ``stop`` is called, or until nothing can ever happen again."""
        self._course.begin()
        if (ran := RAN.get()) is not None:
            if self._wall is not None and self not in ran:  # the limit is that of a test, on a loop of many too
                self._wall.renew()
            ran[self] = None
        if self._wall is not None:
            self._wall.start()
        try:
            with begins_threads(), each_in_a_stop(self, self.outside), self._clocks:
                if self._shows:
                    self._clocks.enter_context(wall_clocks())
                super().run_forever()
        finally:
            if self._wall is not None:
                self._wall.pause()

    # -- what a run is worth -------------------------------------------------------------------------------------------

    def _refuse(self, what: str, why: str) -> NoReturn:
        """Refuse something outside a clock stop, and keep in mind that it was."""
        self._find(f"{what} was refused {place_here()}: {why.partition(': ')[2] or why}")
        raise OutsideWorkError(why)

    def _thread_begins(self, thread: threading.Thread) -> Origin:
        """Give where a thread comes from that starts in the loop's own thread; refuse it outside a clock stop."""
        if self._submitting:
            return Origin(NOBODY, None, "", self._threads)
        if (begun := self._outside.begun_here()) is None:
            name = name_of_thread(thread)
            self._refuse(
                f"the start of the thread {name!r}",
                f"the virtual clock would not wait for the thread {name!r}: start it inside "
                "`async with emulator.clock_stop('what for'):`, where the clock stands still, or call "
                "asyncio.to_thread",
            )
        return Origin(BEARER.get(), begun, place_here(), self._threads)

    def _note_irreproducible(self, message: str) -> None:
        """Note a reason why another run may write another log, once."""
        if message not in self.irreproducible:
            self.irreproducible.append(message)
            self._find(message)
            self.call_exception_handler({"message": message})

    def _find(self, what: str) -> None:
        if what not in self.findings:
            self.findings.append(what)

    def check_reproducible(self) -> None:
        """Look whether the run so far comes out the same each time.

        Raises:
            IrreproducibleError: when it need not, or real I/O was refused in it; each finding is told once.
        """
        __tracebackhide__ = True  # a report is about the run, not about what looks at it
        found, self.findings = self.findings, []
        if found and not self._allows:
            raise IrreproducibleError(
                "this run proves nothing, although it went well:\n  " + "\n  ".join(found) + "\n"
                "allow_irreproducible=True accepts that"
            )

    def close(self) -> None:
        """Close the loop; threads that it was to end with have two seconds of real time.

        Raises:
            OutsideWorkError: when one lives on, which would keep the process from ending, with the line that started
                it; when an error is under way already, that gets it as a note.
        """
        super().close()
        if left := live_on(getattr(self, "_threads", ())):
            error = OutsideWorkError(left)
            if (under_way := sys.exception()) is None:
                raise error
            under_way.add_note(left)

    async def shutdown_default_executor(self, timeout: float | None = None) -> None:
        """Wait for the threads of the default executor: ``timeout`` real seconds, or the loop's patience if less."""
        patience = self._outside.patience if timeout is None else min(timeout, self._outside.patience)
        stop = self.clock_stop("the end of the default executor", patience)
        stop.goes_first = True
        async with stop:
            await self._outside.all_ended()  # the stock wait after this one cannot be cancelled on Python 3.11
            await super().shutdown_default_executor()

    def reach_wall_limit(self) -> None:
        """Raise the error if the limit of real time is over; the cleanup gets a little more."""
        if self._wall is None or not self._wall.is_over():
            return
        self._over = None
        raise WallLimitError(f"{self._limit_reached()}; these wait:\n{self._tasks()}\n{_LESS_TO_DO}")

    def _limit_reached(self) -> str:
        assert self._wall is not None, "only a loop with a limit reaches it"
        return (
            f"the limit of {self._wall.seconds:g} s of real time was reached at {clock_reading(self.agenda.now)}"
            f"{self._spins}"
        )

    def _overdue(self) -> WallLimitError:
        """Give the error for code that does not give way; it is told once by a clock that the code reads."""
        self._over = None
        return WallLimitError(f"{self._limit_reached()}\n{_LESS_TO_DO}")

    def _insist(self) -> None:
        """Let code that does not give way fail where it is: by the next clock that it reads, else anywhere."""
        if self._over is None:
            self._over = Over(self._overdue)
        elif (thread := self._running_in()) is not None:
            raise_in(thread, self._overdue())

    def _tasks(self) -> str:
        return tasks_waiting(asyncio.all_tasks(self))

    # -- what the turns bring -----------------------------------------------------------------------------------------

    def _arm(self, tick: int, call: Callable[..., object], args: Any, context: Context | None) -> asyncio.TimerHandle:
        """Make a timer for a tick."""
        raise NotImplementedError

    def _make_ready(self, handle: asyncio.Handle) -> None:
        """Let a handle run in the next turn."""
        raise NotImplementedError

    def _bury(self, bearer: Bearer) -> None:
        """Take the tasks, generators and timers of a bearer that is gone away from asyncio, and keep them for ever."""
        raise NotImplementedError

    def _await_outside(self, call: OutsideCall) -> None:
        """Let the clock stand until the real end of something."""
        raise NotImplementedError

    def _prepare(self) -> None:
        """Make ready for the first turn."""
        raise NotImplementedError

    def _ring(self) -> None:
        """Let the next turn, in whichever thread this is, reach the wall limit."""
        raise NotImplementedError

    def _running_in(self) -> int | None:
        """Give the thread that runs the loop."""
        raise NotImplementedError
