"""Can a night use every line of its traces?

A night reads a trace as it goes, and finds a line that it cannot use only when it comes to it. This reads the same
lines beforehand: those that come before the end of their entry, and no more than it counts.
"""

from contextlib import closing
from itertools import islice

from emulator.scenario.load import Loaded
from emulator.scenario.models import Arrival, Scenario
from emulator.scenario.traces import read_arrivals
from emulator.world.plan import ReadyRoutine
from emulator.world.planned import Planner, Sources

__all__ = ["check_traces"]


def check_traces(loaded: Loaded) -> None:
    """Make the job of each line of each trace, as written and under each variant, and drop it.

    Raises:
        ScenarioError: for the first line that is wrong or that its routine cannot use, such as one of unknown run time
            where a part takes the time that the trace gives.
    """
    read: list[tuple[Arrival, object, int]] = []
    for scenario in (loaded.scenario, *loaded.variants.values()):
        for model in scenario.arrivals:
            lines = (model, scenario.routines, scenario.lasts)
            if model.trace is not None and lines not in read:
                read.append(lines)
                _check(loaded, scenario, model, model.trace)


def _check(loaded: Loaded, scenario: Scenario, model: Arrival, name: str) -> None:
    trace = loaded.folder / name
    routines = {name: ReadyRoutine(name, routine) for name, routine in scenario.routines.items()}
    planner = Planner(model.label, model, Sources(routines), trace)
    ends = scenario.lasts if model.ends is None else min(model.ends, scenario.lasts)
    with closing(read_arrivals(trace, loaded.clock)) as lines:
        for ordinal, line in enumerate(islice(lines, model.count), 1):
            if line.tick >= ends:
                break
            planner.job(ordinal, line.tick, line)
