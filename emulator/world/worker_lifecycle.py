"""Changes workers: switches them on and off by schedule or on demand, freezes, cuts off, slows down, drains.

Each method takes the number of the event that led to it first, and says whether it hit anything.
"""

from collections.abc import Callable

from emulator.broker.broker import Broker
from emulator.record.reasons import FINISHED, GOES_ON, LINK_RESTORED, POWER_LOST, PROGRAM_DIED
from emulator.scenario.clock import Clock
from emulator.scenario.models.pools import EquipmentChange
from emulator.scenario.schedules import Switch, on_from_the_start, power_switches
from emulator.timeline.agenda import FAULTS, MESSAGES
from emulator.world.dispatcher import Dispatcher
from emulator.world.draws import Purpose
from emulator.world.execution import Execution
from emulator.world.heartbeat_schedule import Heartbeats, HeartbeatSchedule
from emulator.world.transport import Transport
from emulator.world.worker import BOOTING, OFF, ON, RunContext, Worker, WorkerClock, WorkerState

__all__ = [
    "Power",
    "WorkerLifecycle",
]


class WorkerLifecycle:
    """Changes workers.

    Attributes:
        is_meant_to_be_on: says whether the last switch of a worker's schedule was on.
    """

    __slots__ = (
        "_agenda",
        "_broker",
        "_dispatcher",
        "_draws",
        "_emit",
        "_execution",
        "_heartbeats",
        "_schedule",
        "_transport",
        "_workers",
        "is_meant_to_be_on",
    )

    is_meant_to_be_on: Callable[[Worker], bool]

    def __init__(
        self,
        context: RunContext,
        broker: Broker,
        schedule: HeartbeatSchedule,
        heartbeats: Heartbeats,
        transport: Transport,
        execution: Execution,
        dispatcher: Dispatcher,
    ) -> None:
        self._agenda, self._emit, self._draws = context.agenda, context.emit, context.draws
        self._workers = context.workers
        self._broker, self._dispatcher = broker, dispatcher
        self._schedule, self._heartbeats, self._transport = schedule, heartbeats, transport
        self._execution = execution

    def start(self) -> None:
        """Lay out the changes of equipment that the scenario states."""
        for worker in self._workers.values():
            for change in worker.model.equipment_changes:
                if change.workers is None or worker.name in change.workers:
                    self._agenda.at(change.at, self._change_equipment, (worker, change), FAULTS, 0, worker.index)

    def _change_equipment(self, what: tuple[Worker, EquipmentChange]) -> None:
        worker, change = what
        self.set_equipment(0, worker, worker.equipment.difference(change.removes).union(change.installs))

    def say_worker(self, cause: int, worker: Worker, state: str, why: str) -> int:
        """Record the state that a worker is in."""
        return self._emit((self._agenda.now, "worker_changed", cause, 0, worker.name, state, why, worker.incarnation))

    def state_word(self, worker: Worker) -> WorkerState:
        """Name the state of a worker whose program runs."""
        if worker.cut_out or worker.cut_back:
            return "cut_off"
        return "draining" if worker.finishing else "busy" if worker.attempts else "idle"

    # -- power --------------------------------------------------------------------------------------------------------

    def power_on(self, cause: int, worker: Worker, program: bool = True) -> bool:
        """Switch a machine on; its program starts after the boot, as a new incarnation, if it is there."""
        if worker.state is not OFF or worker.gone or worker.is_kept_off:
            return False
        worker.incarnation += 1
        worker.number = 0
        worker.frozen_at = -1
        worker.finishing = False
        worker.requests = []
        worker.asking = None
        worker.answered_beat = 0
        if not program:
            worker.power_state = "program_absent"
            self.say_worker(cause, worker, "off", "program_absent")
            return True
        worker.state = BOOTING
        u = self._draws.row(int(Purpose.BOOT_TIME), worker.key, 0, worker.incarnation)
        boot = worker.boots.sample(u) if worker.boots is not None else 0
        event = self.say_worker(cause, worker, BOOTING, "")
        self._agenda.at(
            self._agenda.now + boot, self._booted, (worker, worker.incarnation, event), MESSAGES, worker.index
        )
        return True

    def _booted(self, what: tuple[Worker, int, int]) -> None:
        worker, incarnation, cause = what
        if worker.incarnation != incarnation or worker.state is not BOOTING:
            return
        worker.state = ON
        now = self._agenda.now
        worker.booted_at = worker.beat_origin = now
        worker.first_beat = 1
        event = self.say_worker(cause, worker, "idle", "")
        self._heartbeats.started(worker)
        self.register_when_reached((worker, incarnation, event))

    def register_when_reached(self, what: tuple[Worker, int, int]) -> None:
        """Register a program that has started, as soon as its link and the broker let it."""
        worker, incarnation, event = what
        if worker.incarnation != incarnation or worker.state is not ON:
            return
        now = self._agenda.now
        if worker.cut_out or worker.cut_back or worker.frozen_at >= 0 or not self._broker.is_up:
            self._agenda.at(now + worker.link.answer_within, self.register_when_reached, what, MESSAGES, worker.index)
            return
        self._heartbeats.settle(worker)
        worker.registered = incarnation
        worker.idle_since = now
        worker.holder = self._broker.register(now, event, worker.name, incarnation, worker.model.silence)
        self._heartbeats.changed(worker)
        if worker.poll:
            offset = int(self._draws.uniform(int(Purpose.POLL_OFFSET), worker.key) * worker.poll)
            self._agenda.at(now + offset, self._ask_first, (worker, incarnation), MESSAGES, worker.index)
        else:
            self._dispatcher.ask(worker)

    def _ask_first(self, what: tuple[Worker, int]) -> None:
        worker, incarnation = what
        if worker.incarnation == incarnation and worker.state is ON and not worker.waiting:
            self._dispatcher.ask(worker)

    def power_off(self, cause: int, worker: Worker) -> bool:
        """Cut a machine's power: what it had in memory is gone, and nobody is told."""
        if worker.state is OFF:
            return False
        self.switch_off(worker, POWER_LOST, cause)
        return True

    def switch_off(self, worker: Worker, why: str, cause: int) -> None:
        """Take a worker off, for whatever reason."""
        self._heartbeats.settle(worker)
        event = self.say_worker(cause, worker, OFF, why)
        worker.state = OFF
        worker.finishing = False
        worker.contact_wanted = False
        self._dispatcher.leave(worker)
        running = list(worker.attempts)
        for attempt in running:
            self._execution.drop(attempt, why, event)
        worker.frozen_at = -1
        self._heartbeats.changed(worker)
        for attempt in running:
            self._heartbeats.dropped(worker, attempt)
        if worker.back_after >= 0:
            self._come_back_later(worker, event)

    def program_dies(self, worker: Worker, cause: int) -> None:
        """A job takes its worker's program down; whatever watches over it starts it again."""
        self.switch_off(worker, PROGRAM_DIED, cause)
        self.power_on(cause, worker)

    # -- freeze -------------------------------------------------------------------------------------------------------

    def freeze(self, cause: int, worker: Worker) -> bool:
        """Let a worker stand still, as a stopped process does."""
        if worker.state is not ON or worker.frozen_at >= 0:
            return False
        self._heartbeats.settle(worker)
        event = self.say_worker(cause, worker, "frozen", "")
        worker.frozen_at = self._agenda.now
        worker.missed_beat = False
        self._dispatcher.leave(worker)
        for attempt in worker.attempts:
            self._execution.pause(attempt)
            if not attempt.handing_in and not attempt.suspended:
                row = (self._agenda.now, "work_paused", event, attempt.job.number, worker.name)
                self._emit((*row, attempt.token))
        self._heartbeats.changed(worker)
        return True

    def thaw(self, cause: int, worker: Worker) -> bool:
        """Let a frozen worker go on as if no time had passed."""
        if worker.frozen_at < 0:
            return False
        self._heartbeats.settle(worker)  # while it still stands: what fell due meanwhile was not sent
        frozen_at, worker.frozen_at = worker.frozen_at, -1
        event = self.say_worker(cause, worker, self.state_word(worker), GOES_ON)
        running = list(worker.attempts)
        for attempt in running:
            if not attempt.handing_in and not attempt.suspended:
                row = (self._agenda.now, "work_continued", event, attempt.job.number, worker.name)
                self._emit((*row, attempt.token))
        self._transport.thaw(worker)
        self._heartbeats.thawed(worker, frozen_at)
        for attempt in running:
            if attempt in worker.attempts and not attempt.suspended:
                self._execution.thaw(attempt)
        self._heartbeats.changed(worker)
        self._dispatcher.ask_soon(worker)
        return True

    # -- link ---------------------------------------------------------------------------------------------------------

    def cut_link(self, cause: int, worker: Worker, direction: str) -> bool:
        """Let no message through, in one direction or both; the worker works on."""
        if worker.state is OFF:
            return False
        self._heartbeats.settle(worker)
        worker.cut_out = worker.cut_out or direction in ("out", "both")
        worker.cut_back = worker.cut_back or direction in ("back", "both")
        worker.look_at_link()
        self._dispatcher.leave(worker)
        if worker.state is ON:
            self.say_worker(cause, worker, "cut_off", direction)
        self._heartbeats.changed(worker)
        return True

    def restore_link(self, cause: int, worker: Worker, direction: str) -> bool:
        """Let messages through again."""
        if not worker.cut_out and not worker.cut_back:
            return False
        self._heartbeats.settle(worker)
        if direction in ("out", "both"):
            worker.cut_out = False
        if direction in ("back", "both"):
            worker.cut_back = False
        worker.look_at_link()
        if worker.state is ON and not worker.cut_out and not worker.cut_back:
            self.say_worker(cause, worker, self.state_word(worker), LINK_RESTORED)
        self._heartbeats.changed(worker)
        self._dispatcher.ask_soon(worker)
        return True

    # -- speed, clock, losses, tools ----------------------------------------------------------------------------------

    def set_speed_factor(self, cause: int, worker: Worker, factor: float) -> bool:
        """Change how fast a worker works; of what is under way only the rest is rescaled."""
        moving = [attempt for attempt in worker.attempts if attempt.ends_at >= 0]
        for attempt in moving:
            self._execution.pause(attempt)
        speed = worker.speed * factor
        self._dispatcher.changed(worker, lambda: setattr(worker, "real_speed", speed))
        self._emit((self._agenda.now, "worker_speed_changed", cause, 0, worker.name, worker.real_speed))
        for attempt in moving:
            self._execution.go_on(attempt, attempt.left)
        self._execution.rescale(worker)
        return worker.state is not OFF

    def set_clock(self, cause: int, worker: Worker, offset_ticks: int, drift_ppm: float) -> bool:
        """Let a worker's own clock go wrong from now on."""
        self._heartbeats.settle(worker)
        now = self._agenda.now
        k = self._schedule.first_from(worker, now)
        if worker.frozen_at >= 0 and self._schedule.overdue(worker, now, worker.frozen_at):
            worker.missed_beat = True
        due = worker.beat_origin + k * worker.heartbeat
        before, worker.clock = worker.clock, WorkerClock(offset_ticks, drift_ppm, now)
        worker.look_at_link()
        worker.heartbeat = beat = worker.clock.true_length(worker.model.heartbeat)
        worker.jitter = worker.clock.true_length(worker.model.heartbeat_jitter)
        # the next heartbeat keeps its time; if it is more than a period away, others come before it
        worker.first_beat = k
        worker.beat_origin = due - max(0, due - now) // beat * beat - k * beat
        for attempt in worker.attempts:
            self._transport.tell_end_anew(attempt, before)
        self._heartbeats.changed(worker)
        return worker.state is not OFF

    def set_heartbeat_loss(self, cause: int, worker: Worker, share: float) -> bool:
        """Lose a share of a worker's heartbeats from now on."""
        self._heartbeats.settle(worker)
        worker.heartbeat_loss = share
        worker.look_at_link()
        worker.loss_from = self._schedule.first_from(worker, self._agenda.now) - 1 if worker.incarnation else 0
        self._heartbeats.changed(worker)
        return worker.state is not OFF

    def set_result_loss(self, cause: int, worker: Worker, share: float) -> bool:
        """Lose a share of the outcomes that a worker hands in."""
        worker.result_loss = share
        return worker.state is not OFF

    def remove_tool(self, cause: int, worker: Worker, tool: str) -> bool:
        """Take a tool off a worker, whatever its version."""
        gone = tuple(sorted(item for item in worker.equipment if item.split(" ")[0] == tool or item == tool))
        if not gone:
            return False
        worker.removed[tool] = (*worker.removed.get(tool, ()), *gone)
        self.set_equipment(cause, worker, worker.equipment.difference(gone))
        return True

    def return_tool(self, cause: int, worker: Worker, tool: str) -> bool:
        """Give a worker back what was taken off it."""
        back = worker.removed.pop(tool, ())
        if back:
            self.set_equipment(cause, worker, worker.equipment.union(back))
        return bool(back)

    def set_equipment(self, cause: int, worker: Worker, equipment: frozenset[str]) -> None:
        """Change what a worker has."""
        self._dispatcher.changed(worker, lambda: setattr(worker, "equipment", equipment))
        self._emit((self._agenda.now, "equipment_changed", cause, 0, worker.name, ", ".join(sorted(equipment))))

    def drain(self, cause: int, worker: Worker, back_after: int | None = None, until: int | None = None) -> bool:
        """Let a worker finish what it has, take nothing more, and leave: for good, or until it is back in service.

        Args:
            cause: the number of the event that led to it.
            worker: who leaves.
            back_after: so many ticks after it is off it is switched on again.
            until: at this tick it is back in service, even if it still works.
        """
        if worker.gone or worker.is_kept_off:
            return False
        worker.gone = back_after is None and until is None
        worker.is_kept_off = not worker.gone
        if until is not None:
            self._agenda.at(until, self._back_in_service, (worker, cause), FAULTS, 0, worker.index)
        if back_after is not None:
            worker.back_after = back_after
        if worker.state is not OFF:
            self.begin_to_finish(worker, "told_to_drain", cause)
        elif back_after is not None:
            self._come_back_later(worker, cause)
        return True

    def _come_back_later(self, worker: Worker, cause: int) -> None:
        at, worker.back_after = self._agenda.now + worker.back_after, -1
        self._agenda.at(at, self._back_in_service, (worker, cause), FAULTS, 0, worker.index)

    def _back_in_service(self, what: tuple[Worker, int]) -> None:
        """A worker may take jobs again: it is switched on if it is off, or goes on with what it has."""
        worker, cause = what
        if not worker.is_kept_off:
            return
        worker.is_kept_off = False
        if worker.state is OFF:
            if self.is_meant_to_be_on(worker):
                self.power_on(cause, worker)
        elif worker.finishing and self.is_meant_to_be_on(worker):
            self.go_on_serving(worker, cause)

    def go_on_serving(self, worker: Worker, cause: int) -> None:
        """A worker that only finished what it had takes jobs again."""
        worker.finishing = False
        if worker.frozen_at < 0:  # else its state is told at the thaw
            self.say_worker(cause, worker, self.state_word(worker), "")
            self._dispatcher.ask_soon(worker)

    def begin_to_finish(self, worker: Worker, why: str, cause: int) -> None:
        """Let a worker take nothing more; it is switched off when it has finished what it has."""
        worker.finishing = True
        self._dispatcher.leave(worker)
        event = self.say_worker(cause, worker, "draining", why)
        if not worker.attempts:
            self.leave_now(worker, event)

    def leave_now(self, worker: Worker, cause: int) -> None:
        """A worker has finished: it says goodbye, if the broker has come to know it, and is off."""
        is_known = worker.registered == worker.incarnation
        if is_known and self._broker.is_up and worker.is_plain and worker.is_active:
            self._broker.sign_off(self._agenda.now, cause, worker.name, worker.incarnation)
        self.switch_off(worker, "finished_and_left" if worker.gone else FINISHED, cause)


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
