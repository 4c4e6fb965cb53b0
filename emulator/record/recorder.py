"""Keeps the events of a run in memory as they come, or passes them to two sinks."""

from collections.abc import Iterator
from typing import Final

from emulator.record.events import Event, Row, Sink, emitter, read

__all__ = ["Both", "Recorder", "Sink"]


class Recorder:
    """Keeps every event in memory.

    >>> recorder = Recorder(); recorder.emit((0, "broker_down", 0, 0, "")), len(recorder.rows)
    (1, 1)
    """

    __slots__ = ("rows",)

    def __init__(self) -> None:
        self.rows: list[Row] = []

    def emit(self, row: Row) -> int:
        """Append one row and give its number."""
        self.rows.append(row)
        return len(self.rows)

    def __iter__(self) -> Iterator[Event]:
        return read(self.rows)


class Both:
    """Writes each event to two sinks, such as the memory and a log; both number alike when both start empty.

    >>> one, two = Recorder(), Recorder()
    >>> Both(one, two).emit((0, "broker_down", 0, 0, "")), one.rows == two.rows
    (1, True)
    """

    __slots__ = ("_first", "_second")

    takes_compound: Final = True

    def __init__(self, first: Sink, second: Sink) -> None:
        self._first, self._second = emitter(first), emitter(second)

    def emit(self, row: Row, events: int = 1, /) -> int:
        """Append one row to both and give its number: for a compound one, that of its last event."""
        self._first(row, events)
        return self._second(row, events)
