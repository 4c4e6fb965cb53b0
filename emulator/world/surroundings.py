"""What do the layers of the world have in common? The parts that they work with, declared once."""

from collections.abc import Callable
from typing import TYPE_CHECKING

from emulator.broker.broker import Broker
from emulator.record.events import Row
from emulator.scenario.models import Scenario
from emulator.timeline.agenda import Agenda
from emulator.world.beats import Beats
from emulator.world.draws import Draws
from emulator.world.plan import JobPlan
from emulator.world.worker import Execution, Worker, WorkerState

if TYPE_CHECKING:
    from emulator.world.access import Access
    from emulator.world.contact import Contact
    from emulator.world.heartbeats_computed import ComputedHeartbeats
    from emulator.world.heartbeats_simulated import SimulatedHeartbeats
    from emulator.world.labour import Labour
    from emulator.world.polls import Polls
    from emulator.world.power import Power
    from emulator.world.systems import Systems

__all__ = ["Surroundings"]


class Surroundings:
    """The parts of a world, for the layers that make it up (each layer fills in some of the methods)."""

    access: "Access"
    agenda: Agenda
    beats: Beats
    broker: Broker
    contact: "Contact"
    draws: Draws
    emit: Callable[[Row], int]
    notice: Callable[[], None] | None = None  # told when a worker is rid of an attempt, which need not leave an event
    heartbeats: "ComputedHeartbeats | SimulatedHeartbeats"
    labour: "Labour"
    polls: "Polls"
    power: "Power"
    scenario: Scenario
    sleepers: dict[str, list[Worker]]
    systems: "Systems"
    shutdowns: dict[int, list[int]]
    workers: dict[str, Worker]

    def ask(self, worker: Worker) -> None:
        """Let a worker ask for work."""
        raise NotImplementedError

    def ask_soon(self, worker: Worker) -> None:
        """Let a worker ask for work among the messages of this instant."""
        raise NotImplementedError

    def match(self) -> None:
        """Let idle workers have what became eligible, at the end of this instant."""
        self.polls.match()

    def say_worker(self, cause: int, worker: Worker, state: str, why: str) -> int:
        """Record the state that a worker is in."""
        return self.emit((self.agenda.now, "worker_changed", cause, 0, worker.name, state, why, worker.incarnation))

    def state_word(self, worker: Worker) -> WorkerState:
        """Name the state of a worker whose program runs."""
        if worker.cut_out or worker.cut_back:
            return "cut_off"
        return "draining" if worker.finishing else "busy" if worker.executions else "idle"

    def executions_of(self, job: int) -> list[Execution]:
        """Give the executions that workers have of an unfinished job."""
        plan = self.broker.payload(job)
        return [] if plan is None else list(plan.running)

    def queue_of(self, execution: Execution) -> str:
        """Name the queue of what is worked on."""
        return execution.plan.routine.queue

    def is_renewed(self, execution: Execution) -> bool:
        """Say whether heartbeats renew the lease of what is worked on."""
        return execution.plan.renewal > 0

    def lease_length(self, job: int) -> int:
        """Give what a renewal adds to the lease of an unfinished job; 0 on a queue without renewal."""
        plan: JobPlan | None = self.broker.payload(job)
        return 0 if plan is None else plan.renewal
