"""What must be true in the end."""

from collections.abc import Iterator
from typing import Final

from pydantic import Field

from emulator.measure.catalogue import FILTERS
from emulator.scenario.values import Bound, Mistake, Model, Name, NewName, PositiveDuration, Share, TimeOfDay

__all__ = ["Requirement"]

_TIMES: Final = ("started_by", "finished_by", "within", "starts_after_end_of")


class Requirement(Model):
    """A figure and its bound, or a time by which the jobs of an entry must have started or ended.

    A clock time means the first such time after the job is due, also in a night in which the clocks change. A time that
    the clocks jump over counts as much later as they jump.
    """

    measure: Name | None = Field(default=None, description="The figure, by its name in the list of figures.")
    at_least: Bound | None = Field(default=None, description="Not below this.")
    at_most: Bound | None = Field(default=None, description="Not above this.")
    exactly: Bound | None = Field(default=None, description="Just this.")
    not_worse_by: Bound | None = Field(
        default=None,
        description="On average not worse than under the baseline by more than this (0: not worse at all); judged "
        "when variants are compared. Only for figures of which one side is better.",
    )
    routine: Name | None = Field(default=None, description="Of the jobs of this routine only.")
    queue: Name | None = Field(default=None, description="Of the jobs of this queue only.")
    pool: Name | None = Field(default=None, description="Of the workers of this pool only.")
    entry: Name | None = Field(
        default=None,
        description="Of the jobs of this arrival entry only. Without a measure: every job of it, with a time or order.",
    )
    effect: Name | None = Field(default=None, description="Of this effect only.")
    target: Name | None = Field(default=None, description="On this target only.")
    set_of: Name | None = Field(
        default=None, description="Of the sets of targets of the jobs of this arrival entry, in place of targets."
    )
    each_occurrence_of: Name | None = Field(
        default=None, description="An arrival entry that recurs; with a time or order, as for `entry`."
    )
    started_by: TimeOfDay | None = Field(
        default=None, description="Started by this time: the first such time after the job is due is still in time."
    )
    finished_by: TimeOfDay | None = Field(default=None, description="Likewise, for its end.")
    within: PositiveDuration | None = Field(
        default=None, description="Finished so long after the job was due, at the latest."
    )
    starts_after_end_of: Name | None = Field(
        default=None,
        description="No job starts before all jobs of this other entry have ended that are due in the same night.",
    )
    name: NewName | None = Field(default=None, description="By which paths (`must_hold.NAME.at_most`) know it.")
    say: str | None = Field(
        default=None,
        min_length=1,
        max_length=100,
        description="What it asks for, in words of your own, for every screen: all done before the first shift.",
    )
    in_share: Share | None = Field(
        default=None,
        description="It has to be met in this share of nights. One night is judged for itself, many by the share.",
    )

    def mistakes(self) -> Iterator[Mistake]:
        bounds = [name for name in ("at_least", "at_most", "exactly") if getattr(self, name) is not None]
        times = [name for name in _TIMES if getattr(self, name) is not None]
        filters = [name for name in FILTERS if getattr(self, name) is not None]
        if self.measure is not None and self.each_occurrence_of is not None:
            yield (), "a requirement names either a `measure` or `each_occurrence_of`, one of the two"
        elif self.measure is not None:
            if not bounds and self.not_worse_by is None:
                yield (), f"what must {self.measure} be? give `at_least`, `at_most`, `exactly` or `not_worse_by`"
            elif not bounds and self.in_share is not None:
                yield ("in_share",), "`not_worse_by` is judged over all nights; `in_share` belongs to a bound"
            for name in times:
                yield (name,), f"`{name}` belongs to an `entry` without a measure; a measure has at_least or the like"
        elif self.each_occurrence_of is None and self.entry is None:
            yield (), "what must hold? give a `measure` with a bound, or an `entry` with a time such as `finished_by`"
        else:
            if not times:
                yield (), "by when? give `started_by`, `finished_by`, `within` or `starts_after_end_of`"
            alone = [name for name in filters if self.each_occurrence_of is not None or name != "entry"]
            for name in (*bounds, *(["not_worse_by"] if self.not_worse_by is not None else []), *alone):
                yield (name,), f"`{name}` belongs to a measure; the jobs of an entry have started_by or the like"
        if self.starts_after_end_of is not None and self.starts_after_end_of in (self.entry, self.each_occurrence_of):
            yield ("starts_after_end_of",), "no job starts after its own end: name another entry"
        if self.target is not None and self.set_of is not None:
            yield ("set_of",), "an age is that of a `target` or of a set: name one of the two"
        if self.exactly is not None and len(bounds) > 1:
            yield ("exactly",), "`exactly` stands alone, without `at_least` and `at_most`"
        if self.at_least is not None and self.at_most is not None and self.at_least > self.at_most:
            yield ("at_least",), "nothing can be at least this and at most that: `at_least` is above `at_most`"
        if self.not_worse_by is not None and self.not_worse_by < 0:
            yield ("not_worse_by",), "not worse by less than nothing? give 0 or more"
        if self.in_share == 0:
            yield ("in_share",), "a requirement that holds in a share of 0 asks for nothing"
