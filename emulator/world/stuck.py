"""Finds the unfinished jobs that nothing still pending can ever move.

Nothing moves a job that a person holds, or whose queue a person holds, but a person; a job that no worker to come can
take; a job that waits for one of these, or for one that never comes. A person moves it if the scenario says that one
will: an action that is still to come is pending.
"""

from collections.abc import Sequence
from typing import Final

from emulator.broker.broker import Broker
from emulator.broker.states import State
from emulator.record.reasons import Why
from emulator.scenario.schedules import on_from_the_start
from emulator.world.actions import Actions
from emulator.world.arrivals import Arrivals
from emulator.world.faults import Faults
from emulator.world.worker import OFF, RunContext, Worker

__all__ = ["StuckJobs"]

_HELD: Final = (State.QUEUED_HELD, State.REQUEUED_HELD)


class StuckJobs:
    """Finds the unfinished jobs that nothing pending could ever move."""

    __slots__ = ("_actions", "_agenda", "_arrivals", "_broker", "_faults", "_workers")

    def __init__(
        self, context: RunContext, broker: Broker, arrivals: Arrivals, faults: Faults, actions: Actions
    ) -> None:
        self._agenda, self._workers = context.agenda, context.workers
        self._broker, self._arrivals, self._faults, self._actions = broker, arrivals, faults, actions

    def find(self) -> list[int]:
        """Give the numbers of these jobs, in the order of submission."""
        jobs = list(self._broker.jobs_unfinished())
        coming = [worker for worker in self._workers.values() if not worker.gone and self._may_come(worker)]
        stuck = {job for job in jobs if self._is_stuck(job, coming)}
        waiting: dict[int, list[int]] = {}  # by the job that is waited for
        for job in jobs:
            if job not in stuck and self._waits(job):
                for unmet in self._broker.waits_for(job)[1]:
                    for before in unmet.jobs:
                        waiting.setdefault(before, []).append(job)
        spreads = [0, *stuck] if not self._arrivals.has_more() else list(stuck)
        never = set(spreads)
        while spreads:  # there are no circles
            for job in waiting.get(spreads.pop(), ()):
                any_of, unmet_things = self._broker.waits_for(job)
                lost = [not never.isdisjoint(unmet.jobs) for unmet in unmet_things]
                if job not in never and (all(lost) if any_of else any(lost)):
                    never.add(job)
                    spreads.append(job)
        return [job for job in jobs if job in never]

    def _waits(self, number: int) -> bool:
        """Say whether a job stands still for others alone: no person holds it, and none will do anything to it."""
        job = self._broker.job(number)
        return job is not None and job.state in _HELD and not self._actions.will_do_to(job.name)

    def _is_stuck(self, number: int, coming: Sequence[Worker]) -> bool:
        """Say whether a job is stuck, whatever becomes of those that it waits for."""
        broker, actions = self._broker, self._actions
        job = broker.job(number)
        if job is None or job.state in (State.RUNNING, State.SUSPENDED):
            return False
        if actions.will_do_to(job.name):
            return False
        queue = job.queue.name
        offers = [(one.equipment, one.slots) for one in coming if queue in one.queues]
        reasons = {reason.why for reason in broker.explain(self._agenda.now, number, offers)}
        if job.state in _HELD:
            return Why.BY_PERSON in reasons
        if Why.QUEUE_HELD in reasons and not actions.will_do_to(queue):
            return True
        return not offers or Why.NOT_EQUIPPED in reasons or Why.TOO_FEW_SLOTS in reasons

    def _may_come(self, worker: Worker) -> bool:
        if worker.state is not OFF or worker.is_kept_off or self._faults.will_bring_back(worker):
            return True
        return worker.model.woken_on_demand or not on_from_the_start(worker.model.windows)
