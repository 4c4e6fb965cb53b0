"""Tells those who wait for it that a job has ended, whatever ended it."""

from collections.abc import Callable
from typing import Final

from emulator.record.events import Row, Sink, emitter
from emulator.record.kinds import ENDED_WELL, QUEUED
from emulator.timeline.agenda import Agenda

__all__ = ["CompletionListener"]


class CompletionListener:
    """Passes events on, and tells of each job of the wanted entries that has ended, whatever ended it."""

    __slots__ = ("_agenda", "_call", "_emit", "_labels", "_wanted")

    takes_compound: Final = True

    def __init__(self, sink: Sink, agenda: Agenda) -> None:
        self._emit = emitter(sink)
        self._agenda = agenda
        self._wanted: frozenset[str] = frozenset()
        self._labels: dict[int, tuple[str, int]] = {}
        self._call: Callable[[int, str, int], None] | None = None

    def tell(self, wanted: frozenset[str], call: Callable[[int, str, int], None]) -> None:
        """Call ``call(cause, entry, ordinal)`` after each ending of a job in one of the wanted entries."""
        self._wanted = wanted
        self._call = call

    def emit(self, row: Row, events: int = 1, /) -> int:
        """Pass one row on and give its number: for a compound one, that of its last event."""
        number = self._emit(row, events)
        kind = row[1]
        if kind == QUEUED:
            if row[5][2] in self._wanted:
                self._labels[row[3]] = (row[5][2], row[6])
        elif kind == "submitted":
            if row[8] in self._wanted:
                self._labels[row[3]] = (row[8], row[9])
        elif kind == ENDED_WELL or kind == "finished":
            label = self._labels.pop(row[3], None)
            if label is not None:
                self._agenda.at(row[0], self._tell, (number, *label))
        return number

    def _tell(self, what: tuple[int, str, int]) -> None:
        if self._call is not None:
            self._call(*what)
