"""What kind of work a job is: a routine and its parts."""

from typing import Literal

from pydantic import Field

from emulator.scenario.models.distribution import Distribution
from emulator.scenario.values import Duration, Model, Name, Share

__all__ = ["Part", "Routine"]


class Part(Model):
    """One part of a routine: it takes a time or calls a system, and may leave an effect."""

    name: Name
    takes: Distribution | None = None
    calls: Name | None = Field(default=None, description="A system, or system/part for one part of it.")
    for_each: Name | None = Field(default=None, description="A list parameter: once for each of its elements.")
    patience: Duration | None = Field(default=None, description="Default: the system's.")
    error_share: Share = 0.0
    permanent_error_share: Share = 0.0
    leaves: Name | None = Field(default=None, description="The effect that it leaves.")
    target: str | None = Field(
        default=None,
        description="What the effect is left on; {element}, {key}, {job} and parameter names are filled in. "
        "Default: the element, else the key, else the job.",
    )
    leaves_in: Name | None = Field(default=None, description="The system that holds the target. Default: `calls`.")
    lands: Literal["at_request", "at_end", "remotely"] = "at_end"
    repeatable: bool | Literal["looks_first"] = True
    meets_own_work: Literal["error", "ok", "wait"] = Field(
        default="error", description="When the remote system still works on an earlier request for the same target."
    )


class Routine(Model):
    """A kind of work."""

    queue: Name
    parts: tuple[Part, ...] = Field(strict=False, min_length=1)
    requires: tuple[Name, ...] = Field(default=(), strict=False, description="Equipment: tape, or tape>=2.1.")
    parameters: dict[Name, Literal["list", "text", "number"]] = Field(default={})
    key: str | None = Field(default=None, description="The exclusive key, such as {volume}: at most n run per key.")
    priority: int = Field(default=0, ge=-1_000_000, le=1_000_000, description="Higher goes first.")
    after_failure: Literal["start_over", "resume"] = "start_over"
    expected: Duration | None = Field(default=None, description="Stated expectation. Default: p95 of the parts.")
    drawn: Literal["once", "each_attempt"] = "once"
    missing_tool: Literal["error", "permanent error"] = "error"
