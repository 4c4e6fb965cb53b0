"""What surrounds the broker, all of it together: who asks, who works, what goes wrong, what people do.

Data flows one way: a scenario is made into a world, the world runs on an agenda around the broker, and both write
events to one sink. Nothing here reads a clock or draws from a shared generator.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from emulator.broker.broker import Broker
from emulator.broker.jobs import Job
from emulator.broker.rules import RetryPolicy
from emulator.record.events import Sink
from emulator.record.reasons import Reason
from emulator.scenario.load import Loaded
from emulator.timeline.agenda import Agenda
from emulator.world.access import Access, Effects
from emulator.world.actions import Actions
from emulator.world.arrival_processes import Ways
from emulator.world.arrivals import Arrivals
from emulator.world.control import Control, LeaseNotices
from emulator.world.dispatcher import Dispatcher
from emulator.world.draws import Draws, Purpose
from emulator.world.execution import Execution
from emulator.world.fault_effects import Targets
from emulator.world.faults import Faults
from emulator.world.heartbeat_schedule import HeartbeatSchedule
from emulator.world.heartbeats_computed import ComputedHeartbeats
from emulator.world.heartbeats_simulated import SimulatedHeartbeats
from emulator.world.nights import CompletionListener, Nights, entries_waited_for, wants_endings
from emulator.world.plan import ReadyRoutine, Sources
from emulator.world.stuck import StuckJobs
from emulator.world.systems import Systems
from emulator.world.tonight import OwnTerms, named_jobs, rules_of, tonight
from emulator.world.transport import Transport
from emulator.world.worker import RunContext
from emulator.world.worker_lifecycle import Power, WorkerLifecycle

__all__ = ["World"]

_RETRY: Final = int(Purpose.RETRY_JITTER)


class World:
    """One night: everything that a scenario describes, ready to run on an agenda.

    Args:
        loaded: the scenario, with its clock and the folder that its traces lie in.
        seed: what every draw is keyed by.
        agenda: what is due when; whoever made it runs it, up to the end of the scenario.
        sink: takes the events.
        heartbeats: the mode, if it is not to be the scenario's.
        policies: the user's own retry policies, by queue.
        named: entries whose jobs somebody will name later on, besides those that the scenario names.
    """

    def __init__(
        self,
        loaded: Loaded,
        seed: int,
        agenda: Agenda,
        sink: Sink,
        *,
        heartbeats: str | None = None,
        named: Iterable[str] = (),
        policies: Mapping[str, RetryPolicy] | None = None,
    ) -> None:
        self.draws = Draws(seed)
        loaded, self.factors = tonight(loaded, self.draws)
        self.scenario = scenario = loaded.scenario
        self.clock = loaded.clock
        self.seed = seed
        self.agenda = agenda
        watch = CompletionListener(sink, agenda) if wants_endings(scenario) else None
        self.sink = sink = sink if watch is None else watch
        self.emit = sink.emit
        context = RunContext(agenda, sink.emit, self.draws)
        self.routines = {name: ReadyRoutine(name, model) for name, model in scenario.routines.items()}
        self.workers, self.pools = context.workers, context.pools
        for pool, model in scenario.pools.items():
            context.add_pool(pool, model)
        self.heartbeat_schedule = schedule = HeartbeatSchedule(self.draws)
        is_simulated = (heartbeats or scenario.heartbeats) == "simulated"
        self.heartbeats = (SimulatedHeartbeats if is_simulated else ComputedHeartbeats)(context, schedule)
        by_slots = any(routine.takes_slots > 1 for routine in scenario.routines.values())
        self.dispatcher = Dispatcher(context, self.heartbeats, by_slots)
        waited_for = dict.fromkeys(named, False) | entries_waited_for(scenario)
        nights = Nights(scenario, loaded.clock, agenda, self._entry_complete)
        recurring = {entry.label for entry in scenario.arrivals if entry.recurs is not None}
        remembered = named_jobs(scenario).union(waited_for)
        self.sources = Sources(self.routines, OwnTerms(scenario, policies).of, recurring, nights, remembered)
        self.broker = Broker(
            [rules_of(name, queue, (policies or {}).get(name)) for name, queue in scenario.queues.items()],
            sink,
            self.dispatcher,
            self._jitter,
            leases_during_outage=scenario.broker.leases_during_outage,
            remembered=waited_for,
        )
        self.systems = Systems(dict(scenario.systems), agenda, sink, self.draws)
        pool_of = {worker.name: worker.pool for worker in self.workers.values()}
        self.access = Access(scenario.access, scenario.credentials, pool_of, agenda, sink, self.draws)
        fenced = {name: model.fenced for name, model in scenario.systems.items()}
        self.effects = Effects(context, self.broker, fenced)
        sent_as = {name: model.expiry_sent_as for name, model in scenario.queues.items()}
        self.transport = Transport(context, self.broker, schedule, sent_as, self.heartbeats.are_recorded)
        self.execution = Execution(
            context, self.broker, self.heartbeats, self.transport, self.effects, self.systems, self.access
        )
        self.notices = LeaseNotices(context, self.broker, self.heartbeats, self.execution)
        self.lifecycle = WorkerLifecycle(
            context, self.broker, schedule, self.heartbeats, self.transport, self.execution, self.dispatcher
        )
        self.power = Power(context, self.broker, self.dispatcher, self.lifecycle, loaded.clock, scenario.lasts)
        ways = Ways(loaded.clock, scenario.lasts, agenda, self.draws)
        self.arrivals = Arrivals(scenario, loaded.folder, ways.of, agenda, sink, self.dispatcher.submit, self.sources)
        if watch is not None:
            watch.tell(self.arrivals.wants_endings, self.arrivals.job_finished)
        self.control = Control(context, self.broker, self.heartbeats, self.dispatcher, self.arrivals, self.sources)
        targets = Targets(self.lifecycle, self.control, self.systems, self.access, self.arrivals)
        self.faults = Faults(context, targets, scenario)
        self.actions = Actions(context, self.control, self.lifecycle, scenario)
        self._stuck = StuckJobs(context, self.broker, self.arrivals, self.faults, self.actions)
        self._connect()

    def _connect(self) -> None:
        """Hand each part what it needs of those that were made after it."""
        dispatcher, lifecycle, notices = self.dispatcher, self.lifecycle, self.notices
        heartbeats, transport, execution, power = self.heartbeats, self.transport, self.execution, self.power
        heartbeats.broker, heartbeats.transport = self.broker, transport
        heartbeats.wake_broker, heartbeats.silence_due = dispatcher.wake_broker, dispatcher.silence_due
        heartbeats.stop_itself = notices.stop_itself
        transport.answered, transport.asked = dispatcher.answered, dispatcher.asked
        transport.broker_acted = dispatcher.broker_acted
        transport.learn, transport.needs_contact = notices.learn, notices.needs_contact
        execution.ask_soon, execution.hand_in, execution.end_well = (
            dispatcher.ask_soon,
            dispatcher.hand_in,
            dispatcher.end_well,
        )
        execution.program_dies = lifecycle.program_dies
        notices.ask_soon, notices.leave_now = dispatcher.ask_soon, lifecycle.leave_now
        dispatcher.broker, dispatcher.transport, dispatcher.execution = self.broker, transport, execution
        dispatcher.begin_to_finish, dispatcher.leave_now = lifecycle.begin_to_finish, lifecycle.leave_now
        dispatcher.idle, dispatcher.wake_for, dispatcher.switches = power.idle, power.wake_for, power.switches
        lifecycle.is_meant_to_be_on = power.is_meant_to_be_on

    # -- the run ------------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Lay everything out on the agenda."""
        began = self.emit((self.agenda.now, "run_began", 0, 0, "", self.seed))
        for name, times in self.factors.items():
            self.emit((self.agenda.now, "factor_drawn", began, 0, "", name, round(times, 6)))
        self.systems.start()
        self.access.start()
        self.lifecycle.start()
        self.faults.start()
        self.actions.start()
        self.power.start()
        self.arrivals.start()

    def run(self) -> None:
        """Run to the end of the scenario at once; [0, lasts) is what a run covers."""
        self.agenda.run(before=(self.scenario.lasts, 0, 0, 0, 0))

    def close(self, at: int | None = None) -> None:
        """End the run, at the end of the scenario or before it; then nobody can say what would have come of a fault."""
        if at is None:
            self.faults.finish()
        self.emit((self.scenario.lasts if at is None else at, "run_ended", 0, 0, ""))

    def _entry_complete(self, cause: int, entry: str, night: int) -> bool:
        """No more jobs of an entry come in a night; False if the broker cannot be told now."""
        if not self.broker.is_up:
            return False
        self.broker.complete(self.agenda.now, cause, entry, night)
        if self.broker.fresh:
            self.dispatcher.match()
        return True

    def _jitter(self, job: Job, attempt: int) -> float:
        return self.draws.uniform(_RETRY, job.entity, job.draw_number, attempt)

    # -- for measures and summaries -----------------------------------------------------------------------------------

    def pools_of_workers(self) -> dict[str, str]:
        """Name the pool of each worker."""
        return {worker.name: worker.pool for worker in self.workers.values()}

    def takes_slots(self) -> dict[str, int]:
        """Give the slots that a job of each routine takes."""
        return {name: routine.slots for name, routine in self.routines.items()}

    def slots(self) -> dict[str, int]:
        """Give the slots of each worker."""
        return {worker.name: worker.slots for worker in self.workers.values()}

    @property
    def occurrences(self) -> Mapping[str, Sequence[int]]:
        """Give the ticks at which the jobs of each entry were due."""
        return self.arrivals.occurrences

    @property
    def missed_faults(self) -> list[str]:
        """Name the faults that hit nothing."""
        return [f"{one.fault} of {one.target} ({one.place}): {one.why}" for one in self.faults.missed]

    def explanations(self) -> dict[int, tuple[Reason, ...]]:
        """Give of each unfinished job why it is unfinished."""
        return {job: self.explain(job) for job in self.broker.jobs_unfinished()}

    def explain(self, number: int) -> tuple[Reason, ...]:
        """Give every reason why a job is not running, or what became of it."""
        job = self.broker.job(number)
        serving = (worker for worker in self.workers.values() if job is None or job.routine.queue in worker.queues)
        return self.broker.explain(self.agenda.now, number, [(worker.equipment, worker.slots) for worker in serving])

    def stuck(self) -> list[int]:
        """Name the unfinished jobs that nothing pending could ever move."""
        return self._stuck.find()
