"""Where do events go while a run is going on? Into a recorder: append only, synchronous, never failing."""

from collections.abc import Iterator

from emulator.record.buffer import EventBuffer
from emulator.record.events import Event, Row, Sink, read

__all__ = ["Both", "Kept", "Recorder", "Sink"]


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

    def __init__(self, first: Sink, second: Sink) -> None:
        self._first, self._second = first.emit, second.emit

    def emit(self, row: Row) -> int:
        """Append one row to both and give its number."""
        self._first(row)
        return self._second(row)


class Kept:
    """Keeps every event in memory on its way to a sink; who drives the run packs them from time to time.

    >>> kept = Kept(Recorder())
    >>> kept.emit((0, "broker_down", 0, 0, "")), kept.rows
    (1, <1 events>)
    """

    __slots__ = ("emit", "rows")

    def __init__(self, sink: Sink) -> None:
        self.rows = EventBuffer()
        keep, hand_on = self.rows.append, sink.emit

        def emit(row: Row) -> int:
            keep(row)
            return hand_on(row)

        self.emit = emit
        """Keeps one row, hands it on and gives its number."""
