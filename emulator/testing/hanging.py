"""Is anything still to come but heartbeats? Where nothing is, whoever waits for more is told at once.

A handler that waits for something that nobody brings keeps its lease: its worker's heartbeats renew it, for as long as
the scenario lasts. The look is taken when heartbeats alone have been seen for longer than any lease and any silence
lasts, so that what would have ended by itself has. Then it must be certain: the loop has no timer and nothing open to
the outside, and the agenda has nothing but heartbeats and the alarms that they put off.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

from emulator.broker.states import State
from emulator.record.events import HEARTBEAT_KINDS, Row
from emulator.testing.stream import Stream
from emulator.timeline.agenda import Entry
from emulator.timeline.loop import VirtualLoop
from emulator.timeline.ticks import say
from emulator.world.heartbeats_simulated import SimulatedHeartbeats
from emulator.world.transport import Transport
from emulator.world.world import World

if TYPE_CHECKING:
    from emulator.testing.handlers import Handlers

__all__ = ["Hanging"]

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
        if row[1] not in HEARTBEAT_KINDS:
            self._since, self._beats, self._next_look = row[0], 0, _FIRST_LOOK
            return
        self._beats += 1
        if self._beats >= self._next_look and row[0] - self._since > self._longest:
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
