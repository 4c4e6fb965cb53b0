"""Who may call what, from when, until when."""

from collections.abc import Iterator
from typing import Literal

from pydantic import Field

from emulator.scenario.models.distribution import Distribution
from emulator.scenario.values import Duration, EarlyMoment, EndDate, Mistake, Model, Name, NewName, PositiveDuration

__all__ = ["Credential", "Grant"]


class Grant(Model):
    """One grant of access. A system that no grant names is open to all."""

    who: Name = Field(description="A pool or a worker.")
    to: Name = Field(description="A system, or system/part for one part of it.")
    given: EarlyMoment = Field(default=0, description="When it is given; it may lie before the start.")
    in_force_after: Distribution = Field(
        default=Distribution(constant=0), description="So long after `given` it takes effect."
    )
    until: EndDate | None = Field(
        default=None,
        description="When it ends; default: never. A date alone means its first instant. If that lies before the "
        "night, nothing was granted.",
    )
    name: NewName | None = Field(default=None, description="By which paths (`access.NAME.given`) and draws know it.")
    refusals_cached: Duration = Field(default=0, description="A refused caller is refused this long without a look.")

    def mistakes(self) -> Iterator[Mistake]:
        if self.until is not None and self.until <= self.given and not self.until <= 0 <= self.given:  # else it is over
            yield ("until",), "the grant ends before it is given: `until` must be later than `given`"


class Credential(Model):
    """What a worker shows to a system: it has a life, and is renewed or ends in the middle of long work."""

    who: Name = Field(description="A pool or a worker.")
    to: Name = Field(description="A system, or system/part for one part of it.")
    life: PositiveDuration | None = Field(
        default=None, description="So long after its issue (or renewal) it is refused. Needed, or `ends`, or both."
    )
    ends: EndDate | None = Field(
        default=None,
        description="From then on it is refused, whatever its life; it may lie before the night. A date alone means "
        "its first instant.",
    )
    issued: Literal["at_attempt", "at_start"] = Field(
        default="at_attempt", description="Issued when an attempt begins, or once when the worker starts."
    )
    renewed_every: PositiveDuration | None = Field(default=None, description="Renewed so often; default: never.")
    name: NewName | None = Field(default=None, description="By which paths (`credentials.NAME.life`) know it.")

    def mistakes(self) -> Iterator[Mistake]:
        if self.life is None and self.ends is None:
            yield (), "until when is it good? give its `life`, or the date on which it `ends`"
        if self.life is None and self.renewed_every is not None:
            yield ("renewed_every",), "`renewed_every` belongs to a `life`: the date on which it `ends` stays"
