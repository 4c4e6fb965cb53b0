"""What is due next in the modelled world, and in which order at one instant?

The law: entries fire by (time, rank, first key, second key, number). The ranks at one instant are

1. ``ENDS``: what ends or expires (keys: job number, token);
2. ``FAULTS``: faults and people's actions (keys: place in the file, number of the occurrence);
3. ``MESSAGES``: messages that reach the broker (keys: worker, number of the message);
4. ``REST``: everything else, first made first fired (keys: 0, 0);
5. ``HANDING``: the handing over of work that became eligible in the course of the instant.

An entry made for *now* joins its rank and still fires before the clock moves. Nothing is ever fired early, nothing is
cancelled here: an entry whose reason has gone must notice that itself when it fires (a look-up is cheaper than a
search in the heap). The virtual-time loop shares ``take_number`` for its own timers, and fires them between ``REST`` and
``HANDING``.
"""

from collections.abc import Callable, Sized
from heapq import heappop, heappush
from itertools import count
from typing import Any, Final

from emulator.errors import SpinningError

__all__ = ["ENDS", "FAULTS", "HANDING", "MESSAGES", "REST", "Agenda"]

ENDS: Final = 1
FAULTS: Final = 2
MESSAGES: Final = 3
REST: Final = 4
HANDING: Final = 5

Entry = tuple[int, int, int, int, int, Callable[[Any], None], Any]

_NEVER: Final = 2**100
_TURNS_AT_ONE_INSTANT: Final = 10_000_000
"""Entries at one instant after which the world is taken to be spinning; no honest scenario comes near."""


class Agenda:
    """A heap of what is due, with the virtual time that it has reached.

    Attributes:
        now: the present tick. Only ``run`` and the loop move it, and never back.
        rank: the rank of the entry being fired (``REST`` while nothing is).
        entries: the heap itself, for looking at its first entry only.
        take_number: gives the next number of creation; the loop's timers draw from the same row.

    >>> agenda, seen = Agenda(), []
    >>> agenda.at(5, seen.append, "later"); agenda.at(3, seen.append, "sooner")
    >>> agenda.at(5, seen.append, "an end", rank=ENDS)
    >>> agenda.run(); seen, agenda.now
    (['sooner', 'an end', 'later'], 5)
    """

    __slots__ = ("entries", "now", "rank", "take_number")

    def __init__(self, start: int = 0) -> None:
        self.now = start
        self.rank = REST
        self.entries: list[Entry] = []
        self.take_number: Callable[[], int] = count(1).__next__

    def at(
        self,
        time: int,
        call: Callable[[Any], None],
        argument: Any = None,
        rank: int = REST,
        key: int = 0,
        second: int = 0,
    ) -> None:
        """Fire ``call(argument)`` at ``time``; a time that has passed means now."""
        if time < self.now:
            time = self.now
        heappush(self.entries, (time, rank, key, second, self.take_number(), call, argument))

    def peek(self) -> tuple[int, int, int, int, int] | None:
        """Give (time, rank, key, second key, number) of the next entry, or None when nothing is due."""
        return self.entries[0][:5] if self.entries else None

    def run(self, before: tuple[int, ...] | None = None, until: Sized = ()) -> int:
        """Fire every entry that sorts before ``before`` (all of them if None), moving ``now`` with them.

        Args:
            before: (time, rank, first key, second key, number) of what must not be overtaken, or a beginning of it:
                ``(time,)`` stands for everything before that time.
            until: stop when there is something in here and all entries of the rank that put it there have fired; the
                loop passes what it has ready to run.

        Returns:
            The rank at which it stopped; 0 when nothing was fired. What an entry makes for now in a rank before its own
            belongs to the same go.

        Raises:
            SpinningError: when one instant does not end.
        """
        heap, instant, turns, highest = self.entries, -1, 0, 0
        end = before if before is not None else (_NEVER,)
        try:
            while heap and heap[0] < end:  # a 7-tuple against its 5-tuple: numbers are unique
                time, rank, _, _, _, call, argument = heappop(heap)
                self.rank = rank
                if time == instant:
                    turns += 1
                    if turns > _TURNS_AT_ONE_INSTANT:
                        raise SpinningError(
                            f"the modelled world fired {turns:,} entries at tick {time} and still has more for the "
                            f"same instant; the last was {call!r}"
                        )
                    if rank > highest:
                        highest = rank
                else:
                    instant, turns, highest = time, 0, rank
                    self.now = time
                call(argument)
                if until and not (heap and heap[0] < (time, highest + 1)):
                    break
        finally:
            self.rank = REST
        return highest

    def __len__(self) -> int:
        return len(self.entries)
