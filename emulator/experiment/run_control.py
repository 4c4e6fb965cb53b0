"""How far may a night go on now, with somebody at the keys?

The law: keys decide when things are seen, never what happens. There is no terminal and no clock in here: real time
comes in as whole microseconds, and what comes out is the tick up to which the night may go.
"""

from bisect import bisect_left, bisect_right
from typing import Final, Literal

from emulator.timeline.ticks import MINUTE, SECOND

__all__ = ["KEYS", "SPEEDS", "Aim", "RunControl", "usual_speed"]

Aim = Literal["", "event", "fault", "end"]
"""Where the night is going as fast as it goes; "": nowhere, it keeps to its speed."""

SPEEDS: Final = (
    *(0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1_200.0, 1_800.0, 3_600.0),
    *(7_200.0, 14_400.0, 36_000.0, 86_400.0),
)
"""Times real time: what the keys for faster and slower go through."""

KEYS: Final = (
    ("space", "pause"),
    ("+", "faster"),
    ("-", "slower"),
    ("n", "next event"),
    ("f", "next fault"),
    ("e", "end"),
    ("q", "stop"),
)
"""Each key and what it does, as people are told."""

_LONGEST: Final = SECOND // 4
"""Real time that counts at most between two looks: after a longer one the machine slept, or was too slow."""


def usual_speed(lasts: int) -> float:
    """Give the speed at which a night takes a minute, or a little more, but never three (unless it is days long).

    >>> usual_speed(6 * 3_600 * 1_000_000), usual_speed(3_600 * 1_000_000)
    (300.0, 60.0)
    """
    return SPEEDS[max(0, bisect_right(SPEEDS, lasts / MINUTE) - 1)]


class RunControl:
    """The speed of a night, whether it is paused, and where it is going.

    Args:
        speed: seconds of virtual time to each real second, above 0.
        faults: whether the scenario has faults that could be waited for.

    Attributes:
        speed: as it is now. paused: whether the night stands still. aim: where it goes at full speed.
        stopped: whether somebody wants to see no more. message: what is to be said of the last key, if anything.
        behind: whether this machine is too slow for the speed.

    >>> control = RunControl(60.0); control.press("+"); control.reach(0, 100_000, last=3_600_000_000)
    12000000
    >>> control.press(" "); control.reach(12_000_000, 100_000, last=3_600_000_000)
    12000000
    """

    def __init__(self, speed: float, *, faults: bool = True) -> None:
        self.speed = speed
        self.paused = False
        self.aim: Aim = ""
        self.stopped = False
        self.message = ""
        self.behind = False
        self._faults = faults
        self._met = False

    def press(self, key: str) -> None:
        """Do what a key says; any other key does nothing."""
        key = {"p": " ", "=": "+", "_": "-"}.get(key.lower(), key.lower())
        if key not in (" ", "+", "-", "n", "f", "e", "q"):
            return
        self.message = ""
        if key == " ":
            self.paused = not self.paused if not self.aim else True
            self.aim = ""
        elif key == "+":
            self._change_speed(bisect_right(SPEEDS, self.speed), "this is the fastest; e goes straight to the end")
        elif key == "-":
            self._change_speed(bisect_left(SPEEDS, self.speed) - 1, "this is the slowest; space pauses")
        elif key == "n":
            self._go("event")
        elif key == "e":
            self._go("end")
        elif key == "q":
            self.stopped = True
        elif self._faults:
            self._go("fault")
        else:
            self.message = "this scenario has no faults"

    def reach(self, now: int, passed: int, last: int) -> int:
        """Give the tick up to which the night may go on.

        Args:
            now: the present tick.
            passed: microseconds of real time since the last time this was asked.
            last: the last tick of the night.
        """
        if self.aim:
            return last
        if self.paused:
            return now
        return min(last, now + round(min(passed, _LONGEST) * self.speed))

    def see(self, *, of_note: bool, fault: bool) -> None:
        """Note that an event came: whether it is worth a line, and whether it is the beginning of a fault."""
        if (self.aim == "event" and of_note) or (self.aim == "fault" and fault):
            self._met = True

    def arrives(self) -> bool:
        """Say whether what was looked for has come; then the night is paused. Asked at the end of each instant."""
        if not self._met:
            return False
        self._met, self.aim, self.paused = False, "", True
        return True

    def is_over(self) -> bool:
        """Say, at the last tick, whether the night is over; somebody who looked in vain is told first."""
        if self.aim in ("event", "fault"):
            self.message = f"no {self.aim} comes any more: space or e ends the night"
            self.aim, self.paused = "", True
        return not self.paused

    def _go(self, aim: Aim) -> None:
        self.aim, self.paused, self._met = aim, False, False

    def _change_speed(self, place: int, at_the_limit: str) -> None:
        if 0 <= place < len(SPEEDS):
            self.speed = SPEEDS[place]
        else:
            self.message = at_the_limit
