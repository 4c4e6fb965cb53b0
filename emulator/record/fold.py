"""Folds events into the state of the broker, from the events alone, and refuses those that do not add up.

The law: nothing of the broker is used here but the state table; what the broker does and what its events say are two
things, held against each other. Every event is checked as it is folded: a number that does not follow, a cause that
lies ahead, time that goes back, a move that the table forbids, a token that does not rise, an attempt that skips, a
second lease, an end without what must follow it.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

from emulator.errors import LogError
from emulator.record.events import DETAILS, Row, details_of
from emulator.record.fold_jobs import JobFolding
from emulator.record.shape import check_shape

__all__ = ["fold", "verify"]

_WHILE_UP: Final = frozenset(
    [
        "submitted",
        "submission_repeated",
        "submission_refused",
        "entry_complete",
        "held",
        "hold_ended",
        "handed_out",
        "lease_renewed",
        "handed_back",
        "attempt_ended",
        "requeued",
        "finished",
        "suspend_requested",
        "suspended",
        "resume_requested",
        "resumed",
        "lease_forgotten",
        "queue_held",
        "queue_released",
        "broker_down",
        "worker_registered",
        "worker_declared_lost",
        "worker_signed_off",
        "heartbeat_received",
    ]
)
"""What cannot happen while the broker is down."""

_Handler = Callable[[Mapping[str, Any], int, int, str], None]


def fold(rows: Iterable[Row]) -> dict[str, Any]:
    """Give the state of the broker after these events, equal to ``Broker.snapshot()``.

    Raises:
        LogError: at the first event that is damaged or does not follow from those before it.

    >>> fold([(0, "queue_held", 0, 0, "", "night")])["queues_held"]
    ['night']
    """
    folding = _Folding()
    for row in rows:
        folding.add(row)
    return folding.result()


def verify(rows: Iterable[Row]) -> None:
    """Object to an event log that does not add up.

    Raises:
        LogError: naming the number of the first event that is damaged or does not follow, and why.
    """
    fold(rows)


class _Folding(JobFolding):
    """The state so far."""

    def __init__(self) -> None:
        super().__init__()
        self.up = True
        self.handlers: dict[str, _Handler] = {
            kind: getattr(self, f"_{kind}") for kind in DETAILS if hasattr(self, f"_{kind}")
        }

    def add(self, row: Row) -> None:
        self.number += 1
        check_shape(self.number, row)
        at, kind, cause, number, worker = row[:5]
        before, self.at = self.at, at
        self.kinds.append(kind)
        if at < before:
            raise self.wrong(f"time went back from {before}")
        if at > before and self.ending:
            raise self.wrong(f"an attempt of job {min(self.ending)} ended, and nothing followed")
        if not 0 <= cause < self.number:
            raise self.wrong(f"its cause is event {cause}, which does not lie before it")
        if not self.up and kind in _WHILE_UP:
            raise self.wrong("the broker was down")
        details = details_of(row)
        handler = self.handlers.get(kind)
        if handler is not None:
            handler(details, cause, number, worker)
        elif number and details.get("token"):
            self.must_be_granted(number, details["token"], details.get("attempt"))

    def result(self) -> dict[str, Any]:
        if self.ending:
            raise LogError(
                f"event {self.number} is the last, and nothing follows the end of an attempt of job {min(self.ending)}"
            )
        return {
            "up": self.up,
            "queues_held": sorted(self.queues_held),
            "workers": dict(sorted(self.workers.items())),
            "jobs": {number: job.plain() for number, job in self.jobs.items()},
            "finished": self.finished,
        }

    # -- queues, the broker itself, workers ---------------------------------------------------------------------------

    def _queue_held(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        if d["queue"] in self.queues_held:
            raise self.wrong(f"queue {d['queue']} is held already")
        self.queues_held.add(d["queue"])

    def _queue_released(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        if d["queue"] not in self.queues_held:
            raise self.wrong(f"queue {d['queue']} is not held")
        self.queues_held.remove(d["queue"])

    def _broker_down(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        self.up = False

    def _broker_up(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        if self.up:
            raise self.wrong("the broker was not down")
        self.up = True

    def _worker_registered(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        known = self.incarnations.setdefault(worker, [])
        if known and d["incarnation"] <= known[-1]:
            raise self.wrong(f"incarnation {d['incarnation']} of worker {worker!r} is not above {known[-1]}")
        known.append(d["incarnation"])
        self.workers[worker] = d["incarnation"]

    def _worker_declared_lost(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        self.must_be_registered(worker, d["incarnation"])
        if d["last_heard"] > self.at:
            raise self.wrong(f"the worker was last heard at {d['last_heard']}, which is yet to come")

    def _worker_signed_off(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        self.must_be_registered(worker, d["incarnation"])
        if self.workers.get(worker) == d["incarnation"]:
            del self.workers[worker]

    def _heartbeat_received(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        self.must_be_registered(worker, d["incarnation"])
