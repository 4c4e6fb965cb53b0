"""Runs the user's own code on emulated workers: handlers, their attempts, and what faults do to them.

Each attempt is a task on a bearer of its own (``emulator.timeline.bearers``), so that everything which the handler
starts belongs to it. The law:

- power off: nothing of it runs again, not even ``finally``; what it had opened is given back as a machine would, and
  then ``work.at_power_off`` is served;
- freeze, and suspension: it stands still with everything it started, and goes on later, its timers late;
- slow down: its sleeps and what it spends stretch, its deadlines do not;
- told to stop (its lease is lost, its time limit is reached): cancelled, with a grace; then abandoned like the dead;
- what a handler leaves running when it returns stays on its worker, and shares the worker's fate.

All that the keeper itself makes carries the emulation's own context, or it would go with the handler that happened to
cause it.
"""

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextvars import Context
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final, Protocol

from emulator.broker.jobs import Attempt
from emulator.broker.rules import Outcome
from emulator.errors import CallError, InputError, PermanentError, TransientError, WorkError
from emulator.measure.words import refusal_in_words
from emulator.record.event_view import KIND, view
from emulator.record.events import Row
from emulator.record.reasons import GOES_ON, NONE, Because, said
from emulator.scenario.spelling import advise
from emulator.testing.settings import ticks_of
from emulator.testing.work import Order, Work, afresh
from emulator.timeline.bearers import BEARER, NOBODY, Bearer, stretched
from emulator.timeline.loop import VirtualLoop
from emulator.timeline.ticks import SECOND, say
from emulator.world.draws import entity_key, numbers_key
from emulator.world.systems import Call
from emulator.world.worker import OFF, Worker
from emulator.world.world import World

if TYPE_CHECKING:
    from emulator.testing.crashing import Probe

__all__ = [
    "POWER_OFF",
    "Handler",
    "Handlers",
    "RunningAttempt",
]


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
        key = numbers_key(job.entity, job.draw_number, execution.number, part_number, self._called[system])
        call = Call((job.number, execution.number, execution.token, worker.name), key, name, done)
        call.target, call.effect, call.scope, call.cause = target, effect, job.scope, execution.event
        call.patience, call.if_already_in_progress = options["patience"], options["if_already_in_progress"]
        if effect:
            call.lands = options["lands"]
            call.land = lambda: self.leave(effect, target, name, options["repeatable"])
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


Handler = Callable[[Work], Awaitable[object]]
"""What does the work of a routine's jobs: ``async def copy(work): ...``."""

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
POWER_OFF: Final = "its power is off"
_WHY_STOPPED: Final = "told to stop"
_TURNS_TO_CLEAN_UP: Final = 100
_OF_WORKERS: Final = frozenset({"fault_began", "worker_changed", "worker_speed_changed"})


class Handlers:
    """Keeps the handlers of an emulation and what they have under way; the world's ``HandlerProtocol``.

    Args:
        loop: the running loop.
        context: what everything that the keeper makes carries.
        handlers: by routine.
        grace: ticks that a handler that was told to stop has for its cleanup.

    Attributes:
        world: set once it is made.
        finished: the parts that attempts have finished, by job.
        failures: what handlers raised that is neither transient nor permanent by its type, by attempt.
        raised: what calls at a power off raised.
        over: why the emulation is over; "" while it goes on.
        probe: what counts the points of a job, if a fault is to come at one.
    """

    world: "World"

    def __init__(self, loop: VirtualLoop, context: Context, handlers: Mapping[str, Handler], grace: int) -> None:
        self.loop = loop
        self.context = context
        self.handlers = dict(handlers)
        self.finished: dict[int, dict[tuple[str, str], None]] = {}
        self.failures: list[tuple[Order, BaseException]] = []
        self.raised: list[BaseException] = []
        self.over = ""
        self.probe: Probe | None = None
        self._grace = grace
        self._attempts: list[RunningAttempt] = []
        self._idle_faults: dict[str, str] = {}
        self._blocking: dict[str, list[str]] = {}

    # -- what the world tells -----------------------------------------------------------------------------------------

    def begin(self, execution: Attempt) -> None:
        """Begin to work on an attempt."""
        worker, job = execution.worker, execution.job
        bearer = Bearer(f"{worker.name}, attempt {execution.number} of {job.name}")
        bearer.speed, bearer.clock = worker.real_speed, self.clock_of(worker)
        attempt = RunningAttempt(self, execution, bearer)
        self._attempts = [each for each in self._attempts if not each.is_over or each.has_anything_left()]
        self._attempts.append(attempt)
        if self.probe is not None:
            bearer.watch = self.probe.watcher(job.number, worker.name)
        context = self.context.copy()
        context.run(BEARER.set, bearer)
        name = f"{job.name}, attempt {execution.number} on {worker.name}"
        attempt.task = self.loop.create_task(self._work(attempt), name=name, context=context)

    def moment_of(self, tick: int) -> int:
        """Give the microseconds from 1970 to a tick of the emulation."""
        return (self.world.clock.local(tick) - _EPOCH) // timedelta(microseconds=1)

    def clock_of(self, worker: Worker) -> Callable[[int], int]:
        """Give what tells a worker's clock at a tick of the loop, in microseconds since 1970."""
        world = self.world
        start, zero = self.loop.agenda.now - world.agenda.now, self.moment_of(0)
        return lambda tick: zero + worker.clock.local(tick - start)

    def stand_still(self, execution: Attempt) -> None:
        """Let the work of an attempt stand still."""
        if (attempt := self._of(execution)) is not None:
            attempt.stand_still("its worker is frozen" if execution.worker.frozen_at >= 0 else "the job is suspended")

    def go_on(self, execution: Attempt) -> None:
        """Let the work of an attempt go on."""
        if (attempt := self._of(execution)) is not None:
            attempt.go_on()

    def rescale(self, execution: Attempt) -> None:
        """Let the work of an attempt go at its worker's present speed."""
        if (attempt := self._of(execution)) is not None:
            attempt.set_speed(execution.worker.real_speed)

    def leave(self, execution: Attempt) -> None:
        """The worker has nothing more to do with an attempt: end what is unfinished of it."""
        attempt = self._of(execution)
        if attempt is None or attempt.is_left:
            return
        attempt.is_left = True
        if execution.worker.state is OFF:
            self._cut_power(attempt)
        elif not attempt.is_over and attempt.task is not None:
            now = self.world.agenda.now
            self.world.agenda.at(
                now, self._tell_to_stop, attempt
            )  # after what is ready, such as a thawed zombie's step
            self.world.agenda.at(now + self._grace, self._grace_is_over, attempt)

    def see(self, row: Row) -> None:
        """Let what earlier attempts left running on a worker share the worker's fate; told of every event.

        A fault of a worker that runs no handler is noted, in case one had run there that no fault can hit.
        """
        if row[KIND] not in _OF_WORKERS:
            return
        event = view(0, row)
        concerned = [attempt for attempt in self._attempts if attempt.execution.worker.name == event.worker]
        if event.kind == "fault_began":
            if event.worker and not any(each.execution.worker.name == event.worker for each in self.working()):
                fault = f"{event.fault} of {event.worker} at {say(event.at)}"
                self._idle_faults.setdefault(event.worker, fault)
        elif event.kind == "worker_speed_changed":
            for attempt in concerned:
                attempt.set_speed(event.speed)
        elif event.state == OFF:
            for attempt in concerned:
                self._cut_power(attempt)
        elif event.state == "frozen":
            for attempt in concerned:
                attempt.stand_still("its worker is frozen")
        elif event.why == GOES_ON:
            for attempt in concerned:
                if not attempt.execution.suspended:
                    attempt.go_on()

    def _cut_power(self, attempt: RunningAttempt) -> None:
        attempt.abandon(POWER_OFF)
        self.call_at_power_off(attempt.bearer)

    def call_at_power_off(self, bearer: Bearer) -> None:
        """Do what the code of a bearer that has lost its power asked for; keep what goes wrong."""
        calls, bearer.at_power_off = bearer.at_power_off, []
        for call in calls:
            try:
                self.context.copy().run(call)
            except (KeyboardInterrupt, SystemExit):
                raise
            except BaseException as error:  # a test framework's own way to fail is no Exception
                self.raised.append(error)

    def _tell_to_stop(self, attempt: RunningAttempt) -> None:
        if not attempt.is_over and attempt.task is not None:
            attempt.task.cancel(_WHY_STOPPED)

    def _grace_is_over(self, attempt: RunningAttempt) -> None:
        if not attempt.is_over and attempt.bearer.state == "runs":
            attempt.abandon("it did not stop when it was told to")

    def _of(self, execution: Attempt) -> RunningAttempt | None:
        return next((attempt for attempt in self._attempts if attempt.execution is execution), None)

    # -- the work -----------------------------------------------------------------------------------------------------

    async def _work(self, attempt: RunningAttempt) -> None:
        handler = self.handlers[attempt.order.routine]
        outcome: tuple[Outcome, Because, int | None] = ("ok", NONE, None)
        try:
            await handler(Work(attempt))
        except asyncio.CancelledError:
            if attempt.is_left:
                attempt.is_over = True
                raise
            outcome = ("error", Because("cancelled"), None)
        except (KeyboardInterrupt, SystemExit, GeneratorExit):
            raise
        except BaseException as error:  # a test framework's own way to fail is no Exception
            outcome = self._outcome_of(attempt, error)
        attempt.is_over = True
        attempt.bearer.at_power_off.clear()
        if attempt.bearer.held is not None:
            self._blocking.setdefault(attempt.order.worker, []).extend(attempt.bearer.held.blocking)
        if not attempt.is_left:
            self.world.execution.over(attempt.execution, *outcome)

    def _outcome_of(self, attempt: RunningAttempt, error: BaseException) -> tuple[Outcome, Because, int | None]:
        """Say what an attempt ends with whose handler raised this; never fails, or the attempt would have no end."""
        causes = list(_leaves(error))
        told = [_in_words(cause) for cause in causes]
        if any(isinstance(cause, PermanentError) for cause in causes):
            return "permanent_error", said("; ".join(told)), None
        hints: list[int] = []
        mistakes: list[BaseException] = []
        for cause in causes:
            if not isinstance(cause, TransientError):
                mistakes.append(error)
            elif cause.retry_after is not None:
                try:
                    hints.append(ticks_of(cause.retry_after))
                except InputError as wrong:
                    told.append(f"its retry_after: {wrong}")
                    mistakes.append(wrong)
        self.failures += [(attempt.order, mistake) for mistake in mistakes[:1]]
        return "error", said("; ".join(told)), max(hints, default=None)

    def faults_in_vain(self) -> Iterator[str]:
        """Tell of faults that came to a worker whose handlers took no virtual time, because they blocked."""
        for worker, fault in self._idle_faults.items():
            if places := self._blocking.get(worker):
                yield (
                    f"{fault} hit no handler: the one there had waited for a child process without giving way, "
                    f"{places[0]}, so that no virtual time passed: let it run in a thread, by "
                    "`await work.outside(subprocess.run, ..., takes=...)`, or by asyncio inside a clock stop"
                )

    # -- all of it ----------------------------------------------------------------------------------------------------

    def working(self) -> list[RunningAttempt]:
        """Give the attempts whose handlers have not ended, those that can never end left out."""
        return [each for each in self._attempts if not each.is_over and each.bearer.state != "gone"]

    async def close(self, why: str) -> None:
        """End all that is under way: what can run is cancelled and has its grace, the rest is abandoned."""
        self.over = why
        tasks: list[asyncio.Task[Any]] = []
        for attempt in self._attempts:
            attempt.is_left = True
            if attempt.bearer.state == "runs":
                tasks += [task for task in attempt.bearer.tasks if not task.done()]
        for task in tasks:
            task.cancel(why)
        for _ in range(_TURNS_TO_CLEAN_UP):
            if all(task.done() for task in tasks):
                break
            await asyncio.sleep(0)
        else:
            await self.loop.advance(self._grace)
        for attempt in self._attempts:
            attempt.abandon(why)
        self._attempts.clear()
        await self.loop.all_given_back()


def _leaves(error: BaseException) -> Iterator[BaseException]:
    """Give the errors that a group of errors is made of; of any other error itself."""
    if isinstance(error, BaseExceptionGroup):
        for inner in error.exceptions:
            yield from _leaves(inner)
    else:
        yield error


def _in_words(error: BaseException) -> str:
    try:
        said = " ".join(str(error).split())
    except Exception as wrong:
        said = f"its text cannot be had: {type(wrong).__name__}"
    if isinstance(error, WorkError):
        return said or type(error).__name__
    return f"{type(error).__name__}: {said}" if said else type(error).__name__
