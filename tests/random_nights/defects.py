"""Defects that the emulator has had, each put back by a patch: what the random nights have to find.

Every function takes the place of today's for as long as a test runs, and does what was once done.
"""

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

import pytest

from emulator.broker.jobs import Attempt, Job
from emulator.broker.workers import Workers
from emulator.record.events import Row
from emulator.scenario.clock import Clock
from emulator.scenario.models import PowerSchedule
from emulator.scenario.schedules import Switch, power_switches
from emulator.timeline.agenda import ENDS, Agenda
from emulator.world import worker_lifecycle
from emulator.world.dispatcher import Dispatcher
from emulator.world.execution import Execution
from emulator.world.heartbeats_computed import ComputedHeartbeats
from emulator.world.systems import Systems
from emulator.world.transport import Transport
from emulator.world.worker import Worker
from emulator.world.worker_lifecycle import WorkerLifecycle

__all__ = ["DEFECTS"]


def a_lease_that_is_never_lost(patch: pytest.MonkeyPatch) -> None:
    """The alarm of a lease was held back for a worker that had stopped by itself and renewed it no more."""

    def lease(self: Any, attempt: Attempt) -> None:
        known = self._workers[attempt.holder.name]
        if not (known.is_steady and known.heartbeat < attempt.job.terms.renewal and self._reaches(known)):
            job, token = attempt.job.number, attempt.token
            self._agenda.at(attempt.until, self._lease_due, (job, token), ENDS, job, token)

    patch.setattr(ComputedHeartbeats, "lease", lease)


def a_worker_is_not_looked_at_when_its_answer_comes(patch: pytest.MonkeyPatch) -> None:
    """A job that had become free while an answer was on its way was not seen by the worker that it reached."""
    wait = Dispatcher.wait

    def without_a_look(self: Any, worker: Worker, anchor: int, *more: Any) -> None:
        if worker.is_plain:
            wait(self, worker, anchor, *more)
            return
        due_at, self._due_at = self._due_at, max(self._due_at, 0)
        wait(self, worker, anchor, *more)
        self._due_at = due_at

    patch.setattr(Dispatcher, "wait", without_a_look)


def what_is_taken_is_offered(patch: pytest.MonkeyPatch) -> None:
    """A job that takes several slots was handed to a worker that has as many, however few of them were free."""
    patch.setattr(Dispatcher, "offer", lambda self, worker, free: (worker.equipment, worker.slots))


def one_free_slot_is_seen(patch: pytest.MonkeyPatch) -> None:
    """A job that takes several slots was not seen by a worker with as many free."""
    patch.setattr(Dispatcher, "offer", lambda self, worker, free: worker.equipment)


def the_first_by_place_goes_first(patch: pytest.MonkeyPatch) -> None:
    """Of idle workers the first in the file got a job, however short it had been idle."""
    patch.setattr(Worker, "idle_since", property(lambda self: 0, lambda self, value: None))


def work_is_handed_over_amid_an_instant(patch: pytest.MonkeyPatch) -> None:
    """Work was handed over before everything else of its instant had happened."""
    patch.setattr(Agenda, "end_instant", lambda self, call: self.at(self.now, call))


def an_overtaken_heartbeat_is_not_old_where_they_are_computed(patch: pytest.MonkeyPatch) -> None:
    """In the mode that computes heartbeats, silence ran from one that a newer message had overtaken."""
    beat = Transport.beat

    def without_order(self: Any, worker: Worker, k: int) -> None:
        steady = worker.is_steady
        worker.is_steady = steady or not self._are_recorded
        beat(self, worker, k)
        worker.is_steady = steady

    patch.setattr(Transport, "beat", without_order)


def what_was_overtaken_counts(patch: pytest.MonkeyPatch) -> None:
    """Silence ran from a message that a newer one had overtaken, in both modes."""
    heard = Workers.heard

    def in_any_order(self: Any, now: int, holder: Any, order: int = 0) -> None:
        heard(self, now, holder)

    patch.setattr(Workers, "heard", in_any_order)


def silence_is_not_foreseen_anew(patch: pytest.MonkeyPatch) -> None:
    """The mode that computes heartbeats did not look at silence again when a clock, a link or a worker changed."""
    patch.setattr(Workers, "silence_end", lambda self, worker, incarnation: None)


def a_hand_out_that_is_over_is_begun(patch: pytest.MonkeyPatch) -> None:
    """A worker began with a job whose lease had ended by its own clock while it stood still."""
    begin = Execution.begin

    def all_the_same(self: Any, worker: Worker, *more: Any) -> None:
        looks, worker.looks_at_end = worker.looks_at_end, worker.model.stops_at_lease_end
        begin(self, worker, *more)
        worker.looks_at_end = looks

    patch.setattr(Execution, "begin", all_the_same)


def what_lands_at_the_request_lands_when_it_is_served(patch: pytest.MonkeyPatch) -> None:
    """An effect at the request landed as the system began to serve the call, not as the part began."""
    serve = Systems._serve

    def land_and_serve(self: Any, system: Any, call: Any) -> None:
        if call.lands == "at_request" and call.land is not None:
            land, call.land = call.land, None
            land()
        serve(self, system, call)

    patch.setattr(Systems, "_lands_now", lambda self, call: True)
    patch.setattr(Systems, "_serve", land_and_serve)


def work_is_told_to_pause_twice(patch: pytest.MonkeyPatch) -> None:
    """Work that stood still on request was told to stand still once more when its worker froze."""
    freeze = WorkerLifecycle.freeze

    def and_the_suspended(self: Any, cause: int, worker: Worker) -> bool:
        hit = freeze(self, cause, worker)
        for attempt in worker.attempts if hit else ():
            if attempt.suspended:
                row: Row = (self._agenda.now, "work_paused", cause, attempt.job.number, worker.name)
                self._emit((*row, attempt.token))
        return hit

    patch.setattr(WorkerLifecycle, "freeze", and_the_suspended)


def a_fence_takes_all_jobs_for_one(patch: pytest.MonkeyPatch) -> None:
    """A fence refused the token of one job because another that has nothing to do with it had a higher one."""
    patch.setattr(Job, "scope", property(lambda self: ""))


def a_window_that_ends_inside_another_switches_off(patch: pytest.MonkeyPatch) -> None:
    """Each window of a pool was a schedule of its own, and its end was everybody's."""

    def one_by_one(clock: Clock, windows: Sequence[PowerSchedule], lasts: int) -> list[Switch]:
        return sorted(
            (switch for window in windows for switch in power_switches(clock, [window], lasts)),
            key=lambda switch: switch[:2],
        )

    patch.setattr(worker_lifecycle, "power_switches", one_by_one)


DEFECTS: Final[Mapping[Callable[[pytest.MonkeyPatch], None], str]] = MappingProxyType(
    {
        a_lease_that_is_never_lost: "modes",
        a_worker_is_not_looked_at_when_its_answer_comes: "wake-up",
        what_is_taken_is_offered: "slots",
        one_free_slot_is_seen: "wake-up",
        the_first_by_place_goes_first: "longest idle",
        work_is_handed_over_amid_an_instant: "arrivals",
        an_overtaken_heartbeat_is_not_old_where_they_are_computed: "modes",
        what_was_overtaken_counts: "overtaken",
        silence_is_not_foreseen_anew: "modes",
        a_hand_out_that_is_over_is_begun: "late hand-out",
        what_lands_at_the_request_lands_when_it_is_served: "at request",
        work_is_told_to_pause_twice: "stands still",
        a_fence_takes_all_jobs_for_one: "fences",
        a_window_that_ends_inside_another_switches_off: "hours",
    }
)
"""Each defect, and the promise that it breaks in some night."""
