"""Who is told of the events of an emulation, and when?

The law: every event is kept at once, in order. Who must act within the same instant (the keeper of the handlers, when a
worker is switched off) is told at once and may touch nothing of the world. Everybody else is told in the next turn of
the loop: whoever is woken by an event then sees a world that is at rest.
"""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextvars import Context

from emulator.errors import NeverError
from emulator.record.events import Event, Row, read

__all__ = ["Stream"]


class Stream:
    """A sink that keeps the events of an emulation and wakes those who wait for them.

    Args:
        loop: the running loop.
        context: what callbacks run in: not that of the handler that happens to cause the event.
        at_once: told each row within its instant.

    Attributes:
        rows: every event so far.
        over: why nothing more will come; "" as long as the emulation goes on.
    """

    def __init__(self, loop: asyncio.AbstractEventLoop, context: Context, at_once: Callable[[Row], None]) -> None:
        self._loop = loop
        self._context = context
        self._at_once = at_once
        self.rows: list[Row] = []
        self.over = ""
        self._told = 0
        self._telling = False
        self._waiting: list[asyncio.Future[None]] = []
        self._subscribers: dict[int, Callable[[Event], object]] = {}
        self._subscriptions = 0

    def emit(self, row: Row) -> int:
        """Keep one row and give its number."""
        self.rows.append(row)
        self._at_once(row)
        self.notice()
        return len(self.rows)

    def notice(self) -> None:
        """Let whoever waits for a change look again: something has changed, with an event or without."""
        if (self._waiting or self._subscribers) and not self._telling:
            self._telling = True
            self._loop.call_soon(self._tell, context=self._context)

    def _tell(self) -> None:
        self._telling = False
        if self._subscribers:
            first, self._told = self._told, len(self.rows)
            for event in read(self.rows[first : self._told], first + 1):
                for subscriber in list(self._subscribers.values()):
                    subscriber(event)
        waiting, self._waiting = self._waiting, []
        for future in waiting:
            if not future.done():
                future.set_result(None)

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

    async def change(self, what_for: Callable[[], str]) -> None:
        """Wait until something has happened.

        Args:
            what_for: says what is waited for, if it never comes.

        Raises:
            NeverError: when the emulation is over.
        """
        if self.over:
            raise NeverError(f"{self.over}, and {what_for()}")
        future: asyncio.Future[None] = self._loop.create_future()
        self._waiting.append(future)
        await future

    async def events(self, first: int) -> AsyncIterator[Event]:
        """Give every event from number ``first`` on as it comes, until the emulation is over."""
        while True:
            while first <= len(self.rows):
                yield next(read(self.rows[first - 1 : first], first))
                first += 1
            if self.over:
                return
            await self.change(lambda: "somebody reads its events")

    def end(self, why: str) -> None:
        """Say that nothing more will come, and wake whoever waits for more."""
        if not self.over:
            self.over = why
            if not self._telling:
                self._telling = True
                self._loop.call_soon(self._tell, context=self._context)
