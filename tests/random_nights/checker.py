"""Reads the events of a night and says where they break what the documentation promises.

Written from the documentation alone: nothing of the emulator is used but the names of the details of events. The
checker keeps a model of its own of jobs, leases and workers, moves it from event to event, and looks at it each time
the clock is about to move. Where the events do not tell enough (a request under way over a slow link, an outcome whose
answer was lost), it says nothing rather than guess.
"""

from collections.abc import Iterable
from typing import Any

from emulator.record.events import Event, Row, read
from random_nights.facts import OUTAGE_KINDS
from random_nights.model import RULES, Broken
from random_nights.of_jobs import OfJobs
from random_nights.of_workers import OfWorkers

__all__ = ["RULES", "Broken", "check"]


class _Check(OfJobs, OfWorkers):
    """Reads the stream, and passes each event to the method for its kind."""

    # -- the stream ---------------------------------------------------------------------------------------------------

    def read(self, events: Iterable[Event]) -> None:
        for event in events:
            if event.at < self.now:
                self.wrong("time", f"time went back to {event.at}")
            if event.at > self.now:
                self.move_on(event.at)
            self.events.append(event)
            if event.number != len(self.events):
                self.wrong("numbers", f"event {event.number} is the {len(self.events)}th")
            if event.cause >= event.number:
                self.wrong("causes", f"{event.kind} is caused by event {event.cause}")
            elif event.cause and self.events[event.cause - 1].at > event.at:
                self.wrong("causes", f"{event.kind} comes before its cause")
            if event.kind in OUTAGE_KINDS and not self.up:
                self.wrong("outage", f"{event.kind} while the broker was down")
            if event.job and event.kind != "submitted" and event.job not in self.jobs:
                self.wrong("causes", f"{event.kind} of job {event.job}, which was never submitted")
                continue
            handler = getattr(self, f"on_{event.kind}", None)
            if handler is not None:
                self.looked = False
                handler(event, event.details)
        self.at_the_end()

    def at_the_end(self) -> None:
        if not self.events or self.events[0].kind != "run_began" or self.events[-1].kind != "run_ended":
            self.wrong("numbers", "the run does not begin and end with its own events")
            return
        if self.now != self.said.lasts:
            self.wrong("time", f"the run ended at {self.now} and not at {self.said.lasts}")
        self.see_untold()
        for name, entry in self.said.entries.items():
            came = self.came.get(name, 0)
            if "at" in entry and "idempotency_key" not in entry and self.up and self.up_since < self.now:
                due = entry.get("count", 1) if self.tick(entry["at"]) < self.said.lasts else 0
                due *= "fri" in entry.get("days", ["fri"])  # each night begins on a Friday, and ends before midnight
                if came != due:
                    self.wrong("conservation", f"{came} of {due} jobs of {name} came")


def check(settings: dict[str, Any], rows: Iterable[Row], mode: str) -> list[Broken]:
    """Give every promise that the events of a night break.

    Args:
        settings: the scenario, as ``night`` gives it.
        rows: its events, as they were written.
        mode: ``simulated`` if every heartbeat is among them, else ``computed``.
    """
    checked = _Check(settings, mode)
    checked.read(read(rows))
    return checked.broken
