"""What does an arrival entry submit: which routine, with which parameters, keys and conditions?

A night reads a trace as it goes, and finds a line that it cannot use only when it comes to it. ``check_traces`` reads
the same lines beforehand: those that come before the end of their entry, and no more than it counts.
"""

import re
from collections.abc import Callable, Collection, Mapping
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from emulator.broker.jobs import Job, Source, Terms, rare
from emulator.errors import Problem, ScenarioError
from emulator.scenario import models
from emulator.scenario.load import Loaded
from emulator.scenario.models import Arrival, Scenario
from emulator.scenario.names import ready_value, value_in_trace
from emulator.scenario.spelling import advise
from emulator.scenario.traces import read_arrivals
from emulator.world.draws import entity_key, numbers_key
from emulator.world.nights import Nights, waits_of
from emulator.world.plan import ReadyRoutine, expected_of, fill, steps_of

if TYPE_CHECKING:
    from emulator.scenario.traces import Arrival as Line

__all__ = [
    "Planner",
    "Sources",
    "check_traces",
]


_NAME: Final = re.compile(r"\{([^{}]+)\}")
_OF_WORKLOADS: Final = "processors"
"""The parameter that a workload log tells of every job, whether its routine has it or not."""


class Sources:
    """Makes jobs, and knows what they come with.

    Args:
        routines: all routines, made ready.
        terms: gives the terms of the jobs of an entry and a routine, None for those of their queue.
        recurring: the entries whose jobs are occurrences of a recurrence.
        nights: tells to which night a job belongs.
        remembered: the entries whose jobs somebody may name later on.
    """

    __slots__ = ("_firsts", "_places", "_recurring", "_remembered", "_terms", "nights", "routines")

    def __init__(
        self,
        routines: Mapping[str, ReadyRoutine],
        terms: Callable[[str, str], Terms | None] = lambda entry, routine: None,
        recurring: Collection[str] = (),
        nights: Nights | None = None,
        remembered: Collection[str] = (),
    ) -> None:
        self.routines = routines
        self.nights = nights
        self._terms, self._recurring, self._remembered = terms, recurring, remembered
        self._firsts: dict[str, tuple[int, int]] = {}
        self._places: dict[tuple[str, int], int] = {}

    def new(
        self,
        arrival: str,
        name: str,
        parameters: Mapping[str, Any],
        priority: int | None = None,
        traced: int | None = None,
    ) -> Source:
        """Say what the jobs of a routine come with that an arrival entry brings; no key yet.

        Args:
            arrival, name: the arrival entry and the routine.
            parameters: their values by name, which are not to be changed.
            priority: None: the routine's.
            traced: ticks of work that a trace tells, else None.
        """
        routine = self.routines[name]
        found = Source(routine, arrival, self._terms(arrival, name))
        found.entity = entity_key("job", arrival)
        found.recurs = arrival in self._recurring
        found.has_nights = self.nights is not None and arrival in self.nights
        found.is_remembered = arrival in self._remembered
        found.priority = routine.priority if priority is None else priority
        found.parameters = parameters
        found.steps = steps_of(routine, parameters)
        found.expected = expected_of(routine, found.steps, parameters)
        found.traced = traced
        return found

    def job(self, source: Source, ordinal: int, nominal: int, key: str | None = None) -> Job:
        """Make a job with a key and a night of its own.

        ``key``: its exclusive key, whose names are filled in; None: as its routine says.
        """
        job = Job(source, ordinal, nominal)
        if source.recurs:  # what a recurrence excludes changes no other day's job
            job.entity, job.draw_number = numbers_key(source.entity, nominal), self._place(source, ordinal, nominal)
        job.key = fill(job.routine.key if key is None else key, job)
        if source.has_nights and self.nights is not None:
            rare(job).night = self.nights.of(source.arrival, nominal)
        return job

    def _place(self, source: Source, ordinal: int, nominal: int) -> int:
        """Give the place of a job among those of its occurrence, from 0: each of a batch draws for itself."""
        name = (source.arrival, ordinal)
        if name in self._places:
            return self._places[name]
        due, first = self._firsts.get(source.arrival, (-1, 0))
        if due != nominal:  # the jobs of a batch are made one after the other
            self._firsts[source.arrival] = (nominal, ordinal)
            return 0
        if source.is_remembered:  # it may be put in anew when others have come
            self._places[name] = ordinal - first
        return ordinal - first

    def again(self, first: Job, generation: int) -> Job:
        """Make the job that puts another in anew, for the time ``generation``."""
        job = self.job(first.source, first.ordinal, first.nominal, first.key)
        job.key = first.key
        job.entity, job.draw_number = numbers_key(job.entity, job.draw_number, generation), 0
        rare(job).origin = first.number
        return job


class Planner:
    """Makes the jobs of one arrival entry.

    Args:
        name: of the entry.
        model: the entry.
        sources: makes jobs.
        file: the trace, for messages.

    Raises:
        ScenarioError: for a list of more than 100,000 generated elements.
    """

    __slots__ = ("_after", "_file", "_is_plain", "_model", "_name", "_parameters", "_source", "_sources")

    def __init__(self, name: str, model: models.Arrival, sources: Sources, file: Path) -> None:
        self._name = name
        self._model = model
        self._sources = sources
        self._file = file
        self._after = waits_of(model, sources.nights)
        routine = sources.routines[model.routine]
        known = routine.model.parameters
        try:
            self._parameters = {
                what: ready_value(what, value, known.get(what)) for what, value in model.parameters.items()
            }
        except ValueError as error:
            raise self._wrong(None, str(error)) from None
        self._source = source = sources.new(name, model.routine, self._parameters, model.priority)
        is_conditional = bool(model.idempotency_key or model.not_before or self._after)
        is_named = model.key is not None or "{" in routine.key or source.recurs or source.has_nights
        self._is_plain = not is_conditional and not is_named
        if self._is_plain:
            source.key = routine.key

    def plain_source(self) -> Source | None:
        """Give what every job of the entry comes with that no line of a trace tells of; None if they differ."""
        return self._source if self._is_plain else None

    def job(self, ordinal: int, nominal: int, line: "Line | None" = None) -> Job:
        """Make the job with this number, due at ``nominal``; ``line`` is what its trace tells of it.

        Raises:
            ScenarioError: for a line of the trace that its routine cannot use.
        """
        model, source, key, parameters = self._model, self._source, self._model.key, self._parameters
        if line is not None:
            name = self._routine(line)
            parameters = self._told(line, self._sources.routines[name].model)
            priority = model.priority if line.priority is None else line.priority
            source = self._sources.new(self._name, name, parameters, priority, line.takes)
        if line is not None and line.key is not None:
            key = line.key
        elif key is not None:
            key = self._filled(key, parameters, ordinal, line)
        job = self._sources.job(source, ordinal, nominal, key)
        if model.idempotency_key or model.not_before or self._after is not None:
            extra = rare(job)
            if model.idempotency_key:
                extra.idempotency_key = fill(self._filled(model.idempotency_key, parameters, ordinal, line), job)
            extra.not_before = model.not_before or 0
            extra.after = None if self._after is None else self._after.of(ordinal, nominal)
        return job

    def _routine(self, line: "Line") -> str:
        name = line.routine or self._model.routine
        routine = self._sources.routines.get(name)
        if routine is None:
            raise self._wrong(line, f"no routine is called {name!r}: {advise(name, self._sources.routines)}")
        if line.takes is None:
            for part in routine.model.parts:
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
            return ScenarioError([Problem(f"arrival entry {self._name!r}", 0, 0, "", message, "wrong-trace")])
        return ScenarioError([Problem(str(self._file), line.line, 1, "", message, "wrong-trace")])


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
