"""Which effects on which targets are the jobs of a scenario to leave, whether or not they come to it?

The law: only what the scenario states. A target that is made of the job's own name or number is another one for each
job, so that nothing can be said of it before its job comes; it is left out.
"""

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from emulator.scenario.names import ready_value, value_in_trace
from emulator.scenario.references import names_in_template

if TYPE_CHECKING:
    from emulator.scenario.load import Loaded
    from emulator.scenario.models.arrivals import Arrival
    from emulator.scenario.models.routines import Part, Routine
    from emulator.scenario.models.scenario import Scenario

__all__ = ["UNKNOWN", "Aim", "aims"]

UNKNOWN: Final = -(2**62)
"""The tick as of which a result is that nobody knows of."""

_OF_THE_JOB: Final = ("job", "number")


class Aim(NamedTuple):
    """What the jobs of an arrival entry are to leave: an effect on targets.

    ``since``: as of which tick the last good result before the start is (0 or below), ``UNKNOWN`` where nobody says.
    """

    entry: str
    effect: str
    targets: tuple[str, ...]
    since: int = UNKNOWN


def aims(loaded: "Loaded", scenario: "Scenario | None" = None) -> tuple[Aim, ...]:
    """List them, in the order of the file; ``scenario``: one of its variants instead.

    Raises:
        ScenarioError: for a line of a trace that is wrong.
    """
    found: dict[Aim, None] = {}
    scenario = scenario or loaded.scenario
    for arrival in scenario.arrivals:
        for routine, parameters, key in _jobs(loaded, scenario, arrival):
            by_effect: dict[str, tuple[list[str], list[int]]] = {}
            for part in routine.parts:
                if part.effect is not None:
                    targets, since = by_effect.setdefault(part.effect, ([], []))
                    targets += _targets(part, parameters, key)
                    since.append(UNKNOWN if part.since is None else part.since)
            for effect, (targets, since) in by_effect.items():
                if targets:
                    found[Aim(arrival.label, effect, tuple(dict.fromkeys(targets)), min(since))] = None
    return tuple(found)


_Job = tuple["Routine", Mapping[str, Any], str | None]
"""The routine, the parameters, and the exclusive key: "" for none, None for one that is another for each job."""


def _jobs(loaded: "Loaded", scenario: "Scenario", arrival: "Arrival") -> Iterator[_Job]:
    """Give each different job of an arrival entry that leaves an effect."""
    if not any(part.effect is not None for routine in scenario.routines.values() for part in routine.parts):
        return
    kinds = scenario.routines[arrival.routine].parameters
    stated = {name: ready_value(name, value, kinds.get(name)) for name, value in arrival.parameters.items()}
    if arrival.trace is None:
        routine = scenario.routines[arrival.routine]
        yield routine, stated, _filled(arrival.key or routine.key or "", stated)
        return
    from emulator.scenario.traces import read_arrivals  # most jobs come without a trace

    for line in read_arrivals(loaded.folder / arrival.trace, loaded.clock):
        routine = scenario.routines[line.routine or arrival.routine]
        kinds = routine.parameters
        told = {name: value_in_trace(name, text, kinds[name]) for name, text in line.parameters if name in kinds}
        parameters = {**{name: value for name, value in stated.items() if name in kinds}, **told}
        yield routine, parameters, line.key or _filled(arrival.key or routine.key or "", parameters)


def _targets(part: "Part", parameters: Mapping[str, Any], key: str | None) -> Iterator[str]:
    elements = [str(one) for one in parameters.get(part.for_each, ())] if part.for_each is not None else [""]
    for element in elements:
        if part.target is None:
            target = element or key
        else:
            target = _filled(part.target, {**parameters, "element": element, "key": key})
        if target:
            yield target


def _filled(template: str, values: Mapping[str, Any]) -> str | None:
    """Fill the names of a template in; None where one of them is another for each job."""
    for name in names_in_template(template):
        if name in _OF_THE_JOB and name not in values:
            return None
        if values.get(name, "") is None:
            return None
        template = template.replace(f"{{{name}}}", str(values.get(name, f"{{{name}}}")))
    return template
