"""What must be true in the end."""

from pydantic import Field

from emulator.scenario.values import Duration, Model, Name, Share

__all__ = ["Requirement"]


class Requirement(Model):
    """A figure and its bound, or a time of day by which each occurrence must have started or ended."""

    measure: Name | None = None
    at_least: float | Duration | None = Field(default=None, strict=False, union_mode="left_to_right")
    at_most: float | Duration | None = Field(default=None, strict=False, union_mode="left_to_right")
    exactly: float | Duration | None = Field(default=None, strict=False, union_mode="left_to_right")
    routine: Name | None = None
    queue: Name | None = None
    pool: Name | None = None
    entry: Name | None = None
    each_occurrence_of: Name | None = None
    started_by: str | None = Field(default=None, description="HH:MM, the first such time after the occurrence is due.")
    finished_by: str | None = None
    within: Duration | None = Field(default=None, description="Finished so long after the occurrence was due.")
    in_share: Share | None = Field(default=None, description="Of nights; judged when many nights are run.")
