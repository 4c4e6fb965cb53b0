"""Which attempts were there at a job, and what belongs to each?

One pass over the events of a job. An attempt is a hand-out under one token; work under it is done by the worker that it
was handed to, and by another one too where it was handed out twice.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final

from emulator.measure.story.source import Numbered
from emulator.record.events import reason_of
from emulator.record.reasons import Values

__all__ = ["STANDING", "Attempt", "Work", "attempts_of", "overlaps"]


@dataclass(slots=True)
class Work:
    """What one worker did under a token; ticks and events are -1 and 0 where the thing has not happened.

    ``still`` are the stretches in which it stood still (frozen or suspended).
    """

    worker: str
    token: int
    began: int
    event: int
    stopped: int = -1
    stop: int = 0
    why: str = ""
    values: Values = field(default_factory=dict)
    still: list[tuple[int, int]] = field(default_factory=list)
    stands: int = -1

    def moves(self, until: int) -> list[tuple[int, int]]:
        """Give the stretches in which it was executed."""
        end = self.stopped if self.stopped >= 0 else until
        stretches, since = [], self.began
        for begin, goes_on in (*self.still, *(((self.stands, end),) if self.stands >= 0 else ())):
            if begin > since:
                stretches.append((since, begin))
            since = goes_on
        if end > since:
            stretches.append((since, end))
        return stretches

    def executed(self, since: int, until: int) -> int:
        """Give for how long it was executed from one tick on, up to its stop or another tick.

        >>> Work("dome-2", 3, began=0, event=1, still=[(120, 200)]).executed(100, until=240)
        60
        """
        return sum(end - max(begin, since) for begin, end in self.moves(until) if end > since)

    def stand(self, kind: str, at: int) -> None:
        """Take up an event of one of the kinds ``STANDING``: it stands still from a tick on, or goes on."""
        if STANDING[kind]:
            self.stands = at if self.stands < 0 else self.stands
        elif self.stands >= 0:
            self.still.append((self.stands, at))
            self.stands = -1


STANDING: Final = {"work_paused": True, "suspended": True, "work_continued": False, "resumed": False}
"""The kinds of event between which work is not executed, and whether it stands still from then on."""


@dataclass(slots=True)
class Attempt:
    """One hand-out of a job, and what came of it; ``end`` is the event of its end, or of its being handed back."""

    number: int
    token: int
    worker: str
    at: int
    event: int
    lease: int
    until: int
    ended: int = -1
    end: int = 0
    outcome: str = ""
    why: str = ""
    values: Values = field(default_factory=dict)
    nominal: int = -1
    work: list[Work] = field(default_factory=list)
    rows: list[Numbered] = field(default_factory=list)
    """Every other event that carries its token."""

    def of_kind(self, *kinds: str) -> list[Numbered]:
        """Give its other events of some kinds."""
        return [(number, row) for number, row in self.rows if row[1] in kinds]

    @property
    def own(self) -> Work | None:
        """Give the work of the worker that it was handed to."""
        return next((work for work in self.work if work.worker == self.worker), None)


_TOKEN: Final = {
    "part_finished": 6,
    "work_paused": 5,
    "work_continued": 5,
    "worker_notified": 5,
    "outcome_unanswered": 5,
    "effect_landed": 6,
    "effect_refused": 6,
    "effect_found": 6,
    "call_ended": 6,
    "call_served_late": 6,
    "stale_refused": 5,
    "lease_renewed": 5,
    "suspended": 5,
    "resumed": 5,
    "lease_forgotten": 5,
}
"""Where a row carries its token."""


def attempts_of(rows: Iterable[Numbered]) -> list[Attempt]:
    """Gather the attempts at one job from its events, in the order of their hand-outs."""
    found: dict[int, Attempt] = {}
    of_event: dict[int, Attempt] = {}
    for number, row in rows:
        at, kind, worker = row[0], row[1], row[4]
        if kind == "handed_out":
            found[row[6]] = Attempt(row[5], row[6], worker, at, number, row[7] - at, row[7])
        elif kind == "work_began":
            attempt = found.get(row[6])
            if attempt is not None:
                attempt.work.append(Work(worker, row[6], at, number))
                of_event[number] = attempt
        elif kind == "work_stopped":
            if row[6] in found:
                of_event[number] = found[row[6]]
            for work in _works(found.get(row[6]), worker):
                work.stopped, work.stop, (work.why, work.values) = at, number, reason_of(row)
        elif kind == "attempt_ended":
            attempt = found.get(row[6])
            if attempt is not None:
                attempt.ended, attempt.end, attempt.outcome, attempt.nominal = at, number, row[7], row[9]
                attempt.why, attempt.values = reason_of(row)
        elif kind == "handed_back":
            attempt = found.get(row[7])
            if attempt is not None:
                attempt.ended, attempt.end, attempt.outcome = at, number, "handed_back"
        elif kind in _TOKEN:
            attempt = found.get(row[_TOKEN[kind]])
            if attempt is not None:
                attempt.rows.append((number, row))
                if kind in STANDING:
                    for work in _works(attempt, worker):
                        work.stand(kind, at)
        elif kind == "message_lost" and row[2] in of_event:
            of_event[row[2]].rows.append((number, row))
    return list(found.values())


def _works(attempt: Attempt | None, worker: str) -> Iterator[Work]:
    for work in attempt.work if attempt is not None else ():
        if work.worker == worker and work.stopped < 0:
            yield work


def overlaps(attempts: Iterable[Attempt], until: int) -> list[tuple[int, int, tuple[Work, ...]]]:
    """Give (begin, end, who) of the stretches in which two or more workers executed the job at once."""
    changes: list[tuple[int, int, Work]] = []
    for attempt in attempts:
        for work in attempt.work:
            for begin, end in work.moves(until):
                changes += [(begin, 1, work), (end, 0, work)]
    changes.sort(key=lambda change: (change[0], change[1], change[2].event))
    found: list[tuple[int, int, tuple[Work, ...]]] = []
    moving: list[Work] = []
    since = 0
    for at, begins, work in changes:
        if len(moving) >= 2 and at > since:
            who = tuple(sorted(moving, key=lambda one: one.event))
            if found and found[-1][1] == since and found[-1][2] == who:
                found[-1] = found[-1][0], at, who
            else:
                found.append((since, at, who))
        since = at
        if begins:
            moving.append(work)
        else:
            moving.remove(work)
    return found
