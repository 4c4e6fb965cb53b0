"""What led to an event, and what to that, back to where it all began?

Most events name their cause. Of some it follows from their kind: a job is handed out because it had come to wait for a
worker, work begins because the job was handed out. A chain ends at an arrival, an action, a fault, or at the start of
the run, which laid out everything that the scenario states (when workers are on, what they are equipped with).
"""

from collections.abc import Callable
from typing import Final

from emulator.measure.story.source import Source
from emulator.record.event_view import EventView

__all__ = ["ROOTS", "Causes"]

ROOTS: Final = frozenset(
    {
        "action_refused",
        "action_taken",
        "fault_began",
        "fault_missed",
        "occurrence_skipped",
        "run_began",
        "submission_refused",
        "submission_repeated",
        "submitted",
    }
)
"""The kinds of event at which a chain ends if they name no cause: arrivals, actions, faults, the start of the run."""

_LETS_WAIT: Final = frozenset({"submitted", "hold_ended", "requeued", "handed_back"})


class Causes:
    """Follows causes in one run.

    >>> from emulator.measure.story.source import Rows
    >>> arrival = (0, "submitted", 0, 1, "", "queued", "copy", "night", "plates", 1, "", 0, "", 0)
    >>> rows = [arrival, (9, "handed_out", 0, 1, "dome-1", 1, 1, 99, 1), (9, "work_began", 0, 1, "dome-1", 1, 1)]
    >>> Causes(Rows(rows)).chain(3)
    (3, 2, 1)
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self._known: dict[int, int] = {}

    def chain(self, event: int) -> tuple[int, ...]:
        """Give an event, what led to it, what led to that, and so on to the root."""
        found = [event]
        while before := self.before(found[-1]):
            found.append(before)
        return tuple(found)

    def before(self, event: int) -> int:
        """Give the number of the event that led to one; 0 if it is a root."""
        if event not in self._known:
            self._known[event] = self._before(event)
        return self._known[event]

    def _before(self, event: int) -> int:
        one = self._source.one(event)
        if one.cause:
            return one.cause
        if one.kind in ROOTS:
            return 0
        if one.kind == "handed_out":
            return self._last(one, lambda before: before.kind in _LETS_WAIT)
        if one.kind == "work_began":
            return self._last(one, lambda before: before.kind == "handed_out" and before.token == one.token)
        return 1 if event > 1 else 0

    def _last(self, one: EventView, led_to_it: Callable[[EventView], bool]) -> int:
        before = self._source.of_job(one.job, one.event)
        return next((event.event for event in reversed(before) if led_to_it(event)), 1)
