"""Makes a routine ready: its steps, its templates filled in, how its parts ask a system again.

The pauses are those of retries (``emulator.broker.retry``), counted by asks instead of attempts; a hint of the system
(retry-after) is waited for in any case. A pause is a timer of the worker's program: its due time stays while the worker
stands still, and at whatever speed it works.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, Protocol

from emulator.broker.jobs import Attempt, Job
from emulator.broker.retry import base_pause
from emulator.broker.rules import DataRetry, jittered
from emulator.scenario.models import AskAgain, Part, Routine
from emulator.world.distribution import Distribution, OneUniform
from emulator.world.sampling import Constant, sampling_of

__all__ = [
    "Again",
    "Asking",
    "HandlerProtocol",
    "ReadyPart",
    "ReadyRoutine",
    "Step",
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
