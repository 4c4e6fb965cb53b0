"""Limits by the host's clock how fast virtual time passes, and how long a run takes.

This and the patience of clock stops are all that the timeline has to do with real time, and nothing of it decides what
happens or in which order: a paced run writes the same log as a fast one, only later.
"""

import logging
import threading
from collections.abc import Callable
from typing import Final

from emulator.timeline.kinds import NUMBER, must_be
from emulator.timeline.threads import STOCK_START
from emulator.timeline.ticks import SECOND, say
from emulator.timeline.wall_clocks import host_clock

__all__ = ["Pacer", "WallLimit"]

_SLOW: Final = 0.25
"""Seconds of real time by which a paced run may lag before it says so; it says so again at each doubling."""

_LONGEST: Final = 86_400.0
"""Seconds of real time after which is looked again: what the host can wait at once has an end."""

_CLEANUP: Final = 5.0
"""Seconds of real time that the cleanup gets after the wall limit was reached."""

_log: Final = logging.getLogger("emulator.timeline")


class Pacer:
    """Tells when a tick is due by the host's clock, ``rate`` seconds of virtual time to each real second.

    Every wait is counted from one anchor, so that no error adds up.

    Attributes:
        lag: the most seconds of real time by which anything was late so far.
    """

    def __init__(self, rate: float) -> None:
        self.rate = rate
        self.lag = 0.0
        self._said = _SLOW
        self._tick = 0
        self._real = 0.0

    def anchor(self, tick: int) -> None:
        """Let ``tick`` be due now: at the start of a run, and after each clock stop."""
        self._tick = tick
        self._real = host_clock()

    def wait(self, tick: int) -> float:
        """Give the seconds of real time until ``tick`` is due, a day at most; 0 or less when it is."""
        wait = self._real + (tick - self._tick) / SECOND / self.rate - host_clock()
        if -wait > self.lag:
            self.lag = -wait
            if self.lag > self._said:
                self._said = 2 * self.lag
                _log.warning(
                    "the host is too slow for %g seconds a second: %.2f s late at %s (virtual time)",
                    self.rate,
                    self.lag,
                    say(tick),
                )
        return min(wait, _LONGEST)


class WallLimit:
    """Rings when the runs of a loop have together taken ``seconds`` of real time, and then insists each second.

    A thread of its own waits, so that the check costs a run nothing; after the ring the cleanup gets five seconds more.

    Args:
        seconds: how much they may take.
        ring: called when they have, in a thread of its own.
        insist: called each second after that, as long as the loop does not come to look.
    """

    def __init__(self, seconds: float, ring: Callable[[], None], insist: Callable[[], None]) -> None:
        above_nothing = "seconds of real time above 0"
        must_be(NUMBER, above_nothing, wall_limit=seconds)
        if not 0 < seconds <= threading.TIMEOUT_MAX:
            raise ValueError(f"wall_limit={seconds!r}: give {above_nothing}")
        self.seconds = seconds
        self._left = seconds
        self._ring = ring
        self._insist = insist
        self._began = 0.0
        self._ended = threading.Event()

    def start(self) -> None:
        """Go on counting."""
        self._began, self._ended = host_clock(), threading.Event()
        waiting = threading.Thread(target=self._wait, args=(self._left, self._ended), daemon=True)
        STOCK_START(waiting)  # nobody asks of it to be inside a clock stop

    def _wait(self, left: float, ended: threading.Event) -> None:
        call = self._ring
        while not ended.wait(left):
            call()
            call, left = self._insist, 1.0

    def pause(self) -> None:
        """Stop counting, when a run ends."""
        if not self._ended.is_set():
            self._ended.set()
            self._left = max(0.0, self._left - (host_clock() - self._began))

    def renew(self) -> None:
        """Count from the beginning, between two runs."""
        self._left = self.seconds

    def is_over(self) -> bool:
        """Say whether the limit is reached; if it is, start anew with what the cleanup may take."""
        self.pause()
        over = not self._left
        if over:
            self._left = _CLEANUP
        self.start()
        return over
