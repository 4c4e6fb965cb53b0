"""When is a machine on: its schedule, switching it on when there is work, leaving for good?"""

from typing import TYPE_CHECKING

from emulator.scenario.schedules import Switch, on_from_the_start, power_switches
from emulator.timeline.agenda import FAULTS
from emulator.world.worker import BOOTING, OFF, ON, Worker

if TYPE_CHECKING:
    from emulator.world.world import World

__all__ = ["Power"]


class Power:
    """Switches machines on and off by their schedules and on demand."""

    __slots__ = ("_cut_off_at", "_switches", "_world")

    def __init__(self, world: "World") -> None:
        self._world = world
        self._switches: dict[str, list[Switch]] = {}
        self._cut_off_at: dict[int, int] = {}  # worker -> when its schedule kills what it has not finished by then

    def start(self) -> None:
        """Switch on who is on from the start, and lay out the schedules."""
        for worker in self._world.workers.values():
            differs = worker.model.per_worker.get(worker.name)
            joins = differs.joins if differs is not None and differs.joins is not None else worker.model.joins
            if self._is_on(worker, joins) and not worker.model.woken_on_demand:
                self._at(joins, self._switch_on, worker)
            for switch in self.switches(worker):
                if joins < switch.at < self._world.scenario.lasts:
                    if switch.on:
                        self._at(switch.at, self._switch_on, worker)
                    else:
                        self._world.agenda.at(switch.at, self._shut_down, (worker, switch), FAULTS, 0, worker.index)

    def switches(self, worker: Worker) -> list[Switch]:
        """List when the schedules of a worker switch it on and off, in order."""
        found = self._switches.get(worker.pool)
        if found is None:
            world = self._world
            found = power_switches(world.clock, worker.model.windows, world.scenario.lasts)
            self._switches[worker.pool] = found
        return found

    def _is_on(self, worker: Worker, at: int) -> bool:
        """Say whether a worker that is switched on first at a tick is on then."""
        if on_from_the_start(worker.model.windows):
            return True
        before = [switch.on for switch in self.switches(worker) if switch.at <= at]
        return bool(before) and before[-1]

    def _at(self, at: int, call: "object", worker: Worker) -> None:
        self._world.agenda.at(at, call, worker, FAULTS, 0, worker.index)  # type: ignore[arg-type]  # methods of one worker

    def _switch_on(self, worker: Worker) -> None:
        world = self._world
        self._cut_off_at.pop(worker.index, None)
        if worker.gone or worker.is_kept_off:
            return
        if worker.finishing:
            world.go_on_serving(worker, 0)
        elif worker.model.woken_on_demand:
            for queue in worker.queues:
                self.wake_for(queue)
        else:
            world.power_on(0, worker)

    def _shut_down(self, what: tuple[Worker, Switch]) -> None:
        worker, (_, _, window) = what
        world = self._world
        if worker.state is OFF:
            return
        if window.at_shutdown == "kill" or not worker.attempts:
            world.switch_off(worker, "shut_down", 0)
            return
        world.begin_to_finish(worker, "schedule_ends", 0)
        incarnation = worker.incarnation
        self._cut_off_at[worker.index] = at = world.agenda.now + window.finish_within
        world.agenda.at(at, self._waited_enough, (worker, incarnation), FAULTS, 0, worker.index)

    def _waited_enough(self, what: tuple[Worker, int]) -> None:
        worker, incarnation = what
        is_due = self._cut_off_at.get(worker.index) == self._world.agenda.now
        if is_due and worker.incarnation == incarnation and worker.finishing:
            self._world.switch_off(worker, "too_long_to_finish", 0)

    # -- on demand ----------------------------------------------------------------------------------------------------

    def wake_for(self, queue: str) -> None:
        """There is work in a queue: switch on as many machines as it needs, of those that sleep until there is."""
        world = self._world
        if not world.sleepers.get(queue):
            return
        wanted = world.broker.queued(queue)
        coming = sum(1 for worker in world.sleepers[queue] if worker.state is BOOTING)
        awake = (worker for worker in world.sleepers[queue] if worker.state is ON)
        free = (worker for worker in awake if worker.waiting or worker.asking is not None)
        coming += sum(1 for worker in free if world.dispatcher.has_room_for(queue, worker))
        for worker in world.sleepers[queue]:
            if coming >= wanted:
                return
            if worker.state is OFF and not worker.gone and self.may_be_on(worker):
                world.power_on(0, worker)
                coming += 1

    def may_be_on(self, worker: Worker) -> bool:
        """Say whether its schedule lets a worker be on now."""
        return self._is_on(worker, self._world.agenda.now)

    def is_meant_to_be_on(self, worker: Worker) -> bool:
        """Say whether the last switch of a worker's schedule, if it has one, was on."""
        before = [switch.on for switch in self.switches(worker) if switch.at <= self._world.agenda.now]
        return before[-1] if before else on_from_the_start(worker.model.windows)

    def idle(self, worker: Worker) -> None:
        """A worker that sleeps on demand has nothing to do: switch it off when that has lasted long enough."""
        after = worker.model.idle_off_after
        if after is not None and worker.model.woken_on_demand:
            world = self._world
            what = (worker, worker.incarnation, worker.attempts_begun)
            world.agenda.at(world.agenda.now + after, self._idle_long_enough, what)

    def _idle_long_enough(self, what: tuple[Worker, int, int]) -> None:
        worker, incarnation, begun = what
        if worker.incarnation == incarnation and worker.attempts_begun == begun and not worker.attempts:
            self._world.switch_off(worker, "idle", 0)
