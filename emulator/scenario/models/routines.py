"""What kind of work a job is: a routine and its parts; by how much values grow, and how long what was made is kept.

Growth and what is kept change nothing in one night: a forecast of many reads them.
"""

import re
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, Discriminator, Field, PlainSerializer, Tag, WithJsonSchema

from emulator.scenario.models.distribution import NO_TIME, Distribution
from emulator.scenario.models.pools import AskAgain, Retry, TimeLimit, wrong_terms
from emulator.scenario.values import (
    Duration,
    EndDate,
    Mistake,
    Model,
    Name,
    NewName,
    PositiveDuration,
    Share,
    Template,
)

__all__ = [
    "OF_EFFECTS",
    "Growing",
    "Growth",
    "Keeps",
    "Part",
    "Percent",
    "Routine",
]


_PERCENT: Final = r"^[+-]?\d{1,4}(\.\d{1,6})? ?%$"


def _percent(value: Any) -> Any:
    if not isinstance(value, str):
        raise ValueError("write a percentage with its sign, such as 3 %")
    if not re.fullmatch(_PERCENT, value, re.ASCII):
        raise ValueError(f"{value[:40]!r} is no percentage: write 3 % or -1.5 %")
    return float(value.rstrip("% ")) / 100


Percent = Annotated[
    float,
    BeforeValidator(_percent),
    Field(gt=-1, le=100),
    PlainSerializer(lambda value: f"{100 * value:.10g} %", return_type=str, when_used="json"),
    WithJsonSchema({"kind": "percent", "type": "string", "pattern": _PERCENT}),
]
"""A change in hundredths, held as a share: ``3 %`` is 0.03. Above -100 %."""


class Growth(Model):
    """How a value grows as time passes, for `forecast`. One night does not grow: `run` and `compare` take no notice.

    ``{path: arrivals.nightly.count, by: 3 %, each: month}``: on the scenario's own date the value is as written. It is
    3 % more a month later, and 43 % more a year later.
    """

    path: str = Field(
        min_length=1,
        max_length=1000,
        description="The dotted path of a number, a duration or a rate, as a variant names it: "
        "`arrivals.nightly.count`.",
    )
    by: Percent = Field(description="By so much: `3 %`; below 0 it shrinks.")
    each: Literal["week", "month", "year"] = Field(
        default="month", description="In each of these, on top of the growth before."
    )
    between: tuple[Percent, Percent] | None = Field(
        default=None,
        strict=False,
        description="How slow and how fast the growth may be, such as `[2 %, 4 %]`: dates are then told for both too.",
    )

    def mistakes(self) -> Iterator[Mistake]:
        if self.between is not None and not self.between[0] <= self.by <= self.between[1]:
            yield ("between",), "`by` lies between the two, the lower of which comes first"


class Keeps(Model):
    """How long the results of a part are kept, for `forecast`: one of the two. One night deletes nothing."""

    newest: int | None = Field(
        default=None, ge=1, le=100_000, description="Those of so many nights are kept: the newest in which any landed."
    )
    duration: PositiveDuration | None = Field(
        default=None, alias="for", description="Each is kept for so long after its night began."
    )

    def mistakes(self) -> Iterator[Mistake]:
        if (self.newest is None) == (self.duration is None):
            yield (), "how long are they kept? write {newest: 14} or {for: 30d}"


OF_EFFECTS = ("target", "effect_in", "lands", "repeatable", "since", "if_already_in_progress", "keeps")
"""The keys that belong to parts that have an effect."""


class Growing(Model):
    """A time that grows with the work: a base, and so much more for each element of a list or unit of a number.

    ``{base: 2m, per_element: 40s}``; ``{base: {median: 2m, p95: 4m}, per_unit: 3s, of: gigabytes}``. Where each element
    takes a time of its own that is drawn, write the part with `for_each` instead.
    """

    base: Distribution = Field(default=NO_TIME, description="What it takes with no element at all.")
    per_element: PositiveDuration | None = Field(
        default=None, description="So much more for each element of the list parameter `of`."
    )
    per_unit: PositiveDuration | None = Field(
        default=None, description="So much more for each unit of the number parameter `of`."
    )
    of: Name | None = Field(
        default=None, description="Which parameter of the routine. Default: the only one of that kind."
    )

    def mistakes(self) -> Iterator[Mistake]:
        if self.per_element is None and self.per_unit is None:
            yield (), "what does it grow with? give `per_element` or `per_unit`, or write the base alone"
        elif self.per_element is not None and self.per_unit is not None:
            yield ("per_unit",), "`per_element` and `per_unit` stand for two parameters: keep one"
        if self.base.traced:
            yield ("base",), "what a trace tells is the whole time: write `takes: {traced: true}`"

    @property
    def each(self) -> int:
        """What one element or unit adds, in ticks."""
        return self.per_element or self.per_unit or 0


def _form(value: Any) -> str:
    """Name the form; the brackets keep it apart from any key, which the paths of mistakes are made of."""
    grows = isinstance(value, dict) and not value.keys().isdisjoint(("base", "per_element", "per_unit", "of"))
    return "(grows)" if grows or isinstance(value, Growing) else "(law)"


Takes = Annotated[
    Annotated[Distribution, Tag("(law)")] | Annotated[Growing, Tag("(grows)")],
    Discriminator(_form),
]
"""How long a part takes: a distribution, or a time that grows with the work."""


class Part(Model):
    """One part of a routine: it takes a time or calls a system, and may have an effect."""

    name: NewName = Field(description="Its name, once in a routine.")
    takes: Takes | None = Field(
        default=None, description="How long it takes, at speed 1; `{base: ..., per_element: ...}` grows with the work."
    )
    calls: Name | None = Field(default=None, description="A system, or system/part for one part of it.")
    for_each: Name | None = Field(default=None, description="A list parameter: once for each of its elements.")
    patience: PositiveDuration | None = Field(
        default=None, description="With `calls`: gives up waiting after this. Default: the system's."
    )
    asks_again: AskAgain | None = Field(
        default=None, description="With `calls`: asks again when the call is refused. Default: the attempt ends then."
    )
    error_share: Share = Field(default=0.0, description="This share of its executions end in an error.")
    errors_vary_with: Name | None = Field(
        default=None, description="A factor of `varies`, by which `error_share` is multiplied; it stays at most 1."
    )
    permanent_error_share: Share = Field(default=0.0, description="This share end in a permanent error.")
    fails_after: Distribution | None = Field(
        default=None,
        description="When it ends in an error: so long after it began, at speed 1, if it takes longer than that. "
        "Default: at its end.",
    )
    effect: NewName | None = Field(default=None, description="The effect that it has.")
    target: Template | None = Field(
        default=None,
        description="What the effect is on; {element}, {key}, {job} and parameter names are filled in. "
        "Default: the element, else the key, else the job.",
    )
    effect_in: Name | None = Field(default=None, description="The system that holds the target. Default: `calls`.")
    lands: Literal["at_request", "at_end", "remotely"] = Field(
        default="at_end",
        description="When the effect lands. at_request: as the part begins or asks again, unless the system refuses "
        "that call at once. at_end: as it ends. remotely: in the called system, even if the worker has died by then.",
    )
    repeatable: bool | Literal["checks_first"] = Field(
        default=True,
        description="false: not safe to repeat; checks_first: skipped when a check finds the effect there already.",
    )
    since: EndDate | None = Field(
        default=None,
        description="As of when the last good result is that its targets had before the start. A date alone means its "
        "first instant. From then on `effect_age_longest` counts. Default: not known.",
    )
    if_already_in_progress: Literal["error", "ok", "wait"] = Field(
        default="error",
        description="Outcome when the remote system still works on an earlier request for the same target.",
    )
    keeps: Keeps | None = Field(
        default=None, description="How long what it left is kept, for `forecast`. Default: nothing is said of it."
    )

    @property
    def law(self) -> Distribution | None:
        """The distribution of what it takes, what grows with the work left aside."""
        return self.takes.base if isinstance(self.takes, Growing) else self.takes

    @property
    def grows(self) -> Growing | None:
        """How its time grows with the work, None if it does not."""
        return self.takes if isinstance(self.takes, Growing) else None

    def mistakes(self) -> Iterator[Mistake]:
        if self.takes is None and self.calls is None:
            yield (), "a part takes a time or calls a system: give `takes` or `calls`"
        if self.takes is not None and self.calls is not None:
            yield ("takes",), "a part that calls a system takes as long as that does: leave out `takes` or `calls`"
        if self.patience is not None and self.calls is None:
            yield ("patience",), "`patience` belongs to a part that `calls` a system"
        if self.fails_after is not None and self.takes is None:
            yield (
                ("fails_after",),
                "`fails_after` belongs to a part that `takes` a time: a call fails at its end",
            )
        if self.asks_again is not None and self.calls is None:
            yield ("asks_again",), "`asks_again` belongs to a part that `calls` a system"
        if self.effect is None:
            for name in OF_EFFECTS:
                if self.stated(name):
                    yield (name,), f"`{name}` is about an effect: say which with `effect`"
        elif self.since is not None and self.since > 0:
            yield ("since",), "what was there before the start is meant: `since` may not lie after the start"
        elif self.lands == "remotely" and self.calls is None:
            yield ("lands",), "only a part that `calls` a system has its effect remotely"
        elif self.stated("if_already_in_progress") and self.lands != "remotely":
            yield ("if_already_in_progress",), "`if_already_in_progress` belongs to effects that land remotely"
        if self.error_share + self.permanent_error_share > 1:
            yield ("permanent_error_share",), "`error_share` and `permanent_error_share` add up to more than 1"


class Routine(Model):
    """A kind of work."""

    queue: Name = Field(description="The queue that its jobs go to.")
    parts: tuple[Part, ...] = Field(strict=False, min_length=1, description="What is done, one after another.")
    requires: tuple[Name, ...] = Field(
        default=(), strict=False, description="Equipment that its worker must have: tape, or tape>=2.1."
    )
    takes_slots: int = Field(
        default=1,
        ge=1,
        le=1000,
        description="How many slots of its worker a job takes while it has it. It goes only to a worker with so many "
        "free at once; jobs behind it that fit go first meanwhile, whatever their priority.",
    )
    parameters: dict[NewName, Literal["list", "text", "number"]] = Field(
        default={}, description="What its arrivals may tell, and of which kind."
    )
    key: Template | None = Field(
        default=None, description="The exclusive key, such as {volume}: at most n run per key. Default: none."
    )
    priority: int = Field(default=0, ge=-1_000_000, le=1_000_000, description="Higher goes first.")
    lease: PositiveDuration | None = Field(default=None, description="The lease of its jobs. Default: the queue's.")
    time_limit: TimeLimit | None = Field(
        default=None, description="The time limit of an attempt at its jobs. Default: the queue's."
    )
    retry: Retry | None = Field(
        default=None,
        description="When its jobs are tried again, as a whole in place of what the queue says; the allowance stays "
        "the queue's.",
    )
    after_failure: Literal["start_over", "resume"] = Field(
        default="start_over", description="The next attempt begins at the first part, or after the last finished one."
    )
    expected: Duration | None = Field(
        default=None,
        description="How long people expect it to take. Default: the sum of the p95 of what its parts take, each once.",
    )
    drawn: Literal["once", "each_attempt"] = Field(
        default="once", description="Whether a part's time is drawn once for a job or again for each attempt."
    )
    missing_tool: Literal["error", "permanent_error"] = Field(
        default="error", description="Outcome when its worker lacks what it requires."
    )

    def mistakes(self) -> Iterator[Mistake]:
        first: dict[str, int] = {}
        for place, part in enumerate(self.parts):
            if first.setdefault(part.name, place) != place:
                yield ("parts", place, "name"), f"two parts are called {part.name!r}: give each a name of its own"
        yield from wrong_terms(self.retry)

    def grows_with(self, part: Part) -> str:
        """Name the parameter that the time of a part grows with, "" if there is none, or not just one."""
        if part.grows is None:
            return ""
        kind = "list" if part.grows.per_element is not None else "number"
        fit = [name for name, what in self.parameters.items() if what == kind]
        return part.grows.of or (fit[0] if len(fit) == 1 else "")

    def growth(self, part: Part, parameters: Mapping[str, Any]) -> int:
        """Give what the work adds to the time of a part, in ticks; ``parameters`` are those of a job."""
        if part.grows is None:
            return 0
        value = parameters.get(self.grows_with(part), 0)
        many = len(value) if isinstance(value, list | tuple) else value
        return max(0, round(many * part.grows.each)) if isinstance(many, int | float) else 0
