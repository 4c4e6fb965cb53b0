"""How do the events of a night stay in memory, in a quarter of the room that their rows take?

The newest rows are kept as they are; when there are some thousands of them they are packed into bytes. Whoever
reads gets rows that are equal to those written. One stretch is unpacked at a time.
"""

import marshal
from collections.abc import Iterator, Sequence
from typing import Final, overload

from emulator.record.events import Row

__all__ = ["EventBuffer"]


class EventBuffer(Sequence[Row]):
    """Rows in the order in which they were appended: read like a tuple of them, and equal to one.

    >>> rows = EventBuffer()
    >>> rows.append((0, "broker_down", 0, 0, "")); rows.append((5, "broker_up", 1, 0, ""))
    >>> len(rows), rows[-1], rows == ((0, "broker_down", 0, 0, ""), (5, "broker_up", 1, 0, ""))
    (2, (5, 'broker_up', 1, 0, ''), True)
    """

    __slots__ = ("_newest", "_packed", "_unpacked", "append")

    LONG: Final = 4096
    """Rows in each packed stretch."""

    def __init__(self) -> None:
        self._packed: list[bytes | list[Row]] = []
        self._newest: list[Row] = []
        self._unpacked: tuple[int, list[Row]] = (-1, [])
        self.append = self._newest.append
        """Takes the next row."""

    def pack(self) -> None:
        """Pack the newest rows, as long as there are ``LONG`` of them."""
        long = self.LONG
        whole = len(self._newest) - len(self._newest) % long
        for start in range(0, whole, long):
            rows = self._newest[start : start + long]
            try:
                self._packed.append(marshal.dumps(rows))
            except ValueError:  # a text of a class of a user's own stands in one of them
                self._packed.append(rows)
        del self._newest[:whole]

    def __len__(self) -> int:
        return len(self._packed) * self.LONG + len(self._newest)

    def __iter__(self) -> Iterator[Row]:
        for packed in self._packed:
            yield from _rows_of(packed)
        yield from self._newest

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
        stretch, within = divmod(place, self.LONG)
        if stretch >= len(self._packed):
            return self._newest[place - len(self._packed) * self.LONG]
        if self._unpacked[0] != stretch:
            self._unpacked = stretch, _rows_of(self._packed[stretch])
        return self._unpacked[1][within]

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Sequence) or len(self) != len(other):
            return False
        return all(one == another for one, another in zip(self, other, strict=True))

    __hash__ = None  # type: ignore[assignment]  # like a list: it can still grow

    def __reduce__(self) -> tuple[object, ...]:
        return _restored, (self._packed, self._newest)

    def __repr__(self) -> str:
        return f"<{len(self)} events>"


def _rows_of(packed: bytes | list[Row]) -> list[Row]:
    rows: list[Row] = marshal.loads(packed) if isinstance(packed, bytes) else packed
    return rows


def _restored(packed: list[bytes | list[Row]], newest: list[Row]) -> EventBuffer:
    rows = EventBuffer()
    rows._packed += packed
    rows._newest += newest
    return rows
