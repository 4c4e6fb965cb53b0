"""Holds back the steps of tasks by seed, so that they run in other orders and races between tasks show.

asyncio promises in which order callbacks run, and code may lean on that. In which order two tasks get from one
``await`` to the next it does not promise: a driver, a thread or a lock that is taken makes one of them slower. So:

1. Each task draws once how slow it is: not at all, or 1 to 8 turns, either with the same chance.
2. Each step of a task is held back 0 to that many turns. Then it runs before what became ready after it.
3. Callbacks, done callbacks and timers never move, and the clock waits for the steps that are held back.

A draw is keyed by the seed, the number of the task and the number of its step, so a seed repeats its order.
"""

import asyncio
from collections import deque
from collections.abc import Callable, Iterator
from hashlib import blake2b
from heapq import heappop, heappush
from typing import Any, Final
from weakref import WeakKeyDictionary

from emulator.timeline.kinds import must_be

__all__ = ["Interleaving"]

_SLOWEST: Final = 8
"""Turns by which the slowest tasks may be held back at each step."""

Owner = Callable[[asyncio.Handle], object]


class _Pace:
    """How slow a task is, and how many of its steps have been seen."""

    __slots__ = ("number", "slow", "steps")

    def __init__(self, number: int, slow: int) -> None:
        self.number = number
        self.slow = slow
        self.steps = 0


class Interleaving:
    """Holds back the steps of tasks.

    Args:
        seed: a whole number.
        owner_of: tells the task whose step a handle is; for other handles, anything else.

    Raises:
        ValueError: for a seed that is no whole number.
    """

    def __init__(self, seed: int, owner_of: Owner) -> None:
        must_be(int, "a seed, a whole number", interleave=seed)
        self.seed = seed
        self._key = str(seed).encode()
        self._owner_of = owner_of
        self._paces: WeakKeyDictionary[asyncio.Task[Any], _Pace] = WeakKeyDictionary()
        self._strangers = 0
        self._turn = 0
        self._taken = 0
        self._held: list[tuple[int, int, asyncio.Handle]] = []

    def __iter__(self) -> Iterator[asyncio.Handle]:
        """Give the steps that are held back."""
        return (handle for _, _, handle in sorted(self._held))

    def __len__(self) -> int:
        return len(self._held)

    def hold_back(self, ready: deque[asyncio.Handle]) -> None:
        """Begin a turn: take out of what is ready the steps that have to wait, and put in those that have waited."""
        self._turn += 1
        for _ in range(len(ready)):
            handle = ready.popleft()
            task = self._owner_of(handle)
            if isinstance(task, asyncio.Task) and (turns := self._draw(task)):
                self._taken += 1
                heappush(self._held, (self._turn + turns, self._taken, handle))
            else:
                ready.append(handle)
        self._let_go(ready)

    def skip(self, ready: deque[asyncio.Handle]) -> None:
        """Go straight to the turn in which a step has waited long enough: nothing else is ready until then."""
        self._turn = self._held[0][0]
        self._let_go(ready)

    def _let_go(self, ready: deque[asyncio.Handle]) -> None:
        waited: list[asyncio.Handle] = []
        while self._held and self._held[0][0] <= self._turn:
            waited.append(heappop(self._held)[2])
        ready.extendleft(reversed(waited))

    def _draw(self, task: "asyncio.Task[Any]") -> int:
        pace = self._paces.get(task)
        if pace is None:
            number = getattr(task, "ordinal", None)
            if number is None:  # made by a task factory of the user: numbered by its first step
                self._strangers = number = self._strangers - 1
            drawn = self._random(number, 0)
            self._paces[task] = pace = _Pace(number, drawn // 2 % _SLOWEST + 1 if drawn % 2 else 0)
        pace.steps += 1
        return self._random(pace.number, pace.steps) % (pace.slow + 1) if pace.slow else 0

    def _random(self, task: int, step: int) -> int:
        return int.from_bytes(blake2b(f"{task} {step}".encode(), key=self._key, digest_size=8).digest(), "big")
