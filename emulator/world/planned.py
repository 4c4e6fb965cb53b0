"""What does an arrival entry submit: which routine, with which parameters, keys and conditions?"""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from emulator.errors import Problem, ScenarioError
from emulator.scenario import models
from emulator.scenario.parameters import ready_value, value_in_trace
from emulator.scenario.spelling import advise
from emulator.world.nights import Nights, Waits, waits_of

if TYPE_CHECKING:
    from emulator.scenario.traces import Arrival as Line

__all__ = ["PlannedJob", "Planner"]

_NAME: Final = re.compile(r"\{([^{}]+)\}")
_OF_WORKLOADS: Final = "processors"
"""The parameter that a workload log tells of every job, whether its routine has it or not."""
_new: Final = tuple.__new__  # a named tuple's own constructor costs twice as much


class PlannedJob(NamedTuple):
    """One job as its arrival entry submits it.

    Attributes:
        entry, ordinal: the arrival entry, and the job's number in it, counted from 1.
        routine: the name of its routine.
        parameters: their values by name; jobs of one entry may share them, so they are not to be changed.
        key: the exclusive key, ready filled in; None: what the routine says.
        priority: None: the routine's.
        idempotency_key: ready filled in, "" for none.
        not_before: tick until which it is held; 0: not held.
        after: what must end first, as the entry tells it; None for nothing.
        traced: ticks of work that its trace tells, else None.
        nominal: the tick at which it was due, which an outage or a wait may have passed since.
    """

    entry: str
    ordinal: int
    routine: str
    parameters: dict[str, Any]
    key: str | None
    priority: int | None
    idempotency_key: str
    not_before: int
    after: Waits | None
    traced: int | None
    nominal: int


class Planner:
    """Makes the jobs of one arrival entry.

    Args:
        name: of the entry.
        model: the entry.
        routines: of the scenario.
        file: the trace, for messages.
        nights: tells to which night a job belongs.

    Raises:
        ScenarioError: for a list of more than 100,000 generated elements.
    """

    __slots__ = ("_after", "_common", "_file", "_model", "_name", "_parameters", "_routines")

    def __init__(
        self,
        name: str,
        model: models.Arrival,
        routines: Mapping[str, models.Routine],
        file: Path,
        nights: Nights | None = None,
    ) -> None:
        self._name = name
        self._model = model
        self._routines = routines
        self._file = file
        self._after = waits_of(model, nights)
        known = routines[model.routine].parameters
        try:
            self._parameters = {
                what: ready_value(what, value, known.get(what)) for what, value in model.parameters.items()
            }
        except ValueError as error:
            raise self._wrong(None, str(error)) from None
        common = (
            model.routine,
            self._parameters,
            model.key,
            model.priority,
            "",
            model.not_before or 0,
            self._after,
            None,
        )
        self._common = None if model.key is not None or model.idempotency_key else common

    def job(self, ordinal: int, nominal: int, line: "Line | None" = None) -> PlannedJob:
        """Make the job with this number, due at ``nominal``; ``line`` is what its trace tells of it.

        Raises:
            ScenarioError: for a line of the trace that its routine cannot use.
        """
        if line is None and self._common is not None:  # nothing of it depends on its number
            return _new(PlannedJob, (self._name, ordinal, *self._common, nominal))
        model, parameters, routine, key = self._model, self._parameters, self._model.routine, self._model.key
        priority, traced = model.priority, None
        if line is not None:
            routine = self._routine(line)
            parameters = self._told(line, self._routines[routine])
            priority = model.priority if line.priority is None else line.priority
            traced = line.takes
        if line is not None and line.key is not None:
            key = line.key
        elif key is not None:
            key = self._filled(key, parameters, ordinal, line)
        idem = model.idempotency_key
        idem = self._filled(idem, parameters, ordinal, line) if idem else ""
        not_before = model.not_before or 0
        return PlannedJob(
            self._name, ordinal, routine, parameters, key, priority, idem, not_before, self._after, traced, nominal
        )

    def _routine(self, line: "Line") -> str:
        name = line.routine or self._model.routine
        routine = self._routines.get(name)
        if routine is None:
            raise self._wrong(line, f"no routine is called {name!r}: {advise(name, self._routines)}")
        if line.takes is None:
            for part in routine.parts:
                if part.law is not None and part.law.traced:
                    raise self._wrong(line, f"no time stands here, and the part {part.name!r} of {name!r} takes it")
        return name

    def _told(self, line: "Line", routine: models.Routine) -> dict[str, Any]:
        """Put what a line tells over what the entry says."""
        found = {name: value for name, value in self._parameters.items() if name in routine.parameters}
        for name, text in line.parameters:
            kind = routine.parameters.get(name)
            if kind is None:
                if name == _OF_WORKLOADS and self._file.suffix.lower() == ".swf":
                    continue
                hint = advise(name, routine.parameters) if routine.parameters else "it has none"
                raise self._wrong(line, f"its routine has no parameter {name!r}: {hint}")
            try:
                found[name] = value_in_trace(name, text, kind)
            except ValueError as error:
                raise self._wrong(line, str(error)) from None
        for name in _NAME.findall(routine.key or ""):
            if name not in found and self._model.key is None and line.key is None:
                raise self._wrong(line, f"the parameter {name!r} is not given, and the key is made of it")
        return found

    def _filled(self, template: str, parameters: Mapping[str, Any], ordinal: int, line: "Line | None") -> str:
        def one(found: re.Match[str]) -> str:
            name = found[1]
            if name in parameters:
                return str(parameters[name])
            if name == "number":
                return str(ordinal)
            if name == "job" and line is not None and line.job is not None:
                return line.job
            raise self._wrong(line, f"the parameter {name!r} is not given, and {template!r} is made of it")

        return _NAME.sub(one, template)

    def _wrong(self, line: "Line | None", message: str) -> ScenarioError:
        if line is None:
            return ScenarioError([Problem(f"arrival entry {self._name!r}", 0, 0, "", message)])
        return ScenarioError([Problem(str(self._file), line.line, 1, "", message)])
