"""Keeps the events of a night in memory, in a fraction of the room that their rows take.

The newest rows are kept as they were written, compound ones too; when there are some thousands of them they are packed
into bytes. Whoever reads gets the events, with the numbers and causes that they have. One stretch is unpacked at a
time.
"""

import marshal
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from typing import Final, overload

from emulator.record.events import Emit, Row, apart, events_of

__all__ = ["EventBuffer"]


class EventBuffer(Sequence[Row]):
    """Events in the order in which they were written: a sink; read like a tuple of them, and equal to one.

    Attributes:
        emit: takes the next row, which may be a compound one of so many events; gives the number of its last event.
        takes_compound: see ``emulator.record.events.emitter``.

    >>> rows = EventBuffer()
    >>> rows.emit((0, "broker_down", 0, 0, "")), rows.emit((5, "broker_up", 1, 0, ""))
    (1, 2)
    >>> len(rows), rows[-1], rows == ((0, "broker_down", 0, 0, ""), (5, "broker_up", 1, 0, ""))
    (2, (5, 'broker_up', 1, 0, ''), True)
    """

    __slots__ = ("_count", "_firsts", "_newest", "_packed", "_read", "_unpacked", "emit")

    LONG: Final = 4096
    """Rows in each packed stretch."""
    takes_compound: Final = True

    def __init__(self) -> None:
        self._packed: list[bytes | list[Row]] = []
        self._firsts: list[int] = [0]  # of each packed stretch, and of the newest rows, the place of the first event
        self._newest: list[Row] = []
        self._read = 0  # so many of the newest rows have been read on
        self._unpacked: tuple[int, int, list[Row]] = (-1, 0, [])
        self.emit: Emit
        self._count: Callable[[], int]
        self._begin(0)

    def _begin(self, count: int) -> None:
        keep = self._newest.append

        def emit(row: Row, events: int = 1, /) -> int:  # a closure: less work for each row than a method
            nonlocal count
            keep(row)
            count += events
            return count

        self.emit = emit
        self._count = lambda: count

    def read_on(self, at_least: int = 0, *, keep: bool = True) -> list[Row]:
        """Give the rows that no call has given yet, compound ones as they are; none of them if they are too few.

        What has been read is packed as soon as there are ``LONG`` rows of it, or let go of.
        """
        if len(self._newest) - self._read < at_least:
            return []
        rows = self._newest[self._read :] if self._read else self._newest[:]
        self._read = len(self._newest)
        if not keep:
            self._newest.clear()
            self._read = 0
        elif self._read >= self.LONG:
            self._pack()
        return rows

    def _pack(self) -> None:
        long = self.LONG
        whole = len(self._newest) - len(self._newest) % long
        for start in range(0, whole, long):
            rows = self._newest[start : start + long]
            self._firsts.append(self._firsts[-1] + events_of(rows))
            try:
                self._packed.append(marshal.dumps(rows))
            except ValueError:  # a text of a class of a user's own stands in one of them
                self._packed.append(rows)
        del self._newest[:whole]
        self._read = len(self._newest)

    def _events(self, stretch: int) -> list[Row]:
        """Give the events of a packed stretch, or of the newest rows."""
        if stretch < len(self._packed):
            packed = self._packed[stretch]
            rows: list[Row] = marshal.loads(packed) if isinstance(packed, bytes) else packed
        else:
            rows = self._newest
        return apart(rows, self._firsts[stretch] + 1)

    def __len__(self) -> int:
        return self._count()

    def __iter__(self) -> Iterator[Row]:
        for stretch in range(len(self._firsts)):
            yield from self._events(stretch)

    @overload
    def __getitem__(self, place: int) -> Row: ...
    @overload
    def __getitem__(self, place: slice) -> list[Row]: ...
    def __getitem__(self, place: int | slice) -> Row | list[Row]:
        if isinstance(place, slice):
            return [self[one] for one in range(*place.indices(len(self)))]
        place = place if place >= 0 else place + len(self)
        if not 0 <= place < len(self):
            raise IndexError(f"there are {len(self)} events")
        stretch = bisect_right(self._firsts, place) - 1
        if self._unpacked[:2] != (stretch, len(self)):
            self._unpacked = stretch, len(self), self._events(stretch)
        return self._unpacked[2][place - self._firsts[stretch]]

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Sequence) or len(self) != len(other):
            return False
        return all(one == another for one, another in zip(self, other, strict=True))

    __hash__ = None  # type: ignore[assignment]  # like a list: it can still grow

    def __reduce__(self) -> tuple[object, ...]:
        return _restored, (self._packed, self._firsts, self._newest, len(self))

    def __repr__(self) -> str:
        return f"<{len(self)} events>"


def _restored(packed: list[bytes | list[Row]], firsts: list[int], newest: list[Row], count: int) -> EventBuffer:
    rows = EventBuffer()
    rows._packed += packed
    rows._firsts[:] = firsts
    rows._newest += newest
    rows._begin(count)
    return rows
