"""Where do the events come from that a story is told from?

A story needs the events of one job or worker, a few kinds of everything else, and single ones by their number. From a
log they are asked for as they are needed (``emulator.report.storytelling``); a list in memory is ordered once.
"""

from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import Final, Protocol

from emulator.record.event_view import AT, KIND, WORKER, EventView, view, views
from emulator.record.events import Row

__all__ = ["SURROUNDING", "Rows", "Source"]

SURROUNDING: Final = (
    "access_changed",
    "action_refused",
    "action_taken",
    "broker_down",
    "broker_up",
    "credential_changed",
    "equipment_changed",
    "fault_began",
    "fault_ended",
    "queue_held",
    "queue_released",
    "run_began",
    "system_changed",
    "worker_changed",
    "worker_declared_lost",
    "worker_speed_changed",
)
"""The kinds of event that tell what surrounds a job."""


class Source(Protocol):
    """What gives the events of one run; every list is in order."""

    @property
    def last(self) -> tuple[int, int]:
        """Give the number and the tick of the last event; (0, -1) when there is none."""
        ...

    @property
    def finished(self) -> bool:
        """Say whether the run came to its end."""
        ...

    def of_job(self, job: int, before: int | None = None) -> Sequence[EventView]:
        """Give the events of a job, of those with numbers below ``before`` if it is given."""
        ...

    def of_worker(self, worker: str) -> Sequence[EventView]:
        """Give the events of a worker."""
        ...

    def of_kinds(self, kinds: tuple[str, ...], workers: frozenset[str] | None = None) -> Sequence[EventView]:
        """Give the events of some kinds, of those of some workers if they are given."""
        ...

    def heads(self, kinds: tuple[str, ...]) -> Iterable[EventView]:
        """Give the events of some kinds; what they carry beyond their worker may be missing."""
        ...

    def one(self, number: int) -> EventView:
        """Give the event with a number; there must be one."""
        ...


class Rows:
    """The events of a run as a list in memory, the first numbered 1.

    >>> rows = Rows([(0, "run_began", 0, 0, "", 7), (5, "run_ended", 0, 0, "")])
    >>> rows.last, rows.one(1).seed, rows.finished
    ((2, 5), 7, True)
    """

    def __init__(self, rows: Iterable[Row], *, finished: bool | None = None) -> None:
        self._rows = list(rows)
        self._finished = finished

    @property
    def last(self) -> tuple[int, int]:
        """Give the number and the tick of the last event; (0, -1) when there is none."""
        return (len(self._rows), self._rows[-1][AT]) if self._rows else (0, -1)

    @property
    def finished(self) -> bool:
        """Say whether the run came to its end."""
        if self._finished is not None:
            return self._finished
        return bool(self._rows) and self._rows[-1][KIND] == "run_ended"

    def of_job(self, job: int, before: int | None = None) -> Sequence[EventView]:
        """Give the events of a job, of those with numbers below ``before`` if it is given."""
        found = self._by_job.get(job, ())
        return found if before is None else [event for event in found if event.event < before]

    def of_worker(self, worker: str) -> Sequence[EventView]:
        """Give the events of a worker."""
        return self._by_worker.get(worker, ())

    def of_kinds(self, kinds: tuple[str, ...], workers: frozenset[str] | None = None) -> Sequence[EventView]:
        """Give the events of some kinds, of those of some workers if they are given."""
        return [
            view(number, row)
            for number, row in enumerate(self._rows, 1)
            if row[KIND] in kinds and (workers is None or row[WORKER] in workers)
        ]

    def heads(self, kinds: tuple[str, ...]) -> Iterable[EventView]:
        """Give the events of some kinds, whole."""
        return self.of_kinds(kinds)

    def one(self, number: int) -> EventView:
        """Give the event with a number."""
        return view(number, self._rows[number - 1])

    @cached_property
    def _by_job(self) -> dict[int, list[EventView]]:
        found: dict[int, list[EventView]] = {}
        for event in views(self._rows):
            if event.job:
                found.setdefault(event.job, []).append(event)
        return found

    @cached_property
    def _by_worker(self) -> dict[str, list[EventView]]:
        found: dict[str, list[EventView]] = {}
        for event in views(self._rows):
            if event.worker:
                found.setdefault(event.worker, []).append(event)
        return found
