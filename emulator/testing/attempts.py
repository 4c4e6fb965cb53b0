"""What is one attempt that the user's own code works on: its code, its view of the lease, what it waits for?"""

import asyncio
from collections import Counter
from collections.abc import Callable, Mapping
from contextvars import Context
from datetime import datetime
from typing import Any, Protocol

from emulator.broker.jobs import Attempt
from emulator.errors import CallError, InputError
from emulator.measure.reasons import refusal_in_words
from emulator.scenario.spelling import advise
from emulator.testing.work import Order, afresh
from emulator.timeline.bearers import NOBODY, Bearer, stretched
from emulator.timeline.loop import VirtualLoop
from emulator.timeline.ticks import SECOND
from emulator.world.draws import entity_key, numbers_key
from emulator.world.systems import Call
from emulator.world.world import World

__all__ = ["RunningAttempt"]


class Keeper(Protocol):
    """What an attempt needs of the keeper of all (``emulator.testing.handlers``)."""

    loop: VirtualLoop
    context: Context
    world: World
    finished: dict[int, dict[tuple[str, str], None]]
    over: str


class _Spending:
    """Work under way for which a handler waits: it stands still with its worker, and takes longer on a slow one."""

    __slots__ = ("left", "since", "speed", "timer", "waiter")

    def __init__(self, left: int, waiter: "asyncio.Future[None]") -> None:
        self.left = left  # at full speed
        self.since = 0
        self.speed = 1.0
        self.timer: asyncio.TimerHandle | None = None
        self.waiter = waiter


class RunningAttempt:
    """One attempt under way, or what is left of it on its worker."""

    def __init__(self, keeper: Keeper, execution: Attempt, bearer: Bearer) -> None:
        job = execution.job
        self._keeper = keeper
        self.execution = execution
        self.bearer = bearer
        self.task: asyncio.Task[None] | None = None
        self.is_left = False
        self.is_over = False
        self.order = Order(
            job.number,
            job.name,
            job.routine.name,
            afresh(job.source.parameters),
            job.key,
            execution.number,
            execution.token,
            execution.worker.name,
            tuple(keeper.finished.get(job.number, ())),
        )
        self._calls: list[Call] = []
        self._called: Counter[str] = Counter()
        self._spending: list[_Spending] = []

    # -- what Work asks for -------------------------------------------------------------------------------------------

    def lease_left(self) -> int:
        """Give the ticks for which the lease holds as far as the worker knows."""
        if self.execution.is_told or self.is_left:
            return 0
        return max(0, self.execution.known_end - self._keeper.world.agenda.now)

    def local_time(self) -> datetime:
        """Give what the worker's clock shows."""
        world = self._keeper.world
        return world.clock.local(self.execution.worker.clock.local(world.agenda.now))

    def leave(self, effect: str, target: str, holder: str, repeatable: bool) -> bool:
        """Leave an effect; False if the system that holds the target refuses the token."""
        self._check_open()
        if holder:
            self._check_system(holder)
        return self._keeper.world.effects.leave(self.execution, effect, target, holder.partition("/")[0], repeatable)

    def at_power_off(self, call: Callable[[], object]) -> None:
        """Have something called when the power of its worker goes."""
        if self.bearer is NOBODY:
            raise InputError(
                f"at_power_off: the test itself speaks for {self.order.worker}: let it do what is to be done"
            )
        self.bearer.at_power_off.append(call)

    def part_over(self, part: str, element: str) -> None:
        """Note that a part is finished, for later attempts too."""
        self._check_open()
        self._keeper.finished.setdefault(self.order.job, {})[part, element] = None
        self._keeper.world.execution.part_over(self.execution, part, element)

    async def spend(self, ticks: int) -> None:
        """Do work of so many ticks at full speed."""
        self._check_open()
        self._keeper.loop.refuse_inside_stop("work.spend")
        if not ticks:
            return
        spending = _Spending(ticks, self._keeper.loop.create_future())
        self._spending.append(spending)
        self._arm(spending)
        try:
            await spending.waiter
        finally:
            if spending.timer is not None:
                spending.timer.cancel()
            self._spending.remove(spending)

    async def call(self, system: str, options: Mapping[str, Any]) -> None:
        """Call a system and wait for what comes of it."""
        self._check_open()
        self._check_system(system)
        keeper, execution, world = self._keeper, self.execution, self._keeper.world
        name, _, part = system.partition("/")
        worker, job = execution.worker, execution.job
        target = options["target"] or job.key or job.name
        why = world.access.refusal(worker.name, name, part or job.routine.name, execution.start, worker.booted_at)
        if why:
            row = (world.agenda.now, "call_ended", execution.event, job.number, worker.name)
            world.emit((*row, execution.number, execution.token, name, "no_access", 0))
            raise CallError(f"{worker.name} has no access to {system}: {refusal_in_words(why)}", name, "no_access")
        waiter: asyncio.Future[tuple[str, int | None]] = keeper.loop.create_future()

        def done(outcome: str, retry_after: int | None) -> None:
            if not waiter.done():
                waiter.set_result((outcome, retry_after))

        effect = options["effect"]
        part_number = -1 - entity_key("called by a handler", system) % 2**32  # a modelled part has 0 or more
        call = Call(
            job=job.number,
            attempt=execution.number,
            token=execution.token,
            worker=worker.name,
            key=numbers_key(job.entity, job.draw_number, execution.number, part_number, self._called[system]),
            system=name,
            target=target,
            effect=effect,
            scope=job.scope,
            cause=execution.event,
            patience=options["patience"],
            if_already_in_progress=options["if_already_in_progress"],
            lands=options["lands"] if effect else None,
            land=(lambda: self.leave(effect, target, name, options["repeatable"])) if effect else None,
            done=done,
        )
        self._called[system] += 1
        self._calls.append(call)
        world.systems.call(call)
        try:
            outcome, retry_after = await waiter
        finally:
            if waiter.cancelled() and not keeper.over:
                world.systems.hang_up(call)
            call.done = None  # whoever has given up leaves it in the system's line
            self._calls.remove(call)
        if outcome != "ok":
            hint = None if retry_after is None else retry_after / SECOND
            raise CallError(f"{system} answered: {outcome.replace('_', ' ')}", name, outcome, hint)

    def _check_open(self) -> None:
        if self._keeper.over:
            raise InputError(f"{self._keeper.over}: {self.order.name} can do nothing more")

    def _check_system(self, system: str) -> None:
        known = self._keeper.world.scenario.systems
        if (name := system.partition("/")[0]) not in known:
            raise InputError(f"there is no system {name!r}: {advise(name, known) if known else 'there is none at all'}")

    # -- what becomes of it -------------------------------------------------------------------------------------------

    def stand_still(self, why: str) -> None:
        """Let its code stand still, its spending and the patience of its callers too."""
        if self.bearer.state != "runs":
            return
        self._keeper.loop.stand_still(self.bearer, why)
        now = self._keeper.world.agenda.now
        for spending in self._spending:
            self._halt(spending, now)
        for call in self._calls:
            self._keeper.world.systems.freeze(call)

    def go_on(self) -> None:
        """Let its code go on."""
        if self.bearer.state != "stands still":
            return
        self._keeper.loop.go_on(self.bearer)
        for spending in self._spending:
            self._arm(spending)
        for call in list(self._calls):
            self._keeper.world.systems.thaw(call)

    def set_speed(self, speed: float) -> None:
        """Let its code run at another speed."""
        if self.bearer.state == "gone":
            return
        now = self._keeper.world.agenda.now
        self._keeper.loop.set_speed(self.bearer, speed)
        if self.bearer.state == "runs":
            for spending in self._spending:
                self._halt(spending, now)
                self._arm(spending)

    def abandon(self, why: str) -> None:
        """Let its code never run again."""
        for call in self._calls:
            call.done = None
        self._spending.clear()
        self._keeper.loop.abandon(self.bearer, why)

    def _arm(self, spending: _Spending) -> None:
        keeper = self._keeper
        spending.since, spending.speed = keeper.world.agenda.now, self.bearer.speed
        due = keeper.loop.agenda.now + stretched(spending.left, spending.speed)
        spending.timer = keeper.loop.call_at(due / SECOND, _spent, spending.waiter, context=keeper.context)

    @staticmethod
    def _halt(spending: _Spending, now: int) -> None:
        if spending.timer is not None:
            spending.timer.cancel()
            spending.timer = None
            done = round((now - spending.since) * spending.speed)
            spending.left = max(1, spending.left - done)

    def has_anything_left(self) -> bool:
        """Say whether any task of it is unfinished, or anything open that it has opened."""
        held = self.bearer.held
        return any(not task.done() for task in self.bearer.tasks) or (held is not None and held.is_anything())


def _spent(waiter: "asyncio.Future[None]") -> None:
    if not waiter.done():
        waiter.set_result(None)
