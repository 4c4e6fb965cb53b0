"""Why did a job wait for a worker, from one moment to another?

The law: a stretch of waiting is parted into pieces, each with one reason that held throughout it, and the reason that
goes first wins: the broker was down, a person held the queue, the queue ran as many jobs as it may, the key was busy,
no worker served the queue, none had what is required, none was on, all were busy (with fewer free slots than the job
takes). What is left is the time in which a worker was idle and had not asked yet (or declined the job).
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from typing import Final, NamedTuple

from emulator.measure.story.facts import MOST_CITED, Piece
from emulator.measure.story.occupation import BUSY, IDLE, NONE_ON, Occupation
from emulator.measure.story.surroundings import Surroundings

__all__ = ["BROKER_DOWN", "KEY_BUSY", "QUEUE_FULL", "QUEUE_HELD", "Waiting", "pieces"]

BROKER_DOWN: Final = "broker down"
QUEUE_HELD: Final = "queue held"
QUEUE_FULL: Final = "queue full"
KEY_BUSY: Final = "key busy"

_Layer = Sequence[tuple[int, int, tuple[int, ...]]]


class Waiting(NamedTuple):
    """What is asked of a job that waits: its queue and key, what its worker must have, and how many free slots."""

    queue: str
    key: str
    requires: tuple[str, ...]
    slots: int = 1


def pieces(around: Surroundings, job: Waiting, begin: int, end: int) -> list[Piece]:
    """Part a stretch of waiting into pieces with one reason each; together they cover [begin, end)."""
    if begin >= end:
        return []
    occupation = around.occupation(job.queue)
    found: list[Piece] = []
    left = [(begin, end)]
    for reason, layer in _layers(around, job):
        rest: list[tuple[int, int]] = []
        for since, until in left:
            for a, b, events in _within(layer, since, until):
                found.append(Piece(a, b, reason, events, queue=job.queue))
                if a > since:
                    rest.append((since, a))
                since = b
            if until > since:
                rest.append((since, until))
        left = rest
    for since, until in left:
        found += _of_workers(occupation, job, since, until)
    found.sort(key=lambda piece: piece.begin)
    return _joined(found)


def _layers(around: Surroundings, job: Waiting) -> Iterator[tuple[str, _Layer]]:
    yield BROKER_DOWN, around.stretches("outage")
    yield QUEUE_HELD, around.stretches("queue_held", job.queue)
    queue = around.settings.queue(job.queue)
    if queue.running_at_most is not None:
        yield QUEUE_FULL, around.leases.queue_full(job.queue, queue.running_at_most)
    if job.key:
        yield KEY_BUSY, around.leases.key_busy(job.key, queue.per_key_at_most)


def _within(layer: _Layer, begin: int, end: int) -> Iterator[tuple[int, int, tuple[int, ...]]]:
    """Give what of a layer lies within [begin, end), cut to it."""
    for since, until, events in layer[bisect_right(layer, begin, key=lambda one: one[1]) :]:
        if since >= end:
            return
        yield max(since, begin), min(until, end), events


def _of_workers(occupation: Occupation, job: Waiting, begin: int, end: int) -> Iterator[Piece]:
    group = occupation.group(job.requires, job.slots)
    for since, until, what in group.during(begin, end):
        workers, events = group.workers, occupation.equipped_by(since)
        if what == BUSY:
            events = occupation.holders(workers, since)
        elif what == NONE_ON:
            events = occupation.states_of(workers, since)
        elif what == IDLE:
            workers = (occupation.idle_one(job.requires, since, job.slots),)
            events = occupation.states_of(workers, since)
        yield Piece(since, until, what, events or (1,), workers, job.queue)


def _joined(found: Iterable[Piece]) -> list[Piece]:
    """Join neighbours with the same reason and workers."""
    joined: list[Piece] = []
    for piece in found:
        last = joined[-1] if joined else piece
        if (last.end, last.reason, last.workers) == (piece.begin, piece.reason, piece.workers):
            events = tuple(dict.fromkeys((*last.events, *piece.events)))[:MOST_CITED]
            joined[-1] = Piece(last.begin, piece.end, last.reason, events, last.workers, last.queue)
        else:
            joined.append(piece)
    return joined
