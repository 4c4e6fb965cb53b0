"""The time and the events of an emulation: a clock of its own, who is told of an event, whether anything is to come.

The law: every event is kept at once, in order. Who must act within the same instant (the keeper of the handlers, when a
worker is switched off) is told at once and may touch nothing of the world. Everybody else is told in the next turn of
the loop: whoever is woken by an event then sees a world that is at rest. Who waits for one job is woken by events of
that job alone, or a thousand waiting tests of a thousand jobs would look a million times.

A world in a test suite shares the agenda of the running loop: with the timers of the code under test, and perhaps with
another world. What is due at one instant keeps the order of the agenda's law across all of them, because every entry
stands in the one heap, with a number from the one row.

A handler that waits for something that nobody brings keeps its lease: its worker's heartbeats renew it, for as long as
the scenario lasts. The look is taken when heartbeats alone have been seen for longer than any lease and any silence
lasts, so that what would have ended by itself has. Then it must be certain: the loop has no timer and nothing open to
the outside, and the agenda has nothing but heartbeats and the alarms that they put off.
"""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextvars import Context
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from emulator.broker.states import State
from emulator.errors import NeverError
from emulator.record.event_view import AT, JOB, KIND
from emulator.record.events import HEARTBEAT_KINDS, Event, Row, read
from emulator.timeline.agenda import REST, Agenda, Entry
from emulator.timeline.bearers import BEARER, NOBODY, Bearer
from emulator.timeline.loop import VirtualLoop
from emulator.timeline.ticks import say
from emulator.world.heartbeats_simulated import SimulatedHeartbeats
from emulator.world.transport import Transport
from emulator.world.world import World

if TYPE_CHECKING:
    from emulator.testing.handlers import Handlers

__all__ = [
    "Hanging",
    "Span",
    "Stream",
]


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
        self._subscribers: dict[int, tuple[int, Callable[[Event], object]]] = {}  # with the first number told
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
                for number, (since, subscriber) in list(self._subscribers.items()):
                    if event.number < since or number not in self._subscribers:  # another one may have ended it
                        continue
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
        self._subscribers[number] = len(self.rows) + 1, subscriber

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


class Span(Agenda):
    """A stretch of another agenda, from its present instant on, with a time that counts from 0 there.

    Attributes:
        base: the agenda that fires the entries.
        start: the tick of the base at which the span begins.
        over: once True, no entry of the span fires any more.

    >>> base = Agenda(start=100)
    >>> span, seen = Span(base), []
    >>> span.at(5, seen.append, "one"); span.at(7, seen.append, "two")
    >>> _ = base.run(before=(106,)); seen, base.now, span.now
    (['one'], 105, 5)
    >>> span.over = True; _ = base.run(); seen
    ['one']
    """

    __slots__ = ("base", "over", "start")

    def __init__(self, base: Agenda) -> None:
        self.base = base
        self.start = base.now
        self.over = False

    @property
    def now(self) -> int:  # type: ignore[override]  # a slot there, a difference here
        """The present tick, counted from the start of the span."""
        return self.base.now - self.start

    @property
    def rank(self) -> int:  # type: ignore[override]
        """The rank of the entry being fired."""
        return self.base.rank

    @property
    def entries(self) -> list[Any]:  # type: ignore[override]
        """The first entry of the base, as it is seen from the span, in a list; nobody may look further."""
        head = self.base.peek()
        return [] if head is None else [(head[0] - self.start, *head[1:])]

    def take_number(self) -> int:
        """Give the next number of creation."""
        return self.base.take_number()

    def at(
        self,
        time: int,
        call: Callable[[Any], None],
        argument: Any = None,
        rank: int = REST,
        key: int = 0,
        second: int = 0,
    ) -> None:
        """Fire ``call(argument)`` at a time of the span, unless it is over by then."""
        self.base.at(time + self.start, self._fire, (call, argument), rank, key, second)

    def end_instant(self, call: Callable[[Any], None]) -> None:
        """End the present instant, which is that of the base, with a call, unless the span is over by then."""
        self.base.end_instant(lambda _: self._fire((call, None)))

    def step(self, call: Callable[[Any], None], argument: Any) -> None:
        """Count one more step of the present instant, which is that of the base."""
        self.base.step(call, argument)

    def has_passed(self, time: int, rank: int, key: int, second: int) -> bool:
        """Say whether an entry with this time of the span, rank and keys has had its turn, or is having it."""
        return self.base.has_passed(time + self.start, rank, key, second)

    def _fire(self, what: tuple[Callable[[Any], None], Any]) -> None:
        if not self.over:
            call, argument = what
            call(argument)

    def peek(self) -> tuple[int, int, int, int, int] | None:
        """Give (time, rank, key, second key, number) of the next entry of the base, or None when nothing is due."""
        head = self.base.peek()
        return None if head is None else (head[0] - self.start, *head[1:])

    def __len__(self) -> int:
        return len(self.base)


_PUT_OFF: Final = frozenset(
    {
        SimulatedHeartbeats._send,
        SimulatedHeartbeats._lease_due,
        SimulatedHeartbeats._silence_due,
        SimulatedHeartbeats._own_end,
        Transport._beat_arrives,
        Transport._beat_answered,
    }
)
"""What heartbeats are made of, and what each of them puts off."""

_FIRST_LOOK: Final = 4
"""Heartbeats alone, in a row; each further look is taken after twice as many."""


class Hanging:
    """Looks whether handlers hang, and tells those who wait.

    Args:
        loop: the running loop.
        world: what the handlers work in.
        keeper: whose handlers they are.
        stream: knows who waits.
        end: the entry of the agenda at which the scenario is over.
    """

    def __init__(
        self, loop: VirtualLoop, world: World, keeper: "Handlers", stream: Stream, end: Callable[[Any], None]
    ) -> None:
        self._loop = loop
        self._world = world
        self._keeper = keeper
        self._stream = stream
        self._end = end
        scenario = world.scenario
        lasts = [queue.lease for queue in scenario.queues.values()]
        lasts += [pool.silence or 0 for pool in scenario.pools.values()]
        lasts += [pool.link.answer_within for pool in scenario.pools.values()]
        self._longest = max(lasts)
        self._since = self._beats = 0
        self._next_look = _FIRST_LOOK

    def see(self, row: Row) -> None:
        """Count heartbeats in a row; told of every event."""
        if row[KIND] not in HEARTBEAT_KINDS:
            self._since, self._beats, self._next_look = row[AT], 0, _FIRST_LOOK
            return
        self._beats += 1
        if self._beats >= self._next_look and row[AT] - self._since > self._longest:
            self._next_look = 2 * self._beats
            if self._is_hopeless():
                self._stream.give_up(self._in_words())

    def _is_hopeless(self) -> bool:
        return (
            bool(self._keeper.working())
            and not self._world.arrivals.has_more()
            and not any(worker.looks_at_end or worker.is_lossy for worker in self._world.workers.values())
            and self._loop.has_nothing_but(self._is_put_off)
        )

    def _is_put_off(self, entry: Entry) -> bool:
        """Say whether an entry of the agenda brings nothing new as long as heartbeats come."""
        call, argument = entry[5], entry[6]
        if getattr(call, "__self__", None) is not self._world.agenda:
            return False
        inner = argument[0]
        return inner == self._end or getattr(inner, "__func__", None) in _PUT_OFF

    def _in_words(self) -> str:
        said = f"nothing but heartbeats is to come any more at {say(self._world.agenda.now)}"
        for attempt in self._keeper.working():
            for job in self._stream.waited_for_by(attempt.bearer):
                if self._world.broker.state_of(job) in (State.QUEUED, State.REQUEUED):
                    said += (
                        f"; {attempt.order.name} waits for job {job}, and that waits for a worker while "
                        f"{attempt.order.name} has {attempt.order.worker}: give the pool one more worker, or one that "
                        "takes several jobs (`slots`), or let the handler end before"
                    )
        return said
