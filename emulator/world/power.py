"""When is a machine on: its schedule, switching it on when there is work, leaving for good?"""

from emulator.broker.broker import Broker
from emulator.scenario.clock import Clock
from emulator.scenario.schedules import Switch, on_from_the_start, power_switches
from emulator.timeline.agenda import FAULTS
from emulator.world.dispatcher import Dispatcher
from emulator.world.worker import BOOTING, OFF, ON, RunContext, Worker
from emulator.world.worker_lifecycle import WorkerLifecycle

__all__ = ["Power"]


class Power:
    """Switches machines on and off by their schedules and on demand."""

    __slots__ = (
        "_agenda",
        "_broker",
        "_clock",
        "_cut_off_at",
        "_dispatcher",
        "_lasts",
        "_lifecycle",
        "_sleepers",
        "_switches",
        "_workers",
    )

    def __init__(
        self,
        context: RunContext,
        broker: Broker,
        dispatcher: Dispatcher,
        lifecycle: WorkerLifecycle,
        clock: Clock,
        lasts: int,
    ) -> None:
        self._agenda, self._workers = context.agenda, context.workers
        self._broker, self._dispatcher, self._lifecycle = broker, dispatcher, lifecycle
        self._clock, self._lasts = clock, lasts
        self._sleepers: dict[str, list[Worker]] = {}
        for worker in self._workers.values():
            for queue in worker.queues if worker.model.woken_on_demand else ():
                self._sleepers.setdefault(queue, []).append(worker)
        self._switches: dict[str, list[Switch]] = {}
        self._cut_off_at: dict[int, int] = {}  # worker -> when its schedule kills what it has not finished by then

    def start(self) -> None:
        """Switch on who is on from the start, and lay out the schedules."""
        for worker in self._workers.values():
            differs = worker.model.per_worker.get(worker.name)
            joins = differs.joins if differs is not None and differs.joins is not None else worker.model.joins
            if self._is_on(worker, joins) and not worker.model.woken_on_demand:
                self._at(joins, self._switch_on, worker)
            for switch in self.switches(worker):
                if joins < switch.at < self._lasts:
                    if switch.on:
                        self._at(switch.at, self._switch_on, worker)
                    else:
                        self._agenda.at(switch.at, self._shut_down, (worker, switch), FAULTS, 0, worker.index)

    def switches(self, worker: Worker) -> list[Switch]:
        """List when the schedules of a worker switch it on and off, in order."""
        found = self._switches.get(worker.pool)
        if found is None:
            found = power_switches(self._clock, worker.model.windows, self._lasts)
            self._switches[worker.pool] = found
        return found

    def _is_on(self, worker: Worker, at: int) -> bool:
        """Say whether a worker that is switched on first at a tick is on then."""
        if on_from_the_start(worker.model.windows):
            return True
        before = [switch.on for switch in self.switches(worker) if switch.at <= at]
        return bool(before) and before[-1]

    def _at(self, at: int, call: "object", worker: Worker) -> None:
        self._agenda.at(at, call, worker, FAULTS, 0, worker.index)  # type: ignore[arg-type]  # methods of one worker

    def _switch_on(self, worker: Worker) -> None:
        self._cut_off_at.pop(worker.index, None)
        if worker.gone or worker.is_kept_off:
            return
        if worker.finishing:
            self._lifecycle.go_on_serving(worker, 0)
        elif worker.model.woken_on_demand:
            for queue in worker.queues:
                self.wake_for(queue)
        else:
            self._lifecycle.power_on(0, worker)

    def _shut_down(self, what: tuple[Worker, Switch]) -> None:
        worker, (_, _, window) = what
        if worker.state is OFF:
            return
        if window.at_shutdown == "kill" or not worker.attempts:
            self._lifecycle.switch_off(worker, "shut_down", 0)
            return
        self._lifecycle.begin_to_finish(worker, "schedule_ends", 0)
        incarnation = worker.incarnation
        self._cut_off_at[worker.index] = at = self._agenda.now + window.finish_within
        self._agenda.at(at, self._waited_enough, (worker, incarnation), FAULTS, 0, worker.index)

    def _waited_enough(self, what: tuple[Worker, int]) -> None:
        worker, incarnation = what
        is_due = self._cut_off_at.get(worker.index) == self._agenda.now
        if is_due and worker.incarnation == incarnation and worker.finishing:
            self._lifecycle.switch_off(worker, "too_long_to_finish", 0)

    # -- on demand ----------------------------------------------------------------------------------------------------

    def wake_for(self, queue: str) -> None:
        """There is work in a queue: switch on as many machines as it needs, of those that sleep until there is."""
        if not self._sleepers.get(queue):
            return
        wanted = self._broker.queued(queue)
        coming = sum(1 for worker in self._sleepers[queue] if worker.state is BOOTING)
        awake = (worker for worker in self._sleepers[queue] if worker.state is ON)
        free = (worker for worker in awake if worker.waiting or worker.asking is not None)
        coming += sum(1 for worker in free if self._dispatcher.has_room_for(queue, worker))
        for worker in self._sleepers[queue]:
            if coming >= wanted:
                return
            if worker.state is OFF and not worker.gone and self.may_be_on(worker):
                self._lifecycle.power_on(0, worker)
                coming += 1

    def may_be_on(self, worker: Worker) -> bool:
        """Say whether its schedule lets a worker be on now."""
        return self._is_on(worker, self._agenda.now)

    def is_meant_to_be_on(self, worker: Worker) -> bool:
        """Say whether the last switch of a worker's schedule, if it has one, was on."""
        before = [switch.on for switch in self.switches(worker) if switch.at <= self._agenda.now]
        return before[-1] if before else on_from_the_start(worker.model.windows)

    def idle(self, worker: Worker) -> None:
        """A worker that sleeps on demand has nothing to do: switch it off when that has lasted long enough."""
        after = worker.model.idle_off_after
        if after is not None and worker.model.woken_on_demand:
            what = (worker, worker.incarnation, worker.attempts_begun)
            self._agenda.at(self._agenda.now + after, self._idle_long_enough, what)

    def _idle_long_enough(self, what: tuple[Worker, int, int]) -> None:
        worker, incarnation, begun = what
        if worker.incarnation == incarnation and worker.attempts_begun == begun and not worker.attempts:
            self._lifecycle.switch_off(worker, "idle", 0)
