"""Which unfinished jobs can nothing that is still pending ever move?

Nothing moves a job that a person holds, or whose queue a person holds, but a person; a job that no worker to come can
take; a job that waits for one of these, or for one that never comes. A person moves it if the scenario says that one
will: an action that is still to come is pending.
"""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

from emulator.broker.states import State
from emulator.record.reasons import Why
from emulator.world.plan import JobPlan
from emulator.world.worker import OFF, Worker

if TYPE_CHECKING:
    from emulator.world.world import World

__all__ = ["stuck_jobs"]

_HELD: Final = (State.QUEUED_HELD, State.REQUEUED_HELD)


def stuck_jobs(world: "World") -> list[int]:
    """Give the numbers of these jobs, in the order of submission."""
    jobs = list(world.broker.jobs_unfinished())
    coming = [worker for worker in world.workers.values() if not worker.gone and _may_come(world, worker)]
    known: dict[int, bool] = {}
    for job in jobs:
        row, at = [], job  # jobs of which each waits for the next; there are no circles
        while at not in known:
            told = _look(world, at, coming)
            if isinstance(told, bool):
                known[at] = told
            else:
                row.append(at)
                at = told
        known.update(dict.fromkeys(row, known[at]))
    return [job for job in jobs if known[job]]


def _look(world: "World", job: int, coming: Sequence[Worker]) -> bool | int:
    """Say whether a job is stuck, or give the number of the job before it, on which that depends."""
    broker, actions = world.broker, world.actions
    state = broker.state_of(job)
    plan: JobPlan | None = broker.payload(job)
    if plan is None or state in (State.RUNNING, State.SUSPENDED):
        return False
    if actions.will_do_to(f"{plan.entry}#{plan.ordinal}"):
        return False
    reasons = dict(broker.explain(world.agenda.now, job, [worker.equipment for worker in coming]))
    if state in _HELD:
        if Why.BY_PERSON in reasons or Why.PREREQUISITE not in reasons:
            return Why.BY_PERSON in reasons
        (before,) = reasons[Why.PREREQUISITE]
        return int(before) if before else not world.arrivals.has_more()
    queue = plan.routine.queue
    if Why.QUEUE_HELD in reasons and not actions.will_do_to(queue):
        return True
    return Why.NOT_EQUIPPED in reasons or not _any_serves(queue, coming)


def _any_serves(queue: str, workers: Iterable[Worker]) -> bool:
    return any(queue in worker.queues for worker in workers)


def _may_come(world: "World", worker: Worker) -> bool:
    if worker.state is not OFF or world.faults.will_bring_back(worker):
        return True
    schedule = worker.model.power
    return worker.model.woken_on_demand or (schedule is not None and schedule.on is not None)
