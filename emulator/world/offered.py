"""How much work does the scenario state will come, in workers' worth of work?"""

from emulator.scenario.clock import Clock
from emulator.scenario.models import Arrival, Rates, Routine, Scenario
from emulator.scenario.schedules import rate_spans
from emulator.timeline.ticks import HOUR
from emulator.world.sampling_of import sampling_of

__all__ = ["offered_load"]


def offered_load(scenario: Scenario, clock: Clock) -> dict[str, float]:
    """Give, for each pool, the rate at which work is stated to come times its mean length (Erlang's offered load).

    Only ``per_hour``, ``every`` and ``gaps`` have a rate, and only parts that take a time of their own a stated length;
    work that several pools may do is shared by their workers. Work that takes several slots counts as many times. Rates
    by the day and the hour count by their mean from the entry's `from` to its `until`, within the run.
    """
    loads = dict.fromkeys(scenario.pools, 0.0)
    for arrival in scenario.arrivals:
        routine = scenario.routines[arrival.routine]
        serving = [name for name, pool in scenario.pools.items() if routine.queue in pool.serves and pool.count]
        workers = sum(scenario.pools[name].count for name in serving)
        for name in serving:
            share = scenario.pools[name].count / workers
            work = _work(routine, arrival) * routine.takes_slots
            loads[name] += _rate(arrival, scenario.lasts, clock) * work * share / scenario.pools[name].speed
    return loads


def _rate(arrival: Arrival, lasts: int, clock: Clock) -> float:
    """Give jobs a tick; 0 where no rate is stated."""
    if isinstance(arrival.per_hour, Rates):
        begins, ends = arrival.window(lasts)
        spans = rate_spans(arrival.per_hour, arrival.days, clock, begins, ends)
        jobs = sum(rate / HOUR * (end - begin) for begin, end, rate in spans)
        return jobs / (ends - begins) * arrival.batch_mean if jobs else 0.0
    if arrival.per_hour is not None:
        return arrival.per_hour / HOUR * arrival.batch_mean
    law = sampling_of(arrival.gaps) if arrival.gaps is not None else None
    gap = arrival.every or (law.expectation() if law is not None else 0)
    return arrival.batch_mean / gap if gap else 0.0


def _work(routine: Routine, arrival: Arrival) -> float:
    total = 0.0
    for part in routine.parts:
        law = sampling_of(part.law) if part.law is not None else None
        elements = arrival.parameters.get(part.for_each, ()) if part.for_each else (None,)
        total += (law.expectation() + routine.growth(part, arrival.parameters) if law is not None else 0.0) * (
            elements if isinstance(elements, int) else len(elements)
        )
    return total
