"""One queue with the pool that serves it, as a formula sees it: a rate, work, workers, a lease.

A formula asks for what it supposes by the ``must_`` methods; what the scenario is instead is told in words.
"""

import math
from functools import cached_property
from typing import Final

from emulator.hazards.outlook import law_of
from emulator.scenario.models import Arrival, Fault, Pool, Rates, Routine, Scenario
from emulator.scenario.models.distribution import Distribution
from emulator.timeline.ticks import HOUR

__all__ = ["NotValidError", "Station", "stations"]

_POINTS: Final = 200
_STOPS: Final = ("power_off", "freeze", "cut_link")
_RELAXATIONS: Final = 10


class NotValidError(Exception):
    """The scenario is not what a formula supposes; the message says what stands in the way."""


def stations(scenario: Scenario) -> "list[Station]":
    """List the queues to which jobs come."""
    return [Station(scenario, queue) for queue in scenario.queues if Station(scenario, queue).entries]


class Station:
    """One queue. What is asked of it raises ``NotValidError`` where the scenario is not so simple."""

    def __init__(self, scenario: Scenario, queue: str) -> None:
        self._scenario, self.queue = scenario, queue

    @cached_property
    def entries(self) -> list[Arrival]:
        """The entries whose jobs go to the queue."""
        routines = self._scenario.routines
        return [entry for entry in self._scenario.arrivals if routines[entry.routine].queue == self.queue]

    @property
    def _faults(self) -> tuple[Fault, ...]:
        """What goes wrong, in every night."""
        if any(fault.share_of_nights not in (0, 1) for fault in self._scenario.faults):
            raise NotValidError("a fault strikes in some nights alone")
        return tuple(fault for fault in self._scenario.faults if fault.share_of_nights)

    @property
    def entry(self) -> Arrival:
        """The one entry."""
        if len(self.entries) != 1:
            raise NotValidError(f"{len(self.entries)} entries bring jobs to {self.queue}")
        return self.entries[0]

    @property
    def routine(self) -> Routine:
        """What its jobs do."""
        return self._scenario.routines[self.entry.routine]

    @property
    def pool(self) -> tuple[str, Pool]:
        """The one pool that serves it, and nothing else."""
        serving = [(name, pool) for name, pool in self._scenario.pools.items() if self.queue in pool.serves]
        if len(serving) != 1:
            raise NotValidError(f"{len(serving)} pools serve {self.queue}")
        name, pool = serving[0]
        if len(pool.serves) != 1:
            raise NotValidError(f"{name} serves other queues too")
        if pool.per_worker or pool.power or pool.joins or pool.woken_on_demand or pool.retires_after:
            raise NotValidError(f"the workers of {name} differ, or are not on all night")
        return name, pool

    @property
    def workers(self) -> int:
        """How many jobs are worked on at once."""
        _, pool = self.pool
        if self.routine.takes_slots != 1:
            raise NotValidError("jobs take several slots")
        return pool.count * pool.slots

    # -- work --------------------------------------------------------------------------------------------------------

    @cached_property
    def _parts(self) -> list[tuple[Distribution, int, int]]:
        """The law of each part, how much its time grows with the work, and how often it is done."""
        if self._scenario.varies:
            raise NotValidError("nights differ by factors")
        found = []
        for part in self.routine.parts:
            law = part.law
            if part.calls is not None or law is None or law.traced:
                raise NotValidError(f"the part {part.name} takes as long as a system or a trace says")
            elements = self.entry.parameters.get(part.for_each, ()) if part.for_each else (None,)
            many = len(elements) if isinstance(elements, list | tuple) else 1
            found.append((law, self.routine.growth(part, self.entry.parameters), many))
        return found

    @property
    def work(self) -> float:
        """Mean work of a job in ticks, for these workers."""
        _, pool = self.pool
        return sum((law_of(law).expectation() + more) * many for law, more, many in self._parts) / pool.speed

    @property
    def variance(self) -> float:
        """Variance of the work of a job, in ticks squared; parts are drawn by themselves."""
        _, pool = self.pool
        found = 0.0
        for law, _, many in self._parts:
            drawn = law_of(law)
            found += drawn.cv2() * drawn.expectation() ** 2 * many
        return found / pool.speed**2

    @property
    def cv2(self) -> float:
        """Squared coefficient of variation of the work of a job."""
        return self.variance / self.work**2

    def works(self) -> list[float]:
        """List the work of a job by even shares: of one part by its law, of several as if it were normal."""
        _, pool = self.pool
        ((law, more, many), *rest) = self._parts
        places = [(place + 0.5) / _POINTS for place in range(_POINTS)]
        if rest or many != 1:
            from emulator.measure.comparison.intervals import normal_quantile

            spread = math.sqrt(self.variance)
            return [max(0.0, self.work + spread * normal_quantile(place)) for place in places]
        return [(law_of(law).quantile(place) + more) / pool.speed for place in places]

    # -- how jobs come -----------------------------------------------------------------------------------------------

    @property
    def window(self) -> int:
        """For how long jobs come, in ticks."""
        begins, ends = self.entry.window(self._scenario.lasts)
        return ends - begins

    @property
    def rate(self) -> float:
        """Jobs a tick."""
        entry = self.entry
        if isinstance(entry.per_hour, float | int):
            return entry.per_hour / HOUR * entry.batch_mean
        if entry.every is not None:
            return entry.batch_mean / entry.every
        if entry.gaps is not None:
            return entry.batch_mean / law_of(entry.gaps).expectation()
        raise NotValidError(f"{entry.label} has no rate")

    def must_have_a_rate(self) -> None:
        """Jobs come evenly, at one rate."""
        entry = self.entry
        if isinstance(entry.per_hour, Rates) or entry.days or entry.count is not None:
            raise NotValidError(f"{entry.label} does not come at one rate all the time")
        if any(fault.surge is not None for fault in self._faults):
            raise NotValidError("a surge changes the rate")
        if self.rate <= 0:
            raise NotValidError(f"{entry.label} has no rate")

    def must_be_poisson(self) -> None:
        """Jobs come singly, at random; for so long that the night forgets its empty beginning."""
        self.must_have_a_rate()
        if self.entry.per_hour is None or self.entry.batch_mean != 1:
            raise NotValidError(f"{self.entry.label} is no Poisson process of single jobs")
        load = self.rate * self.work
        if load < self.workers:  # else there is no steady state, which the formula tells
            relaxes = self.work / (math.sqrt(self.workers) - math.sqrt(load)) ** 2
            if self.window < _RELAXATIONS * relaxes:
                raise NotValidError(
                    f"jobs come for {self.window / relaxes:.2g} relaxation times alone, and {_RELAXATIONS} are wanted: "
                    "the night is not in its steady state"
                )

    def jobs(self) -> float:
        """How many jobs come, in the mean."""
        entry = self.entry
        if entry.at is not None and not entry.days:
            return float(1 if entry.count is None else entry.count)
        self.must_have_a_rate()
        return self.rate * self.window

    def must_be_plain(self) -> None:
        """Nothing is repeated, limited or held, and the broker is always there."""
        self.must_repeat_nothing()
        queue = self._scenario.queues[self.queue]
        if queue.running_at_most or queue.capacity is not None or self.routine.key or queue.start_within:
            raise NotValidError(f"the queue {self.queue} limits what waits or runs")
        if self._scenario.actions or self.entry.after is not None or self.entry.not_before:
            raise NotValidError("people or other jobs decide when jobs may run")
        _ = self.workers

    def must_repeat_nothing(self) -> None:
        """No fault strikes, and no work fails."""
        if self._faults:
            raise NotValidError("faults strike")
        if any(part.error_share or part.permanent_error_share for part in self.routine.parts):
            raise NotValidError("work fails and is repeated")
        if not self._scenario.queues[self.queue].renewed:
            raise NotValidError("leases are not renewed")
        if self.lost:
            raise NotValidError("heartbeats are lost")

    @property
    def poll(self) -> float:
        """The time between two questions of an idle worker, in ticks; 0: work is handed over at once."""
        _, pool = self.pool
        return law_of(pool.poll).expectation()

    # -- leases ------------------------------------------------------------------------------------------------------

    @property
    def lease(self) -> float:
        """The lease, or the silence after which a worker is given up if that is shorter."""
        _, pool = self.pool
        own = self.entry.lease or self.routine.lease or self._scenario.queues[self.queue].lease
        return min(own, pool.silence) if pool.silence is not None else own

    @property
    def heartbeat(self) -> float:
        """The time from one heartbeat to the next."""
        return self.pool[1].heartbeat

    @property
    def lost(self) -> float:
        """The share of heartbeats that is lost, all night."""
        name, pool = self.pool
        kept = 1 - pool.link.loss_out
        for fault in self._faults:
            if fault.lose_heartbeats is None:
                continue
            ends = fault.ends is not None or fault.lasts is not None or fault.gaps is not None
            if fault.lose_heartbeats != name or ends or (fault.at or fault.begins or 0) > 0:
                raise NotValidError("heartbeats are lost at times, or of some workers alone")
            share = 1.0 if fault.share is None else fault.share
            if not isinstance(share, int | float):
                raise NotValidError("the share of heartbeats that is lost is drawn")
            kept *= 1 - share
        return 1 - kept

    @property
    def attempts(self) -> int:
        """How often a job is handed out at most."""
        retry = self.entry.retry or self.routine.retry or self._scenario.queues[self.queue].retry
        if retry.lost_leases_at_most is not None:
            return min(retry.attempts_in_all, retry.lost_leases_at_most + 1)
        return retry.attempts_in_all

    def must_renew(self) -> None:
        """Leases are renewed by heartbeats that come in time, if they are not lost."""
        if not self._scenario.queues[self.queue].renewed:
            raise NotValidError("leases are not renewed")
        _, pool = self.pool
        if pool.heartbeat_jitter:
            raise NotValidError("heartbeats do not come evenly")
        if pool.link.loss_back or self.lost >= 0.5:
            raise NotValidError("too many messages are lost, or answers are too")
        if self.lease <= self.heartbeat:
            raise NotValidError("the lease is no longer than the time between two heartbeats")

    def _stopping(self) -> list[Fault]:
        return [one for one in self._faults if any(getattr(one, kind) is not None for kind in _STOPS)]

    def must_stop_at_any_phase(self) -> None:
        """Workers stop at random moments, for longer than their leases."""
        faults = self._stopping()
        if not faults:
            raise NotValidError("no worker stops")
        for fault in faults:
            if fault.gaps is None:
                raise NotValidError("workers stop at times that are stated, and not at any phase of their heartbeats")
            over = fault.back_after or fault.lasts
            if over is not None and law_of(over).least() < self.lease:
                raise NotValidError("some workers are back before their lease is over")

    def must_start_over(self) -> tuple[float, float]:
        """Give the mean gap of failures and how long a worker is down; nothing else interrupts; work starts over."""
        name, pool = self.pool
        faults = self._faults
        if len(faults) != 1 or faults[0].power_off != name:
            raise NotValidError("losses of power to the whole pool are not the one thing that goes wrong")
        fault = faults[0]
        if fault.gaps is None or fault.gaps.law != "exponential" or fault.gaps_from != "end":
            raise NotValidError("failures do not come at exponential gaps")
        if fault.begins or fault.ends is not None or fault.back_after is None:
            raise NotValidError("failures do not come all night, or workers do not come back")
        if self.routine.after_failure != "start_over" or self.routine.drawn != "once":
            raise NotValidError("work does not start over, or is drawn anew")
        if pool.slots != 1 or any(part.error_share or part.permanent_error_share for part in self.routine.parts):
            raise NotValidError("work fails by itself, or a worker has several jobs")
        return law_of(fault.gaps).expectation(), law_of(fault.back_after).expectation()

    def outage(self) -> float:
        """Give the length of the one outage of the broker: longer than a job, with jobs before and behind it."""
        faults = self._faults
        if len(faults) != 1 or not faults[0].broker_outage:
            raise NotValidError("an outage of the broker is not the one thing that goes wrong")
        fault = faults[0]
        if fault.gaps is not None or fault.lasts is None or law_of(fault.lasts).cv2():
            raise NotValidError("the outage is drawn, or does not end")
        lasts = law_of(fault.lasts).expectation()
        begins, ends = self.entry.window(self._scenario.lasts)
        at = fault.at if fault.at is not None else fault.begins or 0
        if lasts < self.work or at < begins or at + lasts > ends:
            raise NotValidError("the outage is shorter than a job, or jobs do not come all through it")
        if self._scenario.broker.leases_during_outage != "extend":
            raise NotValidError("the outage costs leases, so work is repeated")
        return lasts
