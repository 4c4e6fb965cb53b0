"""What do people do at a time?"""

from collections.abc import Iterator
from types import MappingProxyType
from typing import Final, Literal

from pydantic import Field

from emulator.scenario.models.distribution import Distribution
from emulator.scenario.models.faults import WorkerTarget, kind_mistakes
from emulator.scenario.models.numbers import SpeedFactor, out_of_range
from emulator.scenario.values import Mistake, Model, Moment, Name, NewName, PositiveDuration, Share

__all__ = ["ACTION_KEYS", "ACTION_KINDS", "Action"]

ACTION_KEYS: Final = MappingProxyType(
    {
        "run_again": ("at", "late_by"),
        "withdraw": ("at", "late_by"),
        "hold": ("at", "late_by", "lasts", "until"),
        "release": ("at", "late_by"),
        "suspend": ("at", "late_by", "lasts", "until"),
        "resume": ("at", "late_by"),
        "hold_queue": ("at", "late_by", "lasts", "until"),
        "release_queue": ("at", "late_by"),
        "drain": ("at", "late_by", "back_after", "lasts", "until"),
        "new_version": ("at", "late_by", "requires", "speed", "old_jobs"),
    }
)
"""For each kind of action, the keys that may stand beside it."""

ACTION_KINDS: Final = tuple(ACTION_KEYS)


class Action(Model):
    """What a person does at a time. Exactly one of the action keys; jobs are named entry#number."""

    run_again: Name | None = Field(default=None, description="A finished or running job is resubmitted.")
    withdraw: Name | None = Field(default=None, description="A job is withdrawn.")
    hold: Name | None = Field(default=None, description="A job is held.")
    release: Name | None = Field(default=None, description="A job that a person holds is released.")
    suspend: Name | None = Field(default=None, description="A running job is suspended.")
    resume: Name | None = Field(default=None, description="A suspended job is resumed.")
    hold_queue: Name | None = Field(default=None, description="A queue hands out nothing until it is released.")
    release_queue: Name | None = Field(default=None, description="A queue that is held is released.")
    drain: WorkerTarget | None = Field(
        default=None,
        description="Workers take nothing more, finish what they have, then are off: for good, unless `back_after`, "
        "`lasts` or `until` says when they come back.",
    )
    new_version: Name | None = Field(default=None, description="A routine: jobs in the queue run the new one.")
    name: NewName | None = Field(default=None, description="By which paths (`actions.NAME.at`) and draws know it.")
    share_of_nights: Share = Field(
        default=1.0,
        description="It is done in this share of nights, drawn for each night by itself. A larger share keeps the "
        "nights of a smaller one.",
    )
    at: Moment = Field(description="When it is done.")
    late_by: Distribution | None = Field(
        default=None, description="It is done so much later than `at`. Default: on time."
    )
    requires: tuple[Name, ...] | None = Field(
        default=None, strict=False, description="new_version: the equipment that it requires; default: as before."
    )
    speed: SpeedFactor | None = Field(
        default=None,
        description="new_version: how much faster its parts are; 2 halves their time. Or a number that is drawn.",
    )
    old_jobs: Literal["run_new", "run_old", "fail"] = Field(
        default="run_new", description="new_version: what becomes of jobs that are in the queue already."
    )
    lasts: PositiveDuration | None = Field(
        default=None,
        description="hold, suspend, hold_queue: undone after this; without an end it is forgotten. drain: back in "
        "service then, even if it still works.",
    )
    ends: Moment | None = Field(default=None, alias="until", description="In place of `lasts`: undone at this time.")
    back_after: Distribution | None = Field(
        default=None, description="drain: switched on again so long after it was off, however long it had to finish."
    )

    def mistakes(self) -> Iterator[Mistake]:
        yield from kind_mistakes(self, "action", ACTION_KEYS)
        ends = [key for key, value in _ends(self) if value is not None]
        for key in ends[1:]:
            yield (key,), f"`{ends[0]}` says when it is over, and so does `{key}`: keep one"
        yield from out_of_range("speed", self.speed, 0, 1000)
        if self.ends is not None and self.late_by is not None:
            yield ("until",), "it is done at a drawn time, which may be after `until`: say how long it `lasts`"
        elif self.ends is not None and self.ends <= self.at:
            yield ("until",), "it is over before it begins: `until` must be later than `at`"


def _ends(action: Action) -> Iterator[tuple[str, object]]:
    yield from (("lasts", action.lasts), ("until", action.ends), ("back_after", action.back_after))
