"""Gives every attempt of a night, with what was done in each.

One attempt here is one worker with one token: what the broker granted, and what the worker did with it. A lease that
two workers work on has two, the second with the outcome ``second_hand_out`` and no lease of its own. An attempt that
was handed back unstarted, which no figure counts, stands here as ``handed back``.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

from emulator.measure.night import IN_PROGRESS, SECOND_HAND_OUT, WITHDRAWN
from emulator.record.event_view import EventView
from emulator.record.history import Attempt as Granted
from emulator.record.history import Work
from emulator.record.reasons import FINISHED, NONE, WITHDRAWN_BY_PERSON, Because
from emulator.show.exports.recorded import Recorded

__all__ = ["HANDED_BACK", "Attempt", "PartDone", "attempts_of", "of_workers"]

HANDED_BACK: Final = "handed_back"

Parts = Mapping[str, tuple[tuple[str, bool], ...]]


@dataclass(slots=True)
class PartDone:
    """One part of an attempt; ``name`` is "" where neither events nor scenario tell it. ``finished``: to its end."""

    name: str
    element: str
    begins: int
    ends: int
    finished: bool


@dataclass(slots=True)
class Attempt:
    """One worker with one token. Ticks are -1 where the thing has not happened, or not by the horizon.

    Attributes:
        event: the number of the event with which it begins: the hand-out, or the begin of the work.
        handed_out, until: when the lease was granted, and its first end; -1: this worker was granted none.
        ended: when it ended in the broker's view.
        why: why it ended in the broker's view.
        work: what it did; None before it began. began, stopped, stopped_why: when, and why it stopped.
        events: every event that names job, token and worker, and those that end it, in order.
    """

    job: int
    number: int
    token: int
    worker: str
    event: int
    handed_out: int = -1
    until: int = -1
    ended: int = -1
    outcome: str = IN_PROGRESS
    why: Because = NONE
    work: Work | None = None
    parts: list[PartDone] = field(default_factory=list)
    events: list[EventView] = field(default_factory=list)

    @property
    def began(self) -> int:
        """When the worker began to work on it."""
        return -1 if self.work is None else self.work.began

    @property
    def stopped(self) -> int:
        """When the worker stopped."""
        return -1 if self.work is None else self.work.stopped

    @property
    def stopped_why(self) -> Because:
        """Why the worker stopped."""
        return NONE if self.work is None else Because(self.work.why, self.work.values)

    @property
    def begins(self) -> int:
        """The first tick of it."""
        return self.handed_out if self.handed_out >= 0 else self.began

    def executed(self, horizon: int) -> int:
        """Give for how long it was executed by the horizon; -1 if it never began."""
        return -1 if self.work is None else self.work.executed(self.began, horizon)

    def ends(self, horizon: int) -> int:
        """Give the last tick of it, of the lease or of the work, whichever is later."""
        if self.began >= 0 and self.stopped < 0:
            return horizon
        if self.handed_out >= 0 and self.ended < 0:
            return horizon
        return max(self.ended, self.stopped, self.begins)


def attempts_of(recorded: Recorded) -> list[Attempt]:
    """Give every attempt of a night, in the order in which they began."""
    found = []
    for job in recorded.history().jobs.values():
        routine = recorded.parts.get(job.submission.routine, ())
        for granted in job.attempts:
            for attempt in of_workers(granted):
                attempt.events = [
                    event
                    for event in granted.events
                    if event.worker == attempt.worker and event.event >= attempt.event and event.kind != "message_lost"
                ]
                _parts(attempt, routine, recorded.night.horizon)
                found.append(attempt)
    return sorted(found, key=lambda attempt: attempt.event)


def of_workers(granted: Granted) -> Iterator[Attempt]:
    """Give what each worker did under one token, the one to which it was granted first; without events and parts."""
    own = granted.own
    made = Attempt(granted.job, granted.number, granted.token, granted.worker, granted.event, work=own)
    made.handed_out, made.until, made.ended, made.why = granted.at, granted.until, granted.ended, granted.reason
    withdrawn = granted.outcome == "lease_lost" and granted.why == WITHDRAWN_BY_PERSON
    made.outcome = WITHDRAWN if withdrawn else granted.outcome or IN_PROGRESS
    yield made
    for work in granted.work:
        if work is not own:
            yield Attempt(
                granted.job, granted.number, granted.token, work.worker, work.event, outcome=SECOND_HAND_OUT, work=work
            )


def _parts(attempt: Attempt, routine: tuple[tuple[str, bool], ...], horizon: int) -> None:
    """Add the parts: those that events tell of, and the one in which the work stopped, which has no event."""
    if attempt.began < 0:
        return
    begins = attempt.began
    for event in attempt.events:
        if event.kind == "part_finished":
            attempt.parts.append(PartDone(event.part, event.element, begins, event.at, True))
            begins = event.at
    finished = attempt.stopped_why.code == FINISHED
    ends = attempt.stopped if attempt.stopped >= 0 else horizon
    attempt.parts.append(PartDone(_after(routine, attempt, finished), "", begins, ends, finished))


def _after(routine: tuple[tuple[str, bool], ...], one: Attempt, finished: bool) -> str:
    """Name the part after the last that was finished, "" where the events leave that open.

    They do where it may be a part for each element of a list that has more elements or none, and where the attempt may
    have resumed after a part.
    """
    names = [name for name, _ in routine]
    if not names or any(part.name not in names for part in one.parts):  # a handler has parts of its own
        return ""
    if finished:
        return names[-1]
    if not one.parts and one.number > 1:
        return ""
    place = 0
    if one.parts:
        last = names.index(one.parts[-1].name)
        place = last if routine[last][1] else last + 1
    if place >= len(names) or (routine[place][1] and place + 1 < len(names)):
        return ""
    return names[place]
