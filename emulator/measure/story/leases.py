"""When did a queue run as many jobs as it may, and when was a key busy?

The broker's view alone: a job runs from its hand-out to the end of that attempt, or until it is handed back. Asked only
for queues with such a limit and for jobs with a key, so that other stories need not read what was submitted.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from emulator.measure.story.facts import MOST_CITED
from emulator.record.event_view import EventView

__all__ = ["LEASING", "Lease", "Leases"]

LEASING: Final = ("attempt_ended", "handed_back", "handed_out")
"""The kinds of event that ``Leases`` reads; their details do not matter."""

_NEVER: Final = 1 << 62


@dataclass(frozen=True, slots=True)
class Lease:
    """A lease as the broker held it: ``[begin, end)``, its job, and the event of the hand-out."""

    begin: int
    end: int
    job: int
    event: int


class Leases:
    """The leases of a run by queue and by key.

    Args:
        events: those of the kinds ``LEASING``, in order, with or without their details.
        submitted: the submissions.
    """

    def __init__(self, events: Iterable[EventView], submitted: Iterable[EventView]) -> None:
        self._by_queue: dict[str, list[Lease]] = {}
        self._by_key: dict[str, list[Lease]] = {}
        self._full: dict[tuple[str, str, int], list[tuple[int, int, tuple[int, ...]]]] = {}
        whose = {came.job: (came.queue, came.key) for came in submitted}
        for lease in _leases(events):
            queue, key = whose[lease.job]
            self._by_queue.setdefault(queue, []).append(lease)
            if key:
                self._by_key.setdefault(key, []).append(lease)

    def queue_full(self, queue: str, most: int) -> list[tuple[int, int, tuple[int, ...]]]:
        """Give (begin, end, hand-outs) of the times when a queue ran as many jobs as it may."""
        return self._filled("queue", queue, most, self._by_queue)

    def key_busy(self, key: str, most: int) -> list[tuple[int, int, tuple[int, ...]]]:
        """Give (begin, end, hand-outs) of the times when as many jobs of a key ran as may."""
        return self._filled("key", key, most, self._by_key)

    def _filled(
        self, what: str, name: str, most: int, leases: Mapping[str, Sequence[Lease]]
    ) -> list[tuple[int, int, tuple[int, ...]]]:
        if (what, name, most) not in self._full:
            self._full[what, name, most] = list(_filled(leases.get(name, ()), most))
        return self._full[what, name, most]


def _leases(events: Iterable[EventView]) -> Iterator[Lease]:
    """Give the leases as they end, and then those that are out."""
    out: dict[int, tuple[int, int]] = {}
    for one in events:
        if one.kind == "handed_out":
            out[one.job] = one.at, one.event
        elif one.job in out:
            begin, event = out.pop(one.job)
            yield Lease(begin, one.at, one.job, event)
    for job, (begin, event) in out.items():
        yield Lease(begin, _NEVER, job, event)


def _filled(leases: Sequence[Lease], most: int) -> Iterator[tuple[int, int, tuple[int, ...]]]:
    """Give the stretches in which at least so many of the leases were out, cut where the set of them changes."""
    ends = [(lease.begin, 1, lease) for lease in leases] + [(lease.end, 0, lease) for lease in leases]
    ends.sort(key=lambda one: (one[0], one[1], one[2].event))
    out: dict[int, Lease] = {}
    since = 0
    for at, begins, lease in ends:
        if len(out) >= most and at > since:
            yield since, at, tuple(out)[:MOST_CITED]
        since = at
        if begins:
            out[lease.event] = lease
        else:
            out.pop(lease.event, None)
