"""What a job has to do: its routine made ready, its steps, its templates filled in, and what an arrival entry submits.

The pauses before a part asks a system again are those of retries (``emulator.broker.retry``), counted by asks instead
of attempts; a hint of the system (retry-after) is waited for in any case. A pause is a timer of the worker's program:
its due time stays while the worker stands still, and at whatever speed it works.

A night reads a trace as it goes, and finds a line that it cannot use only when it comes to it. ``check_traces`` reads
the same lines beforehand: those that come before the end of their entry, and no more than it counts.
"""

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol

from emulator.broker.jobs import Attempt, Job, Source, Terms, rare
from emulator.broker.retry import base_pause
from emulator.broker.rules import DataRetry, jittered
from emulator.errors import Problem, ScenarioError
from emulator.scenario import models
from emulator.scenario.load import Loaded
from emulator.scenario.models import Arrival, AskAgain, Part, Routine, Scenario
from emulator.scenario.names import ready_value, value_in_trace
from emulator.scenario.spelling import advise
from emulator.scenario.traces import read_arrivals
from emulator.world.draws import Distribution, OneUniform, entity_key, numbers_key
from emulator.world.nights import Nights, waits_of
from emulator.world.sampling import Constant, sampling_of

if TYPE_CHECKING:
    from emulator.scenario.traces import Arrival as Line

__all__ = [
    "Again",
    "Asking",
    "HandlerProtocol",
    "Planner",
    "ReadyPart",
    "ReadyRoutine",
    "Sources",
    "Step",
    "check_traces",
    "expected_of",
    "fill",
    "steps_of",
    "target_of",
]


class Again:
    """The pause before the next ask of a step.

    Attributes:
        number: how many times the step has asked again, this one included.
        own: the pause without the system's hint, in ticks.
        due: the tick at which it asks.
    """

    __slots__ = ("due", "number", "own")

    def __init__(self, number: int, own: int, due: int) -> None:
        self.number = number
        self.own = own
        self.due = due


class Asking:
    """How often, and after which pauses, a part asks again."""

    __slots__ = ("_pauses", "_times")

    def __init__(self, model: AskAgain) -> None:
        self._times = model.times
        self._pauses = DataRetry(
            pause=model.pause,
            first=model.first,
            grows_by=model.grows_by,
            longest=model.longest,
            jitter=model.jitter,
        )

    def after(self, before: Again | None, now: int, hint: int | None, draw: Callable[[int], float]) -> Again | None:
        """Say when a step asks again that was refused at ``now``; None: it has asked often enough.

        Args:
            before: its pause before this ask, None for the first.
            now: the tick of the refusal.
            hint: the ticks from it after which the system wants to be asked again, None for no hint.
            draw: gives the uniform of the ask with a number; called only if the jitter needs it.
        """
        number = 1 if before is None else before.number + 1
        if number > self._times:
            return None
        own = base_pause(self._pauses, number)
        if self._pauses.jitter != "none" and own:
            own = jittered(self._pauses, own, 0 if before is None else before.own, draw(number))
        return Again(number, own, now + max(own, hint or 0))


_NAME: Final = re.compile(r"\{([^{}]+)\}")


class HandlerProtocol(Protocol):
    """The keeper of a routine's own code, which does the work of a routine that is not modelled.

    Each method is told of one attempt, and may be told of one that it does not know.

    How an attempt ended is told by ``Execution.over``, a finished part by ``Execution.part_over``.
    """

    def begin(self, attempt: Attempt, /) -> None:
        """Begin to work on an attempt."""

    def stand_still(self, attempt: Attempt, /) -> None:
        """Let the work stand still: its worker is frozen, or the job is suspended."""

    def go_on(self, attempt: Attempt, /) -> None:
        """Let the work go on."""

    def rescale(self, attempt: Attempt, /) -> None:
        """The worker works at another speed from now on."""

    def leave(self, attempt: Attempt, /) -> None:
        """The worker has nothing more to do with the attempt: it was answered, is off, or was told to stop."""


class ReadyPart:
    """A part with its distribution made ready.

    Attributes:
        asks: how it asks a system again that has refused it, None if it does not.
        at: the time at a uniform, where one uniform makes it.
        fixed: the time, where nothing is drawn for it.
        first_number: what the numbers of its draws begin with; that of an element is added.
        fails_after: after which time it fails if it does, None for at its end.
        grows: its time grows with the work.
        is_usual: it just takes its time, which one uniform makes, and does not fail.
        just_takes: it does nothing but take its time (what it leaves lands at its end).
        leaves_at_end: it leaves an effect then.
        may_fail: a share of it fails.
    """

    __slots__ = (
        "asks",
        "at",
        "fails_after",
        "first_number",
        "fixed",
        "grows",
        "index",
        "is_usual",
        "just_takes",
        "law",
        "leaves_at_end",
        "may_fail",
        "model",
        "system",
        "system_part",
        "target_system",
    )

    def __init__(self, index: int, model: Part) -> None:
        self.index = index
        self.model = model
        self.asks = Asking(model.asks_again) if model.asks_again is not None else None
        self.first_number = index * 1_000_000
        self.law: Distribution | None = sampling_of(model.law) if model.law is not None else None
        self.at: Callable[[float], int] | None = self.law.made() if isinstance(self.law, OneUniform) else None
        self.fixed = self.law.ticks if isinstance(self.law, Constant) else None
        at_request = model.effect is not None and model.lands == "at_request"
        self.grows = model.grows is not None
        self.fails_after = sampling_of(model.fails_after) if model.fails_after is not None else None
        self.just_takes = model.calls is None and model.repeatable != "checks_first" and not at_request
        self.leaves_at_end = model.effect is not None and model.lands == "at_end"
        self.may_fail = bool(model.error_share or model.permanent_error_share)
        self.is_usual = all((self.just_takes, self.at is not None, not self.grows, not self.may_fail))
        system, _, part = (model.calls or "").partition("/")
        self.system = system
        self.system_part = part or model.name
        self.target_system = (model.effect_in or system or "").partition("/")[0]


class ReadyRoutine:
    """A routine made ready, and what people and faults have changed of it since.

    Attributes:
        queue, key, priority: of its jobs; the key is to be filled in, "" for none.
        expected: the stated expectation of a job's work without repetitions, in ticks.
        error_share: a burst of errors on top of the parts' own.
        version: 1, and 1 more for each new version; ``factors`` are what the work of each is divided by.
        handler: who does the work for real, in place of the parts; None: it is modelled.
        starts_after_last: after any failure an attempt goes on after the last step that an earlier one has finished.
        slots: how many of its worker's slots a job takes.
        steps: of every job, None where they depend on its parameters.
    """

    __slots__ = (
        "error_share",
        "expected",
        "factors",
        "grows",
        "handler",
        "is_drawn_once",
        "key",
        "model",
        "name",
        "old_jobs",
        "parts",
        "priority",
        "queue",
        "requires",
        "slots",
        "starts_after_last",
        "steps",
        "version",
    )

    def __init__(self, name: str, model: Routine) -> None:
        self.name = name
        self.model = model
        self.parts = [ReadyPart(index, part) for index, part in enumerate(model.parts)]
        self.queue = model.queue
        self.key = model.key or ""
        self.priority = model.priority
        self.requires = tuple(sorted(model.requires))
        self.slots = model.takes_slots
        self.expected = model.expected if model.expected is not None else sum(map(_expected, self.parts))
        self.grows = any(part.grows for part in self.parts)
        self.error_share = 0.0
        self.version = 1
        self.factors = [1.0]
        self.old_jobs = "run_new"
        self.handler: HandlerProtocol | None = None
        self.is_drawn_once = model.drawn == "once"
        self.starts_after_last = model.after_failure == "resume"
        depends = any(part.model.for_each is not None for part in self.parts)
        self.steps: list[Step] | None = None if depends else [(part, 0, "") for part in self.parts]


Step = tuple[ReadyPart, int, str]
"""(part, number of the element counted from 0, element)"""


def target_of(job: Job, step: Step) -> str:
    """Name what the effect of a step of a job is left on."""
    part, _, element = step
    if part.model.target is not None:
        return fill(part.model.target, job, element)
    return element or job.key or job.name


def steps_of(routine: ReadyRoutine, parameters: Mapping[str, Any]) -> list[Step]:
    """Give the steps of a job with such parameters."""
    if routine.steps is not None:
        return routine.steps
    steps: list[Step] = []
    for part in routine.parts:
        name = part.model.for_each
        if name is None:
            steps.append((part, 0, ""))
        else:
            steps.extend((part, place, str(element)) for place, element in enumerate(parameters.get(name, ())))
    return steps


def expected_of(routine: ReadyRoutine, steps: Sequence[Step], parameters: Mapping[str, Any]) -> int:
    """Give the stated expectation of the work of a job with such steps and parameters, in ticks."""
    expected = routine.expected
    if len(steps) > len(routine.parts):
        expected = expected * len(steps) // len(routine.parts)
    if routine.grows and routine.model.expected is None:
        expected += sum(routine.model.growth(step[0].model, parameters) for step in steps)
    return expected


def fill(template: str, job: Job, element: str = "") -> str:
    """Fill the names of a template in.

    >>> fill("no names", None)
    'no names'
    """
    if "{" not in template:
        return template

    def one(found: re.Match[str]) -> str:
        name = found[1]
        if name == "element":
            return element
        if name == "key":
            return job.key
        if name == "job":
            return job.name
        if name == "number":
            return str(job.ordinal)
        return str(job.source.parameters.get(name, found[0]))

    return _NAME.sub(one, template)


def _expected(part: ReadyPart) -> int:
    return part.law.p95() if part.law is not None else 0


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
