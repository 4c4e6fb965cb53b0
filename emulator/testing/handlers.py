"""How does the user's own code run on emulated workers, and what do faults do to it?

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
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextvars import Context
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from emulator.broker.jobs import Attempt
from emulator.broker.rules import Outcome
from emulator.errors import InputError, PermanentError, TransientError, WorkError
from emulator.record.event_view import KIND, view
from emulator.record.events import Row
from emulator.record.reasons import GOES_ON, NONE, Because, said
from emulator.testing.attempts import RunningAttempt
from emulator.testing.settings import ticks_of
from emulator.testing.work import Order, Work
from emulator.timeline.bearers import BEARER, Bearer
from emulator.timeline.loop import VirtualLoop
from emulator.timeline.ticks import say
from emulator.world.worker import OFF, Worker

if TYPE_CHECKING:
    from emulator.testing.crashing import Probe
    from emulator.world.world import World

__all__ = ["POWER_OFF", "Handler", "Handlers"]

Handler = Callable[[Work], Awaitable[object]]
"""What does the work of a routine's jobs: ``async def copy(work): ...``."""

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
POWER_OFF: Final = "its power is off"
_WHY_STOPPED: Final = "told to stop"
_TURNS_TO_CLEAN_UP: Final = 100
_OF_WORKERS: Final = frozenset({"fault_began", "worker_changed", "worker_speed_changed"})


class Handlers:
    """Keeps the handlers of an emulation and what they have under way; the world's ``Hands``.

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
            self.world.labour.over(attempt.execution, *outcome)

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
