"""What does the virtual loop offer, beyond the turns that it takes?

Everything here is built on public names of asyncio; how the loop takes its turns is in ``loop.py``.
"""

import asyncio
from collections.abc import Callable
from contextvars import Context
from typing import Any, Self, TypeVarTuple

from emulator.errors import WallLimitError
from emulator.timeline.agenda import Agenda
from emulator.timeline.bearers import Bearer
from emulator.timeline.course import Course, Pace, whole_ticks
from emulator.timeline.kinds import must_be
from emulator.timeline.outside import GuardedLoop, refuse_other_loop
from emulator.timeline.paces import WallLimit
from emulator.timeline.reports import clock_reading, tasks_waiting
from emulator.timeline.stops import ClockStop, Outside
from emulator.timeline.tasks import Future, Places
from emulator.timeline.ticks import SECOND, say

__all__ = ["TimedLoop"]

_Ts = TypeVarTuple("_Ts")


class TimedLoop(GuardedLoop):
    """The clock, the stops and the limits of a virtual loop; ``VirtualLoop`` adds the turns.

    Attributes:
        agenda: its ``now`` is the clock.
        irreproducible: the reasons found so far why another run may write another log; empty while there is none.
    """

    # In slots, because Python looks up slowly what an object with more than 30 attributes in its dict has.
    __slots__ = (
        "_course", "_outside", "_wall", "_withheld", "agenda", "irreproducible", "places", "places_of_futures",
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

        Raises:
            ValueError: for arguments out of range or of another kind.
            DefectError: when this Python's asyncio lacks what the loop needs.
        """
        super().__init__()
        self._withheld: list[Bearer] = []  # those who stand still or are gone
        try:
            must_be(int, "the first tick, a whole number of microseconds", start=start)
            if agenda is not None:
                must_be(Agenda, "an Agenda", agenda=agenda)
            if agenda is not None and start:
                raise ValueError(f"start={start}: the given agenda has its own present, tick {agenda.now}")
            self.agenda = Agenda(start) if agenda is None else agenda
            self._course = Course(self.agenda, pace, end, turns, shuffle_ties)
            self._outside = Outside(patience, in_order)
            self._wall = None if wall_limit is None else WallLimit(wall_limit, self._ring)
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
        """
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

    # -- whose code may run --------------------------------------------------------------------------------------------

    def stand_still(self, bearer: Bearer, why: str) -> None:
        """Let a bearer's code stand still, timers and all, until it goes on."""
        if bearer.state == "runs":
            bearer.state, bearer.why = "stands still", why
            self._withheld.append(bearer)
            self._outside.set_aside(bearer)

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
        return Future(loop=self)

    def call_exception_handler(self, context: dict[str, Any]) -> None:
        """Pass on what went wrong, with the virtual time at which it did."""
        super().call_exception_handler({**context, "virtual_time": say(self.agenda.now)})

    def run_forever(self) -> None:
        """Run until ``stop`` is called, or until nothing can ever happen again."""
        self._course.begin()
        if self._wall is not None:
            self._wall.start()
        try:
            super().run_forever()
        finally:
            if self._wall is not None:
                self._wall.pause()

    def _report_stranger(self, where: str) -> None:
        message = (
            f"{where} while the virtual clock was running: when it arrives is another virtual time in each run; "
            f"wait for the thread inside `async with loop.clock_stop('what for'):`"
        )
        if message not in self.irreproducible:
            self.irreproducible.append(message)
            self.call_exception_handler({"message": message})

    async def shutdown_default_executor(self, timeout: float | None = None) -> None:
        """Wait for the threads of the default executor, ``timeout`` seconds of real time at most."""
        async with self.clock_stop("the end of the default executor", timeout):
            await self._outside.all_ended()  # the stock wait after this one cannot be cancelled on Python 3.11
            await super().shutdown_default_executor()

    def reach_wall_limit(self) -> None:
        """Raise the error if the limit of real time is over; the cleanup gets a little more."""
        if self._wall is None or not self._wall.is_over():
            return
        raise WallLimitError(
            f"the limit of {self._wall.seconds:g} s of real time was reached at {clock_reading(self.agenda.now)}; "
            f"these wait:\n{self._tasks()}\ngive the loop a longer wall_limit, or less to do"
        )

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

    def _prepare(self) -> None:
        """Make ready for the first turn."""
        raise NotImplementedError

    def _ring(self) -> None:
        """Let the next turn, in whichever thread this is, reach the wall limit."""
        raise NotImplementedError
