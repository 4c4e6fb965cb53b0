"""Where do the events come from that a story is told from?

A story needs the events of one job or worker, a few kinds of everything else, and single ones by their number. From a
log they are asked for as they are needed (``emulator.experiment.storytelling``); a list in memory is ordered once.
"""

from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import Final, Protocol

from emulator.record.events import Row

__all__ = ["SURROUNDING", "Numbered", "Rows", "Source"]

Numbered = tuple[int, Row]

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

    def of_job(self, job: int, before: int | None = None) -> Sequence[Numbered]:
        """Give the events of a job, of those with numbers below ``before`` if it is given."""
        ...

    def of_worker(self, worker: str) -> Sequence[Numbered]:
        """Give the events of a worker."""
        ...

    def of_kinds(self, kinds: tuple[str, ...], workers: frozenset[str] | None = None) -> Sequence[Numbered]:
        """Give the events of some kinds, of those of some workers if they are given."""
        ...

    def heads(self, kinds: tuple[str, ...]) -> Iterable[Numbered]:
        """Give the events of some kinds; what they carry beyond their worker may be missing."""
        ...

    def one(self, number: int) -> Row:
        """Give the event with a number; there must be one."""
        ...


class Rows:
    """The events of a run as a list in memory, the first numbered 1.

    >>> rows = Rows([(0, "run_began", 0, 0, "", 7), (5, "run_ended", 0, 0, "")])
    >>> rows.last, rows.one(1)[5], rows.finished
    ((2, 5), 7, True)
    """

    def __init__(self, rows: Iterable[Row], *, finished: bool | None = None) -> None:
        self._rows = list(rows)
        self._finished = finished

    @property
    def last(self) -> tuple[int, int]:
        """Give the number and the tick of the last event; (0, -1) when there is none."""
        return (len(self._rows), self._rows[-1][0]) if self._rows else (0, -1)

    @property
    def finished(self) -> bool:
        """Say whether the run came to its end."""
        if self._finished is not None:
            return self._finished
        return bool(self._rows) and self._rows[-1][1] == "run_ended"

    def of_job(self, job: int, before: int | None = None) -> Sequence[Numbered]:
        """Give the events of a job, of those with numbers below ``before`` if it is given."""
        found = self._by_job.get(job, ())
        return found if before is None else [(number, row) for number, row in found if number < before]

    def of_worker(self, worker: str) -> Sequence[Numbered]:
        """Give the events of a worker."""
        return self._by_worker.get(worker, ())

    def of_kinds(self, kinds: tuple[str, ...], workers: frozenset[str] | None = None) -> Sequence[Numbered]:
        """Give the events of some kinds, of those of some workers if they are given."""
        return [
            (number, row)
            for number, row in enumerate(self._rows, 1)
            if row[1] in kinds and (workers is None or row[4] in workers)
        ]

    def heads(self, kinds: tuple[str, ...]) -> Iterable[Numbered]:
        """Give the events of some kinds, whole."""
        return self.of_kinds(kinds)

    def one(self, number: int) -> Row:
        """Give the event with a number."""
        return self._rows[number - 1]

    @cached_property
    def _by_job(self) -> dict[int, list[Numbered]]:
        found: dict[int, list[Numbered]] = {}
        for number, row in enumerate(self._rows, 1):
            if row[3]:
                found.setdefault(row[3], []).append((number, row))
        return found

    @cached_property
    def _by_worker(self) -> dict[str, list[Numbered]]:
        found: dict[str, list[Numbered]] = {}
        for number, row in enumerate(self._rows, 1):
            if row[4]:
                found.setdefault(row[4], []).append((number, row))
        return found
