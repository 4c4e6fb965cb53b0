"""Which attempts were there, and what was done in each?

One attempt here is one worker with one token: what the broker granted, and what the worker did with it. A lease that
two workers work on has two, the second with the outcome ``second_hand_out`` and no lease of its own. An attempt that
was handed back unstarted, which no figure counts, stands here as ``handed back``.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from emulator.measure.night import IN_PROGRESS, SECOND_HAND_OUT, WITHDRAWN
from emulator.measure.story.attempts import STANDING, Work
from emulator.record.events import Event, reason_in
from emulator.record.reasons import FINISHED, NONE, WITHDRAWN_BY_PERSON, Because
from emulator.show.exports.recorded import Recorded

__all__ = ["HANDED_BACK", "Attempt", "PartDone", "attempts_of"]

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
        handed_out, until: when the lease was granted, and its first end; -1: this worker was granted none.
        began, stopped: when the worker began and stopped to work on it.
        ended: when it ended in the broker's view.
        stopped_why, why: why the worker stopped, and why the attempt ended in the broker's view.
        work: what it did; None before it began.
        events: every event that names job, token and worker, and those that end it, in order.
    """

    job: int
    number: int
    token: int
    worker: str
    incarnation: int = 0
    handed_out: int = -1
    until: int = -1
    began: int = -1
    stopped: int = -1
    stopped_why: Because = NONE
    ended: int = -1
    outcome: str = IN_PROGRESS
    why: Because = NONE
    work: Work | None = None
    parts: list[PartDone] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

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
    fold = _Fold(recorded.parts)
    for event in recorded.events():
        if event.job:
            fold.feed(event)
    return fold.close(recorded.night.horizon)


class _Fold:
    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._routines: dict[int, str] = {}
        self._latest: dict[tuple[int, str], Attempt] = {}
        self._all: list[Attempt] = []
        self._last_part: dict[int, tuple[str, str]] = {}  # job -> the last part that any attempt finished

    def feed(self, event: Event) -> None:
        if event.kind == "submitted":
            self._routines[event.job] = event.details["routine"]
        if event.kind == "handed_out":
            self._new(event).handed_out = event.at
        token = event.details.get("token")
        one = None if token is None else self._latest.get((token, event.worker))
        if event.kind == "work_began" and (one is None or one.began >= 0):
            one = self._new(event)
            one.outcome = SECOND_HAND_OUT
        if one is not None:
            one.events.append(event)
            self._follow(one, event)

    def _new(self, event: Event) -> Attempt:
        details = event.details
        one = Attempt(event.job, details["attempt"], details["token"], event.worker)
        one.incarnation, one.until = details.get("incarnation", 0), details.get("lease_until", -1)
        self._latest[one.token, one.worker] = one
        self._all.append(one)
        return one

    def _follow(self, one: Attempt, event: Event) -> None:
        details = event.details
        if event.kind == "work_began":
            one.began, one.work = event.at, Work(one.worker, one.token, event.at, event.number)
        elif event.kind == "part_finished":
            begins = one.parts[-1].ends if one.parts else one.began
            one.parts.append(PartDone(details["part"], details["element"], begins, event.at, True))
            self._last_part[one.job] = details["part"], details["element"]
        elif event.kind == "work_stopped":
            one.stopped, one.stopped_why = event.at, reason_in(event)
            if one.work is not None:
                one.work.stopped = event.at
            self._last(one, event.at, finished=details["why"] == FINISHED)
        elif event.kind == "attempt_ended":
            withdrawn = details["outcome"] == "lease_lost" and details["why"] == WITHDRAWN_BY_PERSON
            one.ended, one.why = event.at, reason_in(event)
            one.outcome = WITHDRAWN if withdrawn else details["outcome"]
        elif event.kind in STANDING and one.work is not None and one.stopped < 0:
            one.work.stand(event.kind, event.at)
        elif event.kind == "handed_back":
            one.ended, one.outcome = event.at, HANDED_BACK

    def _last(self, one: Attempt, at: int, *, finished: bool) -> None:
        """Add the part in which the work stopped: no event is of its own."""
        begins = one.parts[-1].ends if one.parts else one.began
        routine = self._parts.get(self._routines.get(one.job, ""), ())
        one.parts.append(PartDone(_after(routine, one, finished), "", begins, at, finished))

    def close(self, horizon: int) -> list[Attempt]:
        for one in self._all:
            if one.began >= 0 and one.stopped < 0:
                self._last(one, horizon, finished=False)
        return self._all


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
