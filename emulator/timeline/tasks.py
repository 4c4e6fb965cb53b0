"""In which order does Python walk a set of tasks? Here: in the order in which they were made.

asyncio keeps tasks in sets (task groups, ``wait``, ``as_completed``, the shutdown of a runner) and futures where users
do; a set walks its members by hash, and the stock hash is an address in memory, another one in each process. The tasks
and futures of the virtual loop hash by a place of their own instead.

The law: the children of one parent stand in a row of places, and each row begins at a multiple of 256. So tasks that
one parent made are walked in the order of their making (up to 256 of them), and no two places are the same, so that
large sets remain fast. One single row for all was tried: a set with room for 8 walks the tasks 6, 7, 8, 9 as 8, 9, 6,
7. A future takes its place when it first lands in a set: most never do.
"""

import asyncio
from collections.abc import AsyncGenerator
from typing import Any, Final, Protocol, TypeVar, cast
from weakref import WeakKeyDictionary

__all__ = ["Future", "Generators", "Places", "Task"]

_T = TypeVar("_T")
_ROW: Final = 256


class _HasPlaces(Protocol):
    places: "Places"


class Places:
    """Hands out places, one row after another, to what the current task makes."""

    __slots__ = ("_ends", "_loop", "_next_here")

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._ends = 0
        self._next_here = 0

    def take(self) -> int:
        """Give the next place in the row of the current task; in the loop's own row when no task is running."""
        parent = asyncio.current_task(self._loop)
        if isinstance(parent, Task):
            parent.next_place = place = self._after(parent.next_place)
        else:
            self._next_here = place = self._after(self._next_here)
        return place

    def _after(self, place: int) -> int:
        """Give the place after one, or the first of a fresh row when that row is full or there is none yet."""
        place += 1
        if place == 1 or not place % _ROW:
            self._ends = place = self._ends + _ROW
        return place


class Future(asyncio.Future[_T]):
    """A future of asyncio whose hash is its place in the row of the task that first put it into a set.

    Attributes:
        place: as above; 0 until then.
    """

    place = 0

    def __hash__(self) -> int:
        if not self.place:
            self.place = cast(_HasPlaces, self.get_loop()).places.take()
        return self.place


class Task(asyncio.Task[_T]):
    """A task of asyncio whose hash is its place among the children of the task that made it.

    Attributes:
        place: as above; 0 while it is being made.
        ordinal: the how-many-eth task of its loop this is, from 1; 0 while it is being made.
        next_place: the place that was last given to a child of this task.
    """

    place = 0
    ordinal = 0
    next_place = 0

    def __hash__(self) -> int:  # asked for the first time while the task registers itself, so in the order of making
        if not self.place:
            self.place = cast(_HasPlaces, self.get_loop()).places.take()
        return self.place


class Generators(WeakKeyDictionary[AsyncGenerator[Any, Any], None]):
    """The asynchronous generators that are under way, in the order in which they began (the stock set has none)."""

    def add(self, generator: AsyncGenerator[Any, Any]) -> None:
        """Take one in."""
        self[generator] = None

    def discard(self, generator: AsyncGenerator[Any, Any]) -> None:
        """Forget one, whether it is here or not."""
        self.pop(generator, None)
