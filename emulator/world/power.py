"""When is a machine on: its schedule, switching it on when there is work, leaving for good?"""

from typing import TYPE_CHECKING

from emulator.scenario.models import PowerSchedule
from emulator.scenario.schedules import switches
from emulator.timeline.agenda import FAULTS
from emulator.world.worker import BOOTING, OFF, ON, Worker

if TYPE_CHECKING:
    from emulator.world.world import World

__all__ = ["Power"]


class Power:
    """Switches machines on and off by their schedules and on demand."""

    __slots__ = ("_world",)

    def __init__(self, world: "World") -> None:
        self._world = world

    def start(self) -> None:
        """Switch on who is on from the start, and lay out the schedules."""
        for worker in self._world.workers.values():
            differs = worker.model.per_worker.get(worker.name)
            joins = differs.joins if differs is not None and differs.joins is not None else worker.model.joins
            if worker.model.power is not None:
                self._lay_out(worker, worker.model.power, joins)
            elif not worker.model.woken_on_demand:
                self._at(joins, self._switch_on, worker)

    def _at(self, at: int, call: "object", worker: Worker) -> None:
        self._world.agenda.at(at, call, worker, FAULTS, 0, worker.index)  # type: ignore[arg-type]  # methods of one worker

    def _lay_out(self, worker: Worker, schedule: PowerSchedule, joins: int) -> None:
        """Schedule every switch of the run; on at the start if the last switch before it was on."""
        changes = self._changes(schedule)
        before = [is_on for at, is_on in changes if at <= joins]
        is_on = schedule.on is None or (bool(before) and before[-1])
        if is_on and not worker.model.woken_on_demand:
            self._at(joins, self._switch_on, worker)
        for at, on in changes:
            if joins < at < self._world.scenario.lasts:
                if not on:
                    self._at(at, self._shut_down, worker)
                elif not worker.model.woken_on_demand:
                    self._at(at, self._switch_on, worker)
        self._world.shutdowns[worker.index] = [at for at, on in changes if not on]

    def _changes(self, schedule: PowerSchedule) -> list[tuple[int, bool]]:
        """Give the ticks at which a schedule switches off (False) and on (True), in their order."""
        clock, lasts = self._world.clock, self._world.scenario.lasts
        changes = [(at, True) for _, at in switches(clock, schedule, schedule.on, lasts)]
        changes += [(at, False) for _, at in switches(clock, schedule, schedule.off, lasts)]
        return sorted(changes)

    def _switch_on(self, worker: Worker) -> None:
        if not worker.gone:
            self._world.power_on(0, worker)

    def _shut_down(self, worker: Worker) -> None:
        schedule = worker.model.power
        world = self._world
        if worker.state is OFF or schedule is None:
            return
        if schedule.at_shutdown == "kill" or not worker.executions:
            world.switch_off(worker, "shut_down", 0)
            return
        world.begin_to_finish(worker, "schedule_ends", 0)
        incarnation = worker.incarnation
        world.agenda.at(
            world.agenda.now + schedule.finish_within,
            self._waited_enough,
            (worker, incarnation),
            FAULTS,
            0,
            worker.index,
        )

    def _waited_enough(self, what: tuple[Worker, int]) -> None:
        worker, incarnation = what
        if worker.incarnation == incarnation and worker.finishing:
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
        coming += sum(1 for worker in awake if worker.waiting or worker.asking is not None)
        for worker in world.sleepers[queue]:
            if coming >= wanted:
                return
            if worker.state is OFF and not worker.gone and self.may_be_on(worker):
                world.power_on(0, worker)
                coming += 1

    def may_be_on(self, worker: Worker) -> bool:
        """Say whether its schedule lets a worker be on now."""
        schedule = worker.model.power
        if schedule is None:
            return True
        now = self._world.agenda.now
        before = [is_on for at, is_on in self._changes(schedule) if at <= now]
        return before[-1] if before and schedule.on is not None else schedule.on is None

    def is_meant_to_be_on(self, worker: Worker) -> bool:
        """Say whether the last switch of a worker's schedule, if it has one, was on."""
        schedule = worker.model.power
        if schedule is None:
            return True
        before = [is_on for at, is_on in self._changes(schedule) if at <= self._world.agenda.now]
        return before[-1] if before else schedule.on is None

    def idle(self, worker: Worker) -> None:
        """A worker that sleeps on demand has nothing to do: switch it off when that has lasted long enough."""
        after = worker.model.idle_off_after
        if after is not None and worker.model.woken_on_demand:
            world = self._world
            what = (worker, worker.incarnation, worker.attempts_begun)
            world.agenda.at(world.agenda.now + after, self._idle_long_enough, what)

    def _idle_long_enough(self, what: tuple[Worker, int, int]) -> None:
        worker, incarnation, attempts = what
        if worker.incarnation == incarnation and worker.attempts_begun == attempts and not worker.executions:
            self._world.switch_off(worker, "idle", 0)
