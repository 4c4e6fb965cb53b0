"""Which times in a scenario say something else than they seem to?"""

from collections.abc import Iterator

from emulator.scenario.hazards.outlook import Loc, Outlook, Said
from emulator.scenario.recurrence import hints
from emulator.timeline.ticks import say

__all__ = ["after_the_end", "recurrence_minute"]


def after_the_end(outlook: Outlook) -> Iterator[Said]:
    """Something is stated for a time at which the run has ended."""
    for loc, tick in _moments(outlook):
        if tick >= outlook.scenario.lasts:
            yield (
                loc,
                f"{outlook.clock.local(tick):%Y-%m-%d %H:%M} is +{say(tick)} from the start, and the run ends at "
                f"+{say(outlook.scenario.lasts)}: this never happens",
            )


def _moments(outlook: Outlook) -> Iterator[tuple[Loc, int]]:
    scenario = outlook.scenario
    found: list[tuple[Loc, int | None]] = []
    for place, arrival in enumerate(scenario.arrivals):
        found += [(("arrivals", place, "at"), arrival.at), (("arrivals", place, "from"), arrival.begins)]
        found.append((("arrivals", place, "not_before"), arrival.not_before))
    for place, fault in enumerate(scenario.faults):
        found += [(("faults", place, "at"), fault.at), (("faults", place, "from"), fault.begins)]
    found += [(("actions", place, "at"), action.at) for place, action in enumerate(scenario.actions)]
    found += [(("access", place, "given"), grant.given) for place, grant in enumerate(scenario.access)]
    for name, system in scenario.systems.items():
        found += [(("systems", name, "outages", i, "from"), outage.begins) for i, outage in enumerate(system.outages)]
    for name, pool in scenario.pools.items():
        found.append((("pools", name, "joins"), pool.joins))
        found += [(("pools", name, "differ", worker, "joins"), one.joins) for worker, one in pool.differ.items()]
        changes = enumerate(pool.equipment_changes)
        found += [(("pools", name, "equipment_changes", i, "at"), change.at) for i, change in changes]
    return ((loc, tick) for loc, tick in found if tick is not None)


def recurrence_minute(outlook: Outlook) -> Iterator[Said]:
    """A recurrence takes its minute from the start of the scenario."""
    for place, arrival in enumerate(outlook.scenario.arrivals):
        if arrival.recurs is not None:
            for hint in hints(arrival.recurs, outlook.clock, arrival.begins):
                yield ("arrivals", place, "recurs"), hint
