"""How did each job end? All that is kept of a job that is final: some five bytes."""

from array import array
from collections.abc import Iterator
from itertools import repeat
from typing import Final

from emulator.broker.states import State

__all__ = ["CODES", "ENDS", "Finished"]

ENDS: Final[tuple[tuple[State, str], ...]] = (
    (State.DONE, ""),
    (State.FAILED, "attempts_used_up"),
    (State.FAILED, "permanent_error"),
    (State.FAILED, "withdrawn"),
    (State.FAILED, "expired"),
    (State.FAILED, "out_of_time"),
    (State.FAILED, "prerequisite_failed"),
    (State.FAILED, "allowance_used_up"),
    (State.FAILED, "time_limit"),
)
"""Every final state with its sub-state."""

CODES: Final = {sub_state: code for code, (_, sub_state) in enumerate(ENDS, 1)}


_ROOM: Final = 1024
"""Jobs for which room is made at a time."""
"""The number of each sub-state among them, from 1; "" is done."""


class Finished:
    """How each job ended, by its place: its number less that of the first job.

    Attributes:
        codes: the number of its end in ``ENDS``, from 1; 0 while it is unfinished.
        tries: how many attempts at it counted.
        end: there is room for the jobs below this number.

    >>> ended = Finished(first=1)
    >>> ended.make_room(2); ended.codes[1], ended.tries[1] = 1, 2
    >>> ended.how(2), ended.attempts(2), ended.how(1), ended.how(4)
    ((<State.DONE: 'done'>, ''), 2, None, None)
    """

    __slots__ = ("_first", "codes", "end", "tries")

    def __init__(self, first: int) -> None:
        self._first = first
        self.codes = bytearray()
        self.tries = array("I")
        self.end = first

    def make_room(self, job: int) -> None:
        """Make room for a job, and for those that come after it."""
        more = job + _ROOM - self.end
        self.codes.extend(bytes(more))
        self.tries.extend(repeat(0, more))
        self.end += more

    def how(self, job: int) -> tuple[State, str] | None:
        """Give the final state and sub-state, or None for a job that is unfinished."""
        index = job - self._first
        code = self.codes[index] if index < len(self.codes) else 0
        return ENDS[code - 1] if code else None

    def attempts(self, job: int) -> int:
        """Give the number of attempts of a finished job."""
        return self.tries[job - self._first]

    def __iter__(self) -> Iterator[tuple[int, tuple[State, str]]]:
        """Give the number of each finished job with how it ended."""
        for index, code in enumerate(self.codes):
            if code:
                yield self._first + index, ENDS[code - 1]
