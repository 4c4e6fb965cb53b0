"""Tasks and futures with hashes of their own, so that Python walks a set of them in a reproducible order.

asyncio keeps tasks in sets (task groups, ``wait``, ``as_completed``, the shutdown of a runner) and futures where users
do; a set walks its members by hash, and the stock hash is an address in memory, another one in each process. The tasks
and futures of the virtual loop hash by a place of their own instead.

The law: the tasks that one step of a task makes stand in a row, one place after another, and each row begins at a
multiple of 256. So up to 256 tasks that were made in one step are walked in the order of their making. A set that holds
tasks of several steps is walked in an order that is the same in each run, though not always that of their making: no
hash can do better, because a set drops all but the last bits of it. One single row for all was tried: a set with room
for 8 walks the tasks 6, 7, 8, 9 as 8, 9, 6, 7. Futures have rows of their own, and each takes its place when it first
lands in a set: most never do.
"""

import asyncio
from collections.abc import AsyncGenerator
from typing import Any, Final, Protocol, TypeVar, cast
from weakref import WeakKeyDictionary

from emulator.timeline.answers import Begun
from emulator.timeline.bearers import BEARER, NOBODY

__all__ = ["Future", "Generators", "Places", "Task", "note_seen"]

_T = TypeVar("_T")
_ROW: Final = 256


class _HasPlaces(Protocol):
    places_of_futures: "Places"


class _HasTurns(Protocol):
    turns: int


class Places:
    """Hands out places: a new row for each step of a task, and for each turn of the loop outside tasks."""

    __slots__ = ("_course", "_last", "_loop", "_task", "_turn")

    def __init__(self, loop: asyncio.AbstractEventLoop, course: "_HasTurns") -> None:
        self._loop = loop
        self._course = course
        self._last = 0
        self._task = self._turn = -1  # the step that has the present row

    def take(self) -> int:
        """Give the next place, from 256 on."""
        task, turn = id(asyncio.current_task(self._loop)), self._course.turns
        if turn == self._turn and task == self._task:
            self._last = place = self._last + 1
        else:
            self._task, self._turn = task, turn
            self._last = place = (self._last // _ROW + 1) * _ROW
        return place


class Future(asyncio.Future[_T]):
    """A future of asyncio whose hash is its place in the row of the step that first put it into a set.

    Attributes:
        place: as above; absent until then.
        begun: where it was made, inside a clock stop; absent, or None, outside.
    """

    __slots__ = ("begun", "place")

    def __hash__(self) -> int:
        try:
            return self.place
        except AttributeError:
            self.place: int = cast(_HasPlaces, self.get_loop()).places_of_futures.take()
            return self.place

    begun: "Begun | None"


class Task(asyncio.Task[_T]):
    """A task of asyncio whose hash is its place in the row of the step that made it.

    The loop sets both attributes before ``__init__``, in which asyncio puts the task into a set of all tasks.

    Attributes:
        place: as above.
        ordinal: the how-many-eth task of its loop this is, from 1.
    """

    __slots__ = ("ordinal", "place")
    ordinal: int
    place: int

    def __hash__(self) -> int:
        return self.place


class Generators(WeakKeyDictionary[AsyncGenerator[Any, Any], None]):
    """The asynchronous generators that are under way, in the order in which they began (the stock set has none)."""

    def add(self, generator: AsyncGenerator[Any, Any]) -> None:
        """Take one in, for the loop and for whoever's code it is."""
        self[generator] = None
        if (bearer := BEARER.get()) is not NOBODY:
            bearer.generators[generator] = None

    def discard(self, generator: AsyncGenerator[Any, Any]) -> None:
        """Forget one, whether it is here or not."""
        self.pop(generator, None)


def note_seen(what: object) -> None:
    """Note that what ended a task has been seen: it leaves the run by itself, and nobody need be told of it again."""
    if isinstance(what, asyncio.Task) and what.done() and not what.cancelled():
        what.exception()
