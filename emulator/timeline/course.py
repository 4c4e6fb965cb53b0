"""What comes next on the virtual clock, and may the clock go there?

The course of a loop holds its timers and the waits of ``advance``, merges them with the agenda by (time, rank, keys,
number), and knows the pace, the end of virtual time and how many turns an instant may take. It decides; the loop acts.
Timers stand in a heap with their numbers, because a heap of handles alone keeps no order among equals.
"""

import asyncio
from collections import deque
from collections.abc import Callable, Iterable
from hashlib import blake2b
from heapq import heapify, heappop, heappush
from typing import Any, Final, Literal

from emulator.errors import EndOfTimeError, SpinningError, StandstillError, TimelineError
from emulator.timeline.agenda import REST, Agenda
from emulator.timeline.paces import Pacer
from emulator.timeline.reports import clock_reading, tasks_waiting
from emulator.timeline.ticks import DAY, from_seconds, say

__all__ = ["LOOK_EVERY", "NEVER", "Course", "Pace", "Timer", "whole_ticks"]

Pace = float | Literal["fast", "manual"]
Timer = tuple[int, int, asyncio.TimerHandle]

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


class Course:
    """Timers, waits of ``advance`` and limits of one loop; the arguments are those of the loop.

    Attributes:
        agenda: its ``now`` is the clock.
        entries: the agenda's heap.
        timers: the heap of timers, cancelled ones among them.
        arrivals: the heap of the waits of ``advance``, abandoned ones among them.
        hindered: whether the pace may keep the clock from going straight to ``last``.
        instant: the tick whose turns are being counted.
        last: the last tick of virtual time.
        pacer: what ties a paced run to real time; None for the other paces.
        turns: how many turns the present instant has taken.
        next_look: how many it may take until ``LOOK_EVERY`` of them have passed without quiet once more.
    """

    __slots__ = (
        "_cancelled",
        "_first_look",
        "_manual",
        "_shuffle",
        "_turn_limit",
        "agenda",
        "arrivals",
        "entries",
        "hindered",
        "instant",
        "last",
        "next_look",
        "pacer",
        "timers",
        "turns",
    )

    def __init__(self, agenda: Agenda, pace: Pace, end: int | None, turns: int, shuffle_ties: int | None) -> None:
        if isinstance(pace, str) and pace not in ("fast", "manual"):
            raise ValueError(f'pace={pace!r}: give "fast", "manual" or the virtual seconds that pass in a real one')
        if not isinstance(pace, str) and not 0 < pace < float("inf"):
            raise ValueError(f"pace={pace!r}: give the virtual seconds that pass in a real one, a number above 0")
        if end is not None and end <= agenda.now:
            raise ValueError(f"end={end}: virtual time starts at tick {agenda.now} and must end later")
        if turns < 1:
            raise ValueError(f"turns={turns}: an instant takes at least 1 turn")
        self.agenda = agenda
        self.entries = agenda.entries
        self.pacer = None if isinstance(pace, str) else Pacer(pace)
        self.turns = 0
        self.next_look = self._first_look = min(LOOK_EVERY, turns)
        self._turn_limit = turns
        self._manual = pace == "manual"
        self.hindered = pace != "fast"
        self.last = NEVER if end is None else end - 1
        self._shuffle = None if shuffle_ties is None else str(shuffle_ties).encode()
        self.instant = agenda.now
        self.timers: list[Timer] = []
        self._cancelled = 0
        self.arrivals: list[tuple[int, int, asyncio.Future[None]]] = []

    # -- timers -------------------------------------------------------------------------------------------------------

    def note_cancelled(self) -> None:
        """Count a cancelled timer, and throw them all out once they are the greater part.

        The count may be off by those that were due already, which leave the heap by themselves.
        """
        self._cancelled += 1
        if self._cancelled > _TIDY_ABOVE and 2 * self._cancelled > len(self.timers):
            self.timers[:] = [timer for timer in self.timers if not timer[2].cancelled()]
            heapify(self.timers)
            self._cancelled = 0

    def next_timer(self) -> Timer | None:
        """Give the next timer that is not cancelled."""
        timers = self.timers
        while timers:
            if not timers[0][2].cancelled():
                return timers[0]
            heappop(timers)
            self._cancelled = max(0, self._cancelled - 1)
        return None

    def take_due(self, ready: deque[asyncio.Handle]) -> None:
        """Move the timers that are due now, and that no entry of the agenda precedes, to what is ready, in order."""
        timers, now = self.timers, self.agenda.now
        if not self.entries and self._shuffle is None:
            while timers and timers[0][0] <= now:
                ready.append(heappop(timers)[2])
            return
        due: list[Timer] = []
        head = self.agenda.peek()
        while timers and timers[0][0] <= now:
            if head is not None and head < (timers[0][0], REST, 0, 0, timers[0][1]):
                break
            due.append(heappop(timers))
        if self._shuffle is not None:
            due.sort(key=self._drawn)
        ready.extend(timer[2] for timer in due)

    def _drawn(self, timer: Timer) -> bytes:
        return blake2b(timer[1].to_bytes(8, "big"), key=self._shuffle or b"", digest_size=16).digest()

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

    def go_to(self, timer: Timer) -> None:
        """Set the clock to what a timer says, unless that has passed."""
        if timer[0] > self.agenda.now:
            self.agenda.now = timer[0]

    def begin(self) -> None:
        """Begin a run: virtual time stood still since the last one, whatever the host's clock says."""
        self.turns, self.next_look = 0, self._first_look
        if self.pacer is not None:
            self.pacer.anchor(self.agenda.now)

    def turn_to(self) -> None:
        """Begin to count turns anew: the clock has moved."""
        self.instant = self.agenda.now
        self.turns, self.next_look = 0, self._first_look

    # -- advance ------------------------------------------------------------------------------------------------------

    def await_arrival(self, ticks: int, arrival: "asyncio.Future[None]") -> None:
        """Let the clock go on by ``ticks``, and fulfil ``arrival`` once all that is due until then has run."""
        heappush(self.arrivals, (self.agenda.now + ticks, self.agenda.take_number(), arrival))

    def arrive(self, reach: int) -> bool:
        """Fulfil the first wait of ``advance``, if the clock may go there; nothing else is due by then."""
        if not self.arrivals or self.arrivals[0][0] > reach:
            return False
        self.agenda.now, _, arrival = heappop(self.arrivals)
        arrival.set_result(None)
        return True

    # -- limits -------------------------------------------------------------------------------------------------------

    def look(self, ready: Callable[[], list[str]]) -> None:
        """Ask whether the present instant will ever end; ``ready`` names what is ready.

        Raises:
            SpinningError: when it has taken too many turns; the cleanup may take as many again.
        """
        self.next_look = min(self.turns + LOOK_EVERY, self._turn_limit)
        if self.turns >= self._turn_limit:
            turns, self.turns, self.next_look = self.turns, 0, self._first_look
            names = "\n".join(f"  {name}" for name in list(dict.fromkeys(ready()))[:5])
            raise SpinningError(
                f"the loop took {turns:,} turns at {clock_reading(self.agenda.now)} and the clock never moved, because "
                f"something was always ready:\n{names}\nwait for some virtual time (sleep), or for an event, instead "
                f"of asking again and again; if so many turns are honest, make the loop with turns={10 * turns:_}"
            )

    def nothing_left(self, timer: Timer | None, tasks: Iterable["asyncio.Task[Any]"], files: int) -> TimelineError:
        """Give the error for a loop that has nothing to do until virtual time ends, or ever; the cleanup may go on."""
        instant, now = self._next_instant(timer), clock_reading(self.agenda.now)
        waiting = tasks_waiting(tasks)
        hint = ", or, if a thread is to end it, wait inside a clock stop"
        if files:
            hint += f"; {files} sockets or pipes are open, which are heard only inside a clock stop"
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
