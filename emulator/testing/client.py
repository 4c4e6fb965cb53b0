"""Lets a team's own worker programs talk to the emulated broker over the emulated link, on emulated workers.

``take``, ``renew`` and ``hand_in`` each send one message and wait for its answer. Either may be lost or late; then the
program gets ``NoAnswerError`` after the link's ``answer_within``, and does not know whether the broker has acted. What
it does then is what is being tested. Nothing is repeated, renewed or stopped by itself.

A program begins whenever its worker has started and is known to the broker, each time as a new incarnation with nothing
in its memory. It shares the fate of its worker like a handler: gone with the power, standing still in a freeze.
"""

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Mapping
from contextvars import Context
from typing import TYPE_CHECKING, Any, Final, Literal

from emulator.broker.jobs import Attempt
from emulator.errors import InputError, NoAnswerError, StaleTokenError
from emulator.record.event_view import KIND, WORKER, view
from emulator.record.events import Row
from emulator.record.reasons import FINISHED, GOES_ON, Because, said
from emulator.scenario.arguments import TEXT, must_be
from emulator.scenario.spelling import advise
from emulator.testing.handlers import POWER_OFF, Keeper, RunningAttempt
from emulator.testing.settings import Lasting, ticks_of
from emulator.testing.work import Order, Work
from emulator.timeline.agenda import MESSAGES
from emulator.timeline.bearers import BEARER, NOBODY, Bearer
from emulator.timeline.loop import VirtualLoop
from emulator.timeline.ticks import say
from emulator.world.transport import ARRIVES
from emulator.world.worker import OFF, ON, Request, Worker

if TYPE_CHECKING:
    from emulator.testing.handlers import Handlers
    from emulator.world.world import World

__all__ = [
    "Client",
    "Lease",
    "Program",
    "Programs",
]


Program = Callable[["Client"], Awaitable[object]]
"""A worker program of your own: ``async def main(client): ...``."""

_LOST: Final = object()


class Lease:
    """The right to work on a job, as the worker knows of it; ``client.take()`` gives it.

    Attributes:
        work: what its work can ask for and leave behind, as handlers are given it.
        is_refused: whether the broker has refused the token; then somebody else has the job, or will.
    """

    __slots__ = ("_client", "_request", "execution", "is_refused", "work")

    def __init__(self, client: "Client", execution: Attempt, work: Work) -> None:
        self._client = client
        self._request: Request | None = None
        self.execution = execution
        self.work = work
        self.is_refused = False

    def __repr__(self) -> str:
        return f"<Lease {self.order.name}, attempt {self.order.attempt}, token {self.token}>"

    @property
    def order(self) -> Order:
        """What is told of the attempt."""
        return self.work.order

    @property
    def token(self) -> int:
        """The fencing token."""
        return self.order.token

    def left(self) -> float:
        """Give the seconds for which it still holds, as far as the worker knows."""
        return 0.0 if self.is_refused else self.work.lease_left()

    async def renew(self) -> None:
        """Renew it by a heartbeat that names its token alone.

        Raises:
            StaleTokenError: when the broker refuses the token.
            NoAnswerError: when no answer came in time.
        """
        if await self._client.renew(self):
            raise StaleTokenError(
                f"the broker refused token {self.token} of {self.order.name} on {self.order.worker}: the lease is lost"
            )

    async def hand_in(
        self,
        outcome: Literal["ok", "error", "permanent_error"] = "ok",
        why: str = "",
        *,
        retry_after: Lasting | None = None,
    ) -> None:
        """Hand the outcome in; calling it again after ``NoAnswerError`` repeats the same request.

        Args:
            outcome: how the attempt went.
            why: the reason, in words, for an error.
            retry_after: how long the next attempt should wait at least.

        Raises:
            StaleTokenError: when the broker refuses the token: the outcome does not count.
            NoAnswerError: when no answer came in time.
            InputError: for another outcome, or when it was answered before.
        """
        await self._client.hand_in(self, outcome, why, None if retry_after is None else ticks_of(retry_after))


class Client:
    """One emulated worker, driven by a program of your own: ``programs`` are given one, ``emu.client`` gives one.

    Each call sends one message over the emulated link and waits for its answer, ``answer_within`` of the link at most.
    Nothing is repeated, renewed or stopped by itself.

    Attributes:
        name: the worker's name.
        leases: what it holds, as far as it knows: taken, and not answered for yet.

    >>> import asyncio
    >>> from emulator import Emulator, run_in_virtual_time
    >>> ROUTINES = {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "1m"}]}}
    >>> async def main(client):
    ...     while True:
    ...         if (lease := await client.take()) is None:
    ...             await asyncio.sleep(10)
    ...             continue
    ...         await lease.work.spend("1m")
    ...         await lease.hand_in("ok")
    >>> async def test():
    ...     async with Emulator(programs={"workers": main}, routines=ROUTINES) as emu:
    ...         return (await emu.submit("copy")).state, emu.time
    >>> run_in_virtual_time(test)
    ('done', 70.0)
    """

    def __init__(self, keeper: Keeper, worker: Worker, bearer: Bearer = NOBODY) -> None:
        self._keeper = keeper
        self._worker = worker
        self._bearer = bearer
        self._incarnation = worker.incarnation
        self._beats = 0
        self.name = worker.name
        self.leases: list[Lease] = []

    def __repr__(self) -> str:
        return f"<Client {self.name}: {len(self.leases)} leases>"

    async def take(self) -> Lease | None:
        """Ask for work once: a lease, or None when there is nothing that this worker may have.

        Raises:
            NoAnswerError: when no answer came in time; a lease that was granted nevertheless runs out unrenewed.
            InputError: when the worker is off, or the emulation is over.
        """
        request = Request("take", self._check_on())
        execution: Attempt | None = await self._exchange(request, None)
        if execution is None:
            return None
        self._keeper.world.execution.take_up(self._worker, execution)
        execution.known_end = self._told_end(execution, request.sent, execution.known_end)
        attempt = RunningAttempt(self._keeper, execution, self._bearer)
        lease = Lease(self, execution, Work(attempt))
        self.leases.append(lease)
        return lease

    async def renew(self, *leases: Lease) -> tuple[Lease, ...]:
        """Send a heartbeat that names some leases, by default all that it holds; gives those that were refused.

        Raises:
            NoAnswerError: when no answer came in time; what it named may have been renewed nevertheless.
            InputError: when the worker is off, or the emulation is over.
        """
        named = leases or tuple(self.leases)
        worker, world = self._check_on(), self._keeper.world
        self._beats += 1
        number, tokens, sent = self._beats, tuple(lease.token for lease in named), world.agenda.now

        request = Request("heartbeat", worker)

        def act() -> Any:
            now = world.agenda.now
            message = (world.broker.holder(worker.name, self._incarnation), number, request.arrived)
            reply = world.broker.heartbeat(now, 0, message, tokens)
            return _LOST if reply is None else (now, reply)

        lost = not world.heartbeat_schedule.gets_through(worker, number)
        arrived, reply = await self._exchange(request, act, lost=lost)
        for lease in named:
            if lease.token in reply.refused:
                lease.is_refused = lease.execution.is_told = True
            elif lease.execution.job.terms.renewal:
                end = arrived + lease.execution.job.terms.lease
                lease.execution.known_end = self._told_end(lease.execution, sent, end)
        return tuple(lease for lease in named if lease.token in reply.refused)

    async def hand_in(self, lease: Lease, outcome: str, why: str, retry_after: int | None) -> None:
        """Hand an outcome in; see ``Lease.hand_in``."""
        if outcome not in ("ok", "error", "permanent_error"):
            raise InputError(f"{outcome!r} is no outcome: give ok, error or permanent_error")
        worker, world, execution = self._check_on(), self._keeper.world, lease.execution
        if lease not in self.leases:
            raise InputError(f"the outcome of {lease.order.name} was answered before: hand each lease in once")
        if lease._request is None:
            lease._request = Request("outcome", worker, execution)
            told = said(why) if why else Because("outcome", {"outcome": outcome})
            world.execution.lay_down(execution, Because(FINISHED) if outcome == "ok" else told)
        request = lease._request
        hint = None if retry_after is None else (retry_after, world.agenda.now)

        def act() -> Any:
            holder = world.broker.holder(worker.name, self._incarnation)
            taken = world.broker.hand_in(
                world.agenda.now,
                execution.event,
                (holder, request.number, request.arrived),
                execution.token,
                outcome,  # type: ignore[arg-type]  # one of those above
                said(why),
                hint,
            )
            world.dispatcher.broker_acted(execution)
            return taken

        taken = await self._exchange(request, act)
        self.leases.remove(lease)
        if execution in worker.attempts:
            world.execution.forget(execution)
        if not taken:
            lease.is_refused = True
            raise StaleTokenError(
                f"the broker refused the outcome of {lease.order.name}: token {lease.token} of {self.name} is stale"
            )

    def give_up(self, lease: Lease, why: str = "") -> None:
        """Stop working on a lease without handing anything in, as a program does that knows it is lost."""
        if lease in self.leases:
            self.leases.remove(lease)
            if lease.execution in self._worker.attempts:
                self._keeper.world.execution.lay_down(lease.execution, said(why) if why else Because("given_up"))
                self._keeper.world.execution.forget(lease.execution)

    # -- messages -----------------------------------------------------------------------------------------------------

    def _check_on(self) -> Worker:
        worker = self._worker
        if self._keeper.over:
            raise InputError(f"{self._keeper.over}: {self.name} can do nothing more")
        if worker.state is not ON:
            raise InputError(f"{self.name} is {worker.state} at {say(self._keeper.world.agenda.now)}: nobody can speak")
        if self._incarnation != worker.incarnation:
            if self._bearer is not NOBODY:
                raise InputError(f"{self.name} was switched off since: its program speaks for another incarnation")
            self._incarnation, self._beats = worker.incarnation, 0
            self.leases.clear()
        return worker

    async def _exchange(self, request: Request, act: Callable[[], Any] | None, *, lost: bool = False) -> Any:
        """Send a message, let it act at the broker, and give the answer; without ``act`` it asks for work."""
        world, worker, incarnation = self._keeper.world, self._worker, self._incarnation
        agenda, transport = world.agenda, world.transport
        future: asyncio.Future[Any] = self._keeper.loop.create_future()
        request.note_sent(agenda.now)

        def arrive(order: int) -> None:
            if not world.broker.is_up:
                return
            request.arrived = order
            if act is None:
                world.dispatcher.asked(request, reply)
            elif (answer := act()) is not _LOST:
                reply(request, answer)

        def reply(request: Request, answer: Any) -> None:
            way = transport.way_back(request)
            if way is not None:
                agenda.at(agenda.now + way, answered, answer)

        def answered(answer: Any) -> None:
            if not future.done() and worker.incarnation == incarnation and worker.state is ON:
                future.set_result(answer)

        def unanswered(_: object) -> None:
            if not future.done():
                future.set_result(_LOST)

        way = None if lost else transport.way_out(request)
        if way is not None:
            order = request.order
            agenda.at(agenda.now + way, arrive, order, MESSAGES, worker.index, ARRIVES + order)
        agenda.at(agenda.now + worker.link.answer_within, unanswered)
        answer = await future
        if answer is _LOST:
            raise NoAnswerError(
                f"{self.name} had no answer to its {request.what} within {say(worker.link.answer_within)}, at "
                f"{say(agenda.now)}: the broker may have acted, or never have heard"
            )
        return answer

    def _told_end(self, execution: Attempt, sent: int, until: int) -> int:
        """Give the end of a lease as its queue tells it to the worker: by the worker's clock."""
        self._keeper.world.transport.tell_end(execution, sent, self._keeper.world.agenda.now, until)
        return execution.known_end


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
