"""For how long is each pool meant to be on? Its workers by their time, as planned, whatever faults and people do.

The law: only `count`, `joins` and `power` are read. A worker that is woken on demand may be on from the start, and
counts so; one whose running work is finished first counts up to its shutdown. So a fault makes no variant cheap.
"""

from emulator.scenario.clock import Clock
from emulator.scenario.models.pools import Pool
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.schedules import on_from_the_start, power_switches

__all__ = ["planned_on"]


def planned_on(scenario: Scenario, clock: Clock) -> dict[str, int]:
    """Give, for each pool, the ticks for which its workers are meant to be on, added up over its workers."""
    found = {}
    for name, pool in scenario.pools.items():
        joins = [pool.joins if one.joins is None else one.joins for one in pool.per_worker.values()]
        joins += [pool.joins] * (pool.count - len(joins))
        times = {at: _on(pool, at, scenario.lasts, clock) for at in set(joins)}
        found[name] = sum(times[at] for at in joins)
    return found


def _on(pool: Pool, joins: int, lasts: int, clock: Clock) -> int:
    """Give the ticks for which one worker that joins at a tick is meant to be on."""
    begins = 0 if pool.woken_on_demand else min(joins, lasts)
    changes = [(at, on) for at, on, _ in power_switches(clock, pool.windows, lasts)]
    before = [on for at, on in changes if at <= begins]
    is_on = on_from_the_start(pool.windows) or (bool(before) and before[-1])
    whole, since = 0, begins
    for at, on in [*((at, on) for at, on in changes if begins < at < lasts), (lasts, False)]:
        if is_on:
            whole += at - since
        is_on, since = on, at
    return whole
