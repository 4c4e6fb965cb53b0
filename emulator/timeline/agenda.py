"""Keeps what is due in the modelled world, and fires it by time and, at one instant, by rank.

The law: entries fire by (time, rank, first key, second key, number). The ranks at one instant are

1. ``ENDS``: what ends or expires (keys: job number, token);
2. ``FAULTS``: faults and people's actions (keys: place in the file, number of the occurrence);
3. ``MESSAGES``: messages that reach the broker (keys: worker, number of the message);
4. ``REST``: everything else, first made first fired (keys: 0, 0);
5. ``HANDING``: the handing over of work, once everything else of the instant has happened.

An entry made for *now* joins its rank and still fires before the clock moves. Nothing is ever fired early, nothing is
cancelled here: an entry whose reason has gone must notice that itself when it fires (a look-up is cheaper than a
search in the heap). The virtual-time loop shares ``take_number`` for its own timers, and fires them between ``REST``
and ``HANDING``.

Steps of one instant are counted from the last that had been made before the instant began. Of those there are only so
many, so a hundred thousand entries for one instant are honest work, and an entry that makes the next one for the same
instant, for ever, is not.
"""

from collections.abc import Callable, Sized
from heapq import heappop, heappush
from itertools import count
from typing import Any, Final

from emulator.errors import SpinningError
from emulator.timeline.ticks import say

__all__ = ["ENDS", "FAULTS", "HANDING", "MESSAGES", "REST", "Agenda", "Entry"]

ENDS: Final = 1
FAULTS: Final = 2
MESSAGES: Final = 3
REST: Final = 4
HANDING: Final = 5

Entry = tuple[int, int, int, int, int, Callable[[Any], None], Any]

_NEVER: Final = 2**100
_STEPS_AT_ONE_INSTANT: Final = 2_000_000
"""Steps after which the world is taken to be spinning; 100,000 jobs that take no time need 200,000."""


class Agenda:
    """A heap of what is due, with the virtual time that it has reached.

    Attributes:
        now: the present tick. Only ``run`` and the loop move it, and never back.
        rank: the rank of the entry being fired; while code runs, the rank that woke it (``REST`` for timers).
        steps: how many the present instant has taken since the last that was made before it began.
        entries: the heap itself, for looking at its first entry only.
        take_number: gives the next number of creation; the loop's timers draw from the same row.

    >>> agenda, seen = Agenda(), []
    >>> agenda.at(5, seen.append, "later"); agenda.at(3, seen.append, "sooner")
    >>> agenda.at(5, seen.append, "an end", rank=ENDS)
    >>> _ = agenda.run(); seen, agenda.now
    (['sooner', 'an end', 'later'], 5)
    """

    __slots__ = (
        "_began",
        "_ending",
        "_instant",
        "_key",
        "_runs",
        "_second",
        "entries",
        "now",
        "rank",
        "steps",
        "take_number",
    )

    def __init__(self, start: int = 0) -> None:
        self.now = start
        self.rank = REST
        self._key = self._second = 0
        self.entries: list[Entry] = []
        self.take_number: Callable[[], int] = count(1).__next__
        self.steps = 0
        self._instant, self._began = -1, 0
        self._runs = False
        self._ending: Callable[[Any], None] | None = None  # what ends the present instant, while it is no entry

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

    def end_instant(self, call: Callable[[Any], None]) -> None:
        """Do as ``at(now, call, None, HANDING)`` does, with no entry where nothing else of the instant is left.

        >>> agenda, seen = Agenda(), []
        >>> agenda.at(5, lambda _: agenda.end_instant(lambda _: seen.append("end"))); agenda.at(5, seen.append, "more")
        >>> _ = agenda.run(); seen
        ['more', 'end']
        """
        if self._runs and self._ending is None:
            self._ending = call
        else:
            self.at(self.now, call, None, HANDING)

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
        heap, take, highest, left_at = self.entries, self.take_number, 0, REST
        instant, began = self._instant, self._began
        end = before if before is not None else (_NEVER,)
        self._runs = True
        try:
            while heap and heap[0] < end:  # a 7-tuple against its 5-tuple: numbers are unique
                time, rank, self._key, self._second, number, call, argument = heappop(heap)
                self.rank = rank
                if time != instant:
                    self.now = instant = time
                    began = take()
                    self.steps = 0
                    highest = rank
                else:
                    if number < began:
                        self.steps = 0
                    else:
                        self.steps = steps = self.steps + 1
                        if steps > _STEPS_AT_ONE_INSTANT:
                            raise self._spinning(call, argument)
                    if rank > highest:
                        highest = rank
                call(argument)
                if self._ending is not None:
                    if until or end[0] <= time or (heap and heap[0][0] <= time):
                        self._enter_ending()
                    else:
                        call, self._ending = self._ending, None
                        self.rank = highest = HANDING
                        self._key = self._second = 0
                        self._runs = False  # what it asks for once more is an entry, whose steps are counted
                        call(None)
                        self._runs = True
                if until and not (heap and heap[0] < (time, highest + 1)):
                    left_at, self._key = highest, _NEVER  # all of this rank has happened, and nothing of the next
                    break
        finally:
            self._runs = False
            if self._ending is not None:  # somebody raised an error
                self._enter_ending()
            self.rank, self._instant, self._began = left_at, instant, began
        return highest

    def _enter_ending(self) -> None:
        """Make an entry of what ends the present instant: something else is left of it."""
        call, self._ending = self._ending, None
        assert call is not None
        self.at(self.now, call, None, HANDING)

    def has_passed(self, time: int, rank: int, key: int, second: int) -> bool:
        """Say whether an entry with this time, rank and keys has had its turn, or is having it.

        >>> agenda = Agenda()
        >>> agenda.at(5, lambda _: print(agenda.has_passed(5, 3, 7, 1), agenda.has_passed(5, 3, 7, 3)), None, 3, 7, 2)
        >>> _ = agenda.run()
        True False
        """
        return (time, rank, key, second) <= (self.now, self.rank, self._key, self._second)

    def step(self, call: Callable[[Any], None], argument: Any) -> None:
        """Count one more step of the present instant; one entry may count several, if it does as much as several.

        Raises:
            SpinningError: when there have been too many; it names ``call`` and ``argument``.
        """
        self.steps += 1
        if self.steps > _STEPS_AT_ONE_INSTANT:
            raise self._spinning(call, argument)

    def _spinning(self, call: Callable[[Any], None], argument: Any) -> SpinningError:
        steps, self.steps = self.steps, 0  # whoever goes on nevertheless may take as many again
        return SpinningError(
            f"the modelled world took {steps:,} steps at {say(self.now)} and the clock never moved, because each made "
            f"the next one for the same instant; the last was {_named(call, argument)}: give what begins again and "
            "again a time or a pause, or a limit"
        )

    def __len__(self) -> int:
        return len(self.entries)


def _named(call: Callable[[Any], None], argument: Any) -> str:
    """Name an entry by what it calls, and by those of its arguments that have a name of their own."""
    parts = argument if isinstance(argument, tuple) else (argument,)
    if parts and callable(parts[0]):  # an entry of a span, which wraps the call that it stands for
        return _named(parts[0], parts[1:])
    words = [str(part) for part in parts if isinstance(part, int | str) or "__str__" in vars(type(part))]
    name = getattr(call, "__qualname__", None) or repr(call)
    return f"{name} ({', '.join(words)})" if words else str(name)
