"""Who is told of the events of an emulation, and when?

The law: every event is kept at once, in order. Who must act within the same instant (the keeper of the handlers, when a
worker is switched off) is told at once and may touch nothing of the world. Everybody else is told in the next turn of
the loop: whoever is woken by an event then sees a world that is at rest. Who waits for one job is woken by events of
that job alone, or a thousand waiting tests of a thousand jobs would look a million times.
"""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextvars import Context
from dataclasses import dataclass
from typing import Final

from emulator.errors import NeverError
from emulator.record.event_view import JOB
from emulator.record.events import Event, Row, read
from emulator.timeline.bearers import BEARER, NOBODY, Bearer

__all__ = ["Stream"]

_ANY: Final = 0
"""In place of a job's number: whatever happens."""


@dataclass(frozen=True, slots=True)
class _Wait:
    """Somebody who waits: in which order, for what in words, and whose code it is."""

    number: int
    future: "asyncio.Future[None]"
    what_for: Callable[[], str]
    bearer: Bearer
    counts_heartbeats: bool


class Stream:
    """A sink that keeps the events of an emulation and wakes those who wait for them.

    Args:
        loop: the running loop.
        context: what callbacks run in: not that of the handler that happens to cause the event.
        at_once: told each row within its instant.

    Attributes:
        rows: every event so far.
        of_job: those of each job, by its number; the first tells of its submission.
        over: why nothing more will come; "" as long as the emulation goes on.
        failures: what subscribers raised; whoever raises is told of nothing more.
    """

    def __init__(self, loop: asyncio.AbstractEventLoop, context: Context, at_once: Callable[[Row], None]) -> None:
        self._loop = loop
        self._context = context
        self._at_once = at_once
        self.rows: list[Row] = []
        self.of_job: dict[int, list[Row]] = {}
        self.over = ""
        self.failures: list[BaseException] = []
        self._told = 0
        self._telling = False
        self._waiting: dict[int, list[_Wait]] = {}  # by job, _ANY: whatever happens
        self._changed: dict[int, None] = {}  # of those that somebody waits for
        self._waits = 0
        self._subscribers: dict[int, Callable[[Event], object]] = {}
        self._subscriptions = 0

    def emit(self, row: Row) -> int:
        """Keep one row and give its number."""
        self.rows.append(row)
        job = row[JOB]
        if job:
            self.of_job.setdefault(job, []).append(row)
        self._at_once(row)
        if job in self._waiting:
            self._changed[job] = None
        self.notice()
        return len(self.rows)

    def notice(self) -> None:
        """Let whoever waits for any change look again: something has changed, with an event or without."""
        if _ANY in self._waiting:
            self._changed[_ANY] = None
        if (self._changed or self._subscribers) and not self._telling:
            self._telling = True
            self._loop.call_soon(self._tell, context=self._context)

    def _tell(self) -> None:
        self._telling = False
        if self._subscribers:
            first, self._told = self._told, len(self.rows)
            for event in read(self.rows[first : self._told], first + 1):
                for number, subscriber in list(self._subscribers.items()):
                    try:
                        subscriber(event)
                    except (KeyboardInterrupt, SystemExit):
                        raise
                    except BaseException as error:  # a test framework's own way to fail is no Exception
                        self.failures.append(error)
                        self._subscribers.pop(number, None)
        changed, self._changed = self._changed, {}
        woken = [one for job in changed for one in self._waiting.pop(job, ())]
        for wait in sorted(woken, key=lambda one: one.number):  # who began to wait first goes first
            if not wait.future.done():
                wait.future.set_result(None)

    def subscribe(self, subscriber: Callable[[Event], object]) -> Callable[[], None]:
        """Call back with every event from now on, in order, in a turn of its own; gives what ends that."""
        if not self._subscribers:
            self._told = len(self.rows)
        self._subscriptions += 1
        number = self._subscriptions
        self._subscribers[number] = subscriber

        def unsubscribe() -> None:
            self._subscribers.pop(number, None)

        return unsubscribe

    async def change(self, what_for: Callable[[], str], job: int = _ANY, *, counts_heartbeats: bool = False) -> None:
        """Wait until something has happened.

        Args:
            what_for: says what is waited for, if it never comes.
            job: whose events alone matter; left out: whatever changes.
            counts_heartbeats: heartbeats alone may bring what is waited for.

        Raises:
            NeverError: when the emulation is over, or nothing will ever happen again.
        """
        if self.over:
            raise NeverError(f"{self.over}, and {what_for()}")
        future: asyncio.Future[None] = self._loop.create_future()
        self._waits += 1
        wait = _Wait(self._waits, future, what_for, BEARER.get(), counts_heartbeats)
        self._waiting.setdefault(job, []).append(wait)
        await future

    def waited_for_by(self, bearer: Bearer) -> list[int]:
        """Give the numbers of the jobs that somebody's code waits for."""
        return [
            job
            for job, waits in self._waiting.items()
            if job and any(wait.bearer is bearer and not wait.future.done() for wait in waits)
        ]

    def give_up(self, why: str) -> None:
        """Tell those who wait that nothing will ever happen again: the test itself, or else the handlers that do."""
        waits = [wait for those in self._waiting.values() for wait in those if not wait.future.done()]
        if self._subscribers or any(wait.counts_heartbeats for wait in waits):
            return
        for wait in [wait for wait in waits if wait.bearer is NOBODY] or waits:
            wait.future.set_exception(NeverError(f"{why}: {wait.what_for()}"))

    async def events(self, first: int) -> AsyncIterator[Event]:
        """Give every event from number ``first`` on as it comes, until the emulation is over."""
        while True:
            while first <= len(self.rows):
                yield next(read(self.rows[first - 1 : first], first))
                first += 1
            if self.over:
                return
            await self.change(lambda: "somebody reads its events", counts_heartbeats=True)

    def end(self, why: str) -> None:
        """Say that nothing more will come, and wake whoever waits for more."""
        if not self.over:
            self.over = why
            self._changed.update(dict.fromkeys(self._waiting))
            if not self._telling:
                self._telling = True
                self._loop.call_soon(self._tell, context=self._context)
