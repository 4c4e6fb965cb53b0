"""What becomes of an occurrence when the one before is unfinished, or when the broker was down as it was due?

Still running: ``both`` submits it all the same, ``skip`` drops it, ``wait`` holds it back until every earlier one has
ended; those that wait go one after another. Missed: ``skip`` drops all, ``once`` makes up the last one that is not too
late, ``each`` makes up all that are not too late; what is made up then meets the first rule.
"""

from collections import deque
from collections.abc import Callable, Iterable

from emulator.broker.jobs import Job
from emulator.record.events import Sink
from emulator.scenario import models
from emulator.timeline.agenda import Agenda

__all__ = ["Recurring"]


class Recurring:
    """The rules of one entry that recurs.

    Args:
        unfinished: the numbers of its jobs that have been taken and have not ended; somebody else keeps it.
        send: submits a job, given its cause.
        dropped: is told of a job that is not submitted at all, given its cause.
    """

    __slots__ = ("_agenda", "_dropped", "_model", "_send", "_sink", "_unfinished", "_waiting")

    def __init__(
        self,
        model: models.Arrival,
        agenda: Agenda,
        sink: Sink,
        unfinished: set[int],
        send: Callable[[int, Job], None],
        dropped: Callable[[int, Job], None],
    ) -> None:
        self._model, self._agenda, self._sink = model, agenda, sink
        self._unfinished, self._send, self._dropped = unfinished, send, dropped
        self._waiting: deque[Job] = deque()

    def come(self, cause: int, job: Job) -> None:
        """An occurrence is due, or is made up."""
        rule = self._model.if_still_running
        if rule == "skip" and self._unfinished:
            self._skip(cause, job, "still_running")
        elif rule == "wait":
            self._waiting.append(job)
            self.go_on(cause)
        else:
            self._send(cause, job)

    def go_on(self, cause: int) -> None:
        """Submit what waits, as long as nothing earlier is unfinished: one job, more if the queue refuses it."""
        while self._waiting and not self._unfinished:
            self._send(cause, self._waiting.popleft())

    def to_make_up(self, cause: int, missed: Iterable[Job]) -> frozenset[int]:
        """Give the numbers of the missed occurrences, which come in order, that are made up; skip the others."""
        rule, latest = self._model.if_missed, self._model.late_at_most
        now, found = self._agenda.now, list(missed)
        in_time = [job.ordinal for job in found if latest is None or now - job.nominal <= latest]
        made_up = frozenset({"skip": [], "once": in_time[-1:], "each": in_time}[rule])
        for job in found:
            if job.ordinal not in made_up:
                too_late = rule != "skip" and job.ordinal not in in_time
                self._skip(cause, job, "broker_was_down_too_long" if too_late else "broker_was_down")
        return made_up

    def _skip(self, cause: int, job: Job, why: str) -> None:
        self._sink.emit((self._agenda.now, "occurrence_skipped", cause, 0, "", job.source.arrival, job.ordinal, why))
        self._dropped(cause, job)
