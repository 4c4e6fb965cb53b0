"""Where do events go while a run is going on? Into a recorder: append only, synchronous, never failing."""

from collections.abc import Iterator
from typing import Protocol

from emulator.record.events import Event, Row, read

__all__ = ["Recorder", "Sink"]


class Sink(Protocol):
    """What the broker and the world write events to."""

    def emit(self, row: Row) -> int:
        """Take one row (see ``emulator.record.events``) and give its number, counted from 1."""
        ...


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
