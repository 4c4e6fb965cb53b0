"""What do people do at a time?"""

from collections.abc import Iterator
from types import MappingProxyType
from typing import Final, Literal

from pydantic import Field

from emulator.scenario.models.faults import WorkerTarget, kind_mistakes
from emulator.scenario.values import Mistake, Model, Moment, Name, NewName, PositiveDuration

__all__ = ["ACTION_KEYS", "ACTION_KINDS", "Action"]

ACTION_KEYS: Final = MappingProxyType(
    {
        "run_again": ("at",),
        "withdraw": ("at",),
        "hold": ("at", "lasts"),
        "release": ("at",),
        "suspend": ("at", "lasts"),
        "resume": ("at",),
        "hold_queue": ("at", "lasts"),
        "release_queue": ("at",),
        "drain": ("at",),
        "new_version": ("at", "requires", "speed", "old_jobs"),
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
        default=None, description="Workers take nothing more, finish what they have, then leave for good."
    )
    new_version: Name | None = Field(default=None, description="A routine: jobs in the queue run the new one.")
    name: NewName | None = Field(default=None, description="By which paths (`actions.NAME.at`) and draws know it.")
    at: Moment = Field(description="When it is done.")
    requires: tuple[Name, ...] | None = Field(
        default=None, strict=False, description="new_version: the equipment that it requires; default: as before."
    )
    speed: float | None = Field(
        default=None, gt=0, le=1000, description="new_version: how much faster its parts are; 2 halves their time."
    )
    old_jobs: Literal["run_new", "run_old", "fail"] = Field(
        default="run_new", description="new_version: what becomes of jobs that are in the queue already."
    )
    lasts: PositiveDuration | None = Field(
        default=None, description="hold, suspend, hold_queue: undone after this. Not given: forgotten."
    )

    def mistakes(self) -> Iterator[Mistake]:
        yield from kind_mistakes(self, "action", ACTION_KEYS)
