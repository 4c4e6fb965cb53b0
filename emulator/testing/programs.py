"""Which worker programs of a team's own run on emulated workers, and what becomes of them?

A program begins whenever its worker has started and is known to the broker, each time as a new incarnation with nothing
in its memory. It shares the fate of its worker like a handler: gone with the power, standing still in a freeze.
"""

import asyncio
from collections.abc import Iterable, Mapping
from contextvars import Context
from typing import TYPE_CHECKING, Any

from emulator.errors import InputError
from emulator.record.event_view import KIND, WORKER, view
from emulator.record.events import Row
from emulator.record.reasons import GOES_ON
from emulator.scenario.arguments import TEXT, must_be
from emulator.scenario.spelling import advise
from emulator.testing.client import Client, Program
from emulator.testing.handlers import POWER_OFF
from emulator.timeline.bearers import BEARER, Bearer
from emulator.timeline.loop import VirtualLoop
from emulator.world.worker import OFF

if TYPE_CHECKING:
    from emulator.testing.handlers import Handlers
    from emulator.world.world import World

__all__ = ["Programs"]


class Programs:
    """Keeps the worker programs of an emulation.

    Args:
        keeper: of the handlers; clients speak through it.
        programs: by worker or pool.
        by_hand: workers and pools that nobody but the test itself speaks for.

    Attributes:
        failures: what programs raised, by worker.
    """

    world: "World"

    def __init__(
        self,
        keeper: "Handlers",
        loop: VirtualLoop,
        context: Context,
        programs: Mapping[str, Program],
        by_hand: Iterable[str],
    ) -> None:
        self._keeper = keeper
        self._loop = loop
        self._context = context
        self._programs = dict(programs)
        self._by_hand = tuple(by_hand)
        self._of: dict[str, Program | None] = {}
        self._running: dict[str, tuple[Bearer, asyncio.Task[Any]]] = {}
        self._clients: dict[str, Client] = {}
        self.failures: list[tuple[str, BaseException]] = []

    def take_over(self, world: "World") -> None:
        """Take the workers over that are driven, before anything runs.

        Raises:
            InputError: for a worker or pool that there is not, or that is named twice.
        """
        self.world = world
        for name, program in (*self._programs.items(), *((name, None) for name in self._by_hand)):
            workers = world.pools.get(name) or ([world.workers[name]] if name in world.workers else [])
            if not workers:
                raise InputError(f"there is no worker or pool {name!r}: {advise(name, (*world.workers, *world.pools))}")
            for worker in workers:
                if worker.name in self._of:
                    raise InputError(f"{worker.name} is driven twice: name it once, among the programs or by hand")
                worker.is_driven = True
                worker.look_at_link()
                self._of[worker.name] = program

    def client(self, name: str) -> Client:
        """Give the client through which a test itself speaks for a worker.

        Raises:
            InputError: when the worker is not driven by hand.
        """
        must_be(TEXT, worker=name)
        if name not in self.world.workers:
            raise InputError(f"there is no worker {name!r}: {advise(name, tuple(self.world.workers))}")
        if name not in self._of or self._of[name] is not None:
            raise InputError(
                f"{name} works by itself: name it in `by_hand` of the emulator (by_hand=[{name!r}]) to speak for it"
            )
        if name not in self._clients:
            self._clients[name] = Client(self._keeper, self.world.workers[name])
        return self._clients[name]

    def see(self, row: Row) -> None:
        """Begin and end programs with their workers; told of every event."""
        name = row[WORKER]
        if name not in self._of:
            return
        if row[KIND] == "worker_registered":
            if self._of[name] is not None:
                self._begin(name)
        elif name in self._running and row[KIND] in ("worker_changed", "worker_speed_changed"):
            event, bearer = view(0, row), self._running[name][0]
            if event.kind == "worker_speed_changed":
                self._loop.set_speed(bearer, event.speed)
            elif event.state == OFF:
                self._loop.abandon(bearer, POWER_OFF)
                self._keeper.call_at_power_off(bearer)
            elif event.state == "frozen":
                self._loop.stand_still(bearer, "its worker is frozen")
            elif event.why == GOES_ON:
                self._loop.go_on(bearer)

    def _begin(self, name: str) -> None:
        worker, program = self.world.workers[name], self._of[name]
        assert program is not None, "only workers with a program begin one"
        bearer = Bearer(f"{name}, its program")
        bearer.speed, bearer.clock = worker.real_speed, self._keeper.clock_of(worker)
        context = self._context.copy()
        context.run(BEARER.set, bearer)
        client = Client(self._keeper, worker, bearer)
        task = self._loop.create_task(self._run(name, program, client), name=f"the program of {name}", context=context)
        self._running[name] = (bearer, task)

    async def _run(self, name: str, program: Program, client: Client) -> None:
        try:
            await program(client)
        except Exception as error:
            self.failures.append((name, error))

    async def close(self, why: str) -> None:
        """End all programs: what can run is cancelled, the rest is abandoned."""
        for bearer, task in self._running.values():
            if bearer.state == "runs":
                task.cancel(why)
        for _ in range(100):
            if all(task.done() or bearer.state != "runs" for bearer, task in self._running.values()):
                break
            await asyncio.sleep(0)
        for bearer, _task in self._running.values():
            self._loop.abandon(bearer, why)
        await self._loop.all_given_back()
