"""Decides what comes next on the virtual clock, and whether the clock may go there.

The course of a loop holds its timers and the waits of ``advance``, puts them between the ranks of the agenda, and knows
the pace, the end of virtual time and how many turns an instant may take. It decides; the loop acts. Timers stand in a
heap with their numbers, because a heap of handles alone keeps no order among equals. Those that were made for an
instant that had come already stand apart, because they do not wait for the ranks of the world.

Turns are counted from the last progress: the clock moved, or something fired that had been made before the instant
began. Of that there is only so much, so an instant with a hundred thousand timers is honest work, and a timer of no
length that makes the next one of no length is not.
"""

import asyncio
from collections import deque
from collections.abc import Iterable
from contextvars import Context
from hashlib import blake2b
from heapq import heapify, heappop, heappush
from typing import Any, Final, Literal

from emulator.errors import EndOfTimeError, SpinningError, StandstillError, TimelineError
from emulator.timeline.agenda import HANDING, REST, Agenda
from emulator.timeline.bearers import Bearer
from emulator.timeline.interleaving import Interleaving
from emulator.timeline.kinds import NUMBER, must_be
from emulator.timeline.paces import Pacer
from emulator.timeline.reports import clock_reading, line_of, tasks_waiting
from emulator.timeline.ticks import DAY, from_seconds, say

__all__ = ["LOOK_EVERY", "NEVER", "Course", "Pace", "Timer", "whole_ticks"]

Pace = float | Literal["fast", "manual"]
"""How fast virtual time passes: at once, so many virtual seconds in a real one, or only when told to."""
Timer = tuple[int, int, int, "asyncio.TimerHandle | Nap"]
"""Tick, order among those of one tick (the number, unless ties are shuffled), number, what is due."""

LOOK_EVERY: Final = 1_000
"""Turns at one instant after which the agenda and the outside are let in, although something is still ready."""

NEVER: Final = 1 << 1040
"""A tick that never comes; in seconds it would still be a float."""

_TIDY_ABOVE: Final = 64
"""Cancelled timers that may lie in the heap before anybody counts whether they are the greater part."""


def whole_ticks(seconds: float) -> int:
    """Round seconds to ticks; infinite ones to ``NEVER``, or before all time.

    Raises:
        ValueError: for NaN.
    """
    try:
        return from_seconds(seconds)
    except OverflowError:
        return NEVER if seconds > 0 else -NEVER
    except ValueError:
        raise ValueError(f"{seconds!r} is no time: give seconds as a number") from None


def _end_sleep(sleeper: "asyncio.Future[Any]", result: object) -> None:
    if not sleeper.done():
        sleeper.set_result(result)


class Nap:
    """A sleep that nothing hinders: when it alone is due, its future gets the result without a callback in between.

    Stands for the handle of a timer where ``asyncio.sleep`` asks for one, and is cancelled at the end of each sleep.

    Attributes:
        future: what the sleeper waits for; None when the sleep is over or forgotten.
        result: what the future gets.
    """

    __slots__ = ("_course", "future", "result")

    def __init__(self, course: "Course", tick: int, future: "asyncio.Future[Any] | None", result: object) -> None:
        self._course = course
        self.future = future
        self.result = result
        number = course.agenda.take_number()
        heappush(course.timers, (tick, course.order_of(number) if course.shuffles else number, number, self))

    def cancel(self) -> None:
        """Forget the sleep, if it is not over."""
        if self.future is not None:
            self.future = None
            self._course.note_cancelled()

    def cancelled(self) -> bool:
        """Say whether it is over or forgotten."""
        return self.future is None


class Course:
    """Timers, waits of ``advance`` and limits of one loop; the arguments are those of the loop.

    Attributes:
        agenda: its ``now`` is the clock.
        entries: the agenda's heap.
        timers: the heap of timers, cancelled ones among them.
        fresh: timers that were made for an instant that had come already; they become ready in the next turn.
        arrivals: the heap of the waits of ``advance``, abandoned ones among them.
        hindered: whether the pace, or a step that is held back, may keep the clock from going straight to ``last``.
        last: the last tick of virtual time.
        pacer: what ties a paced run to real time; None for the other paces.
        world_runs: whether the agenda is running at this moment.
        turns: how many turns the loop has taken.
        shuffles: whether ties are shuffled.
        next_look: at which of them it asks ``is_long``.
        interleaving: what holds back the steps of tasks; None when nothing does.
    """

    def __init__(self, agenda: Agenda, pace: Pace, end: int | None, turns: int, shuffle_ties: int | None) -> None:
        if isinstance(pace, str) and pace not in ("fast", "manual"):
            raise ValueError(f'pace={pace!r}: give "fast", "manual" or the virtual seconds that pass in a real one')
        if not isinstance(pace, str):
            above_nothing = "the virtual seconds that pass in a real one, a number above 0"
            must_be(NUMBER, above_nothing, pace=pace)
            if not 0 < pace < float("inf"):
                raise ValueError(f"pace={pace!r}: give {above_nothing}")
        if end is not None:
            must_be(int, "a tick, a whole number of microseconds", end=end)
        if shuffle_ties is not None:
            must_be(int, "a seed, a whole number", shuffle_ties=shuffle_ties)
        must_be(int, "a whole number above 0", turns=turns)
        if end is not None and end <= agenda.now:
            raise ValueError(f"end={end}: virtual time starts at tick {agenda.now} and must end later")
        if turns < 1:
            raise ValueError(f"turns={turns}: an instant takes at least 1 turn")
        self.agenda = agenda
        self.entries = agenda.entries
        self.pacer = None if isinstance(pace, str) else Pacer(pace)
        self.world_runs = False
        self.turns = 0
        self.next_look = self._look_at = self._first_look = min(LOOK_EVERY, turns)
        self.interleaving: Interleaving | None = None
        self._turn_limit = turns
        self._manual = pace == "manual"
        self.is_paced = pace != "fast"
        self.hindered = self.is_paced
        self.last = NEVER if end is None else end - 1
        self.shuffles = shuffle_ties is not None
        self._shuffle = str(shuffle_ties).encode()
        self._instant, self._made_before, self._counted_from = agenda.now, 0, 0
        self._nobodys = Context()  # in which a sleep ends; whoever waits for it goes on in its own
        self.timers: list[Timer] = []
        self.fresh: list[Timer] = []
        self._cancelled = 0
        self.arrivals: list[tuple[int, int, asyncio.Future[None]]] = []

    # -- timers -------------------------------------------------------------------------------------------------------

    def note_cancelled(self) -> None:
        """Count a cancelled timer, and throw them all out once they are the greater part.

        The count may be off by those that were due already, which leave the heap by themselves.
        """
        self._cancelled += 1
        if self._cancelled > _TIDY_ABOVE and 2 * self._cancelled > len(self.timers):
            self.timers[:] = [timer for timer in self.timers if not timer[3].cancelled()]
            heapify(self.timers)
            self._cancelled = 0

    def next_timer(self) -> Timer | None:
        """Give the next timer that is not cancelled."""
        timers = self.timers
        while timers:
            if not timers[0][3].cancelled():
                return timers[0]
            heappop(timers)
            self._cancelled = max(0, self._cancelled - 1)
        return None

    def put(self, tick: int, handle: asyncio.TimerHandle) -> None:
        """Take in a timer; a tick that has passed sorts before now, as it was asked for."""
        number = self.agenda.take_number()
        timer = tick, self.order_of(number) if self.shuffles else number, number, handle
        if tick <= self.agenda.now:
            self.fresh.append(timer)
        else:
            heappush(self.timers, timer)

    def order_of(self, number: int) -> int:
        """Draw the place of a timer among those of one tick, by its number and the seed."""
        return int.from_bytes(blake2b(number.to_bytes(8, "big"), key=self._shuffle, digest_size=16).digest(), "big")

    def fire(self, ready: deque[asyncio.Handle]) -> None:
        """Set the clock to the next timer, and make ready what all timers of that tick wake; nothing else is ready.

        One that was cancelled is thrown out instead.
        """
        agenda, timers = self.agenda, self.timers
        due: Any  # a handle or a nap
        tick, _, _, due = heappop(timers)
        sleeper: asyncio.Future[Any] | None = None
        if isinstance(due, Nap):
            sleeper = due.future
            cancelled = sleeper is None or sleeper.done()
        else:
            cancelled = due.cancelled()
        if cancelled:
            self._cancelled = max(0, self._cancelled - 1)
            return
        self._counted_from = self.turns  # this is progress
        agenda.now = self._instant = tick
        agenda.rank = REST
        self._made_before = agenda.take_number()
        if timers and timers[0][0] == tick:
            self._make_ready(due, ready)
            self._fire_all(ready)
        elif sleeper is None:
            ready.append(due)
        else:
            due.future = None
            sleeper.set_result(due.result)

    def fire_due(self, ready: deque[asyncio.Handle]) -> None:
        """Make the timers ready that are due at this instant, unless ranks of the world come before them."""
        now, timers, entries = self.agenda.now, self.timers, self.entries
        if timers and timers[0][0] == now and not (entries and entries[0] < (now, HANDING)):
            self.agenda.rank = REST
            self.count_anew()
            self._fire_all(ready)

    def _fire_all(self, ready: deque[asyncio.Handle]) -> None:
        now, timers = self.agenda.now, self.timers
        while timers and timers[0][0] == now:
            due = heappop(timers)[3]
            if due.cancelled():
                self._cancelled = max(0, self._cancelled - 1)
            else:
                self._make_ready(due, ready)

    def _make_ready(self, due: "asyncio.TimerHandle | Nap", ready: deque[asyncio.Handle]) -> None:
        """Let a timer run in the turn that begins, beside others of its tick.

        A sleeper is woken by a callback of its own, or it would be a turn ahead of what else becomes ready.
        """
        if isinstance(due, Nap):
            sleeper, due.future = due.future, None
            assert sleeper is not None, "whoever is cancelled is not woken"
            sleeper.get_loop().call_soon(_end_sleep, sleeper, due.result, context=self._nobodys)
        else:
            ready.append(due)

    def fire_fresh(self, ready: deque[asyncio.Handle]) -> None:
        """Make the timers ready that were made for an instant that had come already."""
        due: Any
        for _, _, _, due in sorted(self.fresh):
            ready.append(due)
        self.fresh.clear()

    # -- the clock ----------------------------------------------------------------------------------------------------

    def reach(self, timer: Timer | None) -> tuple[int, float]:
        """Give the last tick to which the clock may go on, and the seconds of real time to wait before it goes."""
        now = self.agenda.now
        while self.arrivals and self.arrivals[0][2].done():  # whoever awaited it was cancelled
            heappop(self.arrivals)
        reach = min(self.last, self.arrivals[0][0]) if self.arrivals else now if self._manual else self.last
        if self.pacer is None:
            return reach, 0.0
        instant = self._next_instant(timer)
        if instant is None or instant > reach:
            return reach, 0.0
        wait = self.pacer.wait(instant)
        return (now, wait) if wait > 0 else (instant, 0.0)

    def _next_instant(self, timer: Timer | None) -> int | None:
        instants = [] if timer is None else [timer[0]]
        if (head := self.agenda.peek()) is not None:
            instants.append(head[0])
        if self.arrivals:
            instants.append(self.arrivals[0][0])
        return min(instants, default=None)

    def begin(self) -> None:
        """Begin a run: virtual time stood still since the last one, whatever the host's clock says."""
        self.count_anew()
        if self.pacer is not None:
            self.pacer.anchor(self.agenda.now)

    def run_world(self, timer: Timer | None, reach: int, ready: deque[asyncio.Handle]) -> int:
        """Run the agenda up to the next timer, but not beyond the tick ``reach``, until a rank makes something ready.

        Give the rank at which it stopped, or 0 when nothing ran.
        """
        head = self.entries[0]
        before = (reach + 1,) if timer is None or timer[0] > reach else (timer[0], HANDING)
        self.world_runs = True
        try:
            rank = self.agenda.run(before, ready)
        finally:
            self.world_runs = False
        if rank:
            self.note_progress(head[4])
        return rank

    def note_progress(self, number: int) -> None:
        """Count turns anew: the clock has moved, or something fires that was there when the instant began."""
        if self.agenda.now != self._instant:
            self._instant, self._made_before = self.agenda.now, self.agenda.take_number()
            self.count_anew()
        elif number < self._made_before:
            self.count_anew()

    def count_anew(self) -> None:
        """Count the turns of the instant from here on."""
        self._counted_from = self.turns

    def interleave(self, how: Interleaving | None) -> None:
        """Hold back the steps of tasks from the next turn on, or no longer."""
        self.interleaving = how
        self.hindered = self.is_paced or how is not None
        self.next_look = 0

    # -- advance ------------------------------------------------------------------------------------------------------

    def await_arrival(self, ticks: int, arrival: "asyncio.Future[None]") -> None:
        """Let the clock go on by ``ticks``, and fulfil ``arrival`` once all that is due until then has run."""
        heappush(self.arrivals, (self.agenda.now + ticks, self.agenda.take_number(), arrival))

    def arrive(self, reach: int) -> bool:
        """Fulfil the first wait of ``advance``, if the clock may go there; nothing else is due by then."""
        if not self.arrivals or self.arrivals[0][0] > reach:
            return False
        self.agenda.now, number, arrival = heappop(self.arrivals)
        self.agenda.rank = REST
        self.note_progress(number)
        arrival.set_result(None)
        return True

    # -- limits -------------------------------------------------------------------------------------------------------

    def is_long(self) -> bool:
        """Say whether the loop has to look around because the instant has taken so many turns."""
        due = max(self._counted_from + self._first_look, self._look_at)
        self.next_look = due if self.interleaving is None else 0
        return self.turns >= due

    def look(self, ready: "Iterable[asyncio.Task[Any] | asyncio.Handle]") -> None:
        """Ask whether the present instant will ever end; ``ready`` gives what is ready.

        Raises:
            SpinningError: when it has taken too many turns; the cleanup may take as many again.
        """
        spent = self.turns - self._counted_from
        self._look_at = min(self.turns + LOOK_EVERY, self._counted_from + self._turn_limit)
        if spent >= self._turn_limit:
            self.count_anew()
            names = "\n".join(list(dict.fromkeys(map(line_of, ready)))[:5])
            raise SpinningError(
                f"the loop took {spent:,} turns at {clock_reading(self.agenda.now)} and the clock never moved, because "
                f"something was always ready:\n{names}\nwait for some virtual time (sleep), or for an event, instead "
                f"of asking again and again; if so many turns are honest, make the loop with turns={10 * spent:_}"
            )

    def nothing_left(
        self, timer: Timer | None, tasks: Iterable["asyncio.Task[Any]"], files: int, withheld: Iterable[Bearer] = ()
    ) -> TimelineError:
        """Give the error for a loop that has nothing to do until virtual time ends, or ever; the cleanup may go on."""
        instant, now = self._next_instant(timer), clock_reading(self.agenda.now)
        waiting = tasks_waiting(tasks)
        hint = ", or, if a thread is to end it, wait inside a clock stop"
        if files:
            hint += f"; {files} sockets or pipes are open, which are heard only inside a clock stop"
        if absent := [f"{bearer.name} ({bearer.why})" for bearer in withheld if bearer.tasks]:
            hint += (
                f"; code of {', '.join(dict.fromkeys(absent))} cannot run, and what it held or was woken with, such as "
                "a lock or an item of a queue, is lost to the others"
            )
        if instant is None:
            return StandstillError(
                f"nothing can ever happen again at {now}: nothing is ready, nothing is due, and these wait:"
                f"\n{waiting}\ngive what they wait for a deadline or somebody who ends it{hint}"
            )
        if instant <= self.last:
            return StandstillError(
                f"the clock stands at {now} in manual pace and nobody advances it; next is something at "
                f"{say(instant)}, and these wait:\n{waiting}\nawait loop.advance(ticks) to move on"
            )
        end, self.last = self.last + 1, self.last + DAY
        return EndOfTimeError(
            f"virtual time ends at {say(end)} and it is {now}; next would be something at {say(instant)}, and these "
            f"wait:\n{waiting}\ngive the loop a later end, or end the work before"
        )
