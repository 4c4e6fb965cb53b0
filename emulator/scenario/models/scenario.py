"""The whole scenario file, with what must be true in the end, what varies between nights, and what a board is told."""

from collections.abc import Iterator
from datetime import date
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from emulator.measure.catalogue import FILTERS
from emulator.scenario.models.arrivals import Arrival
from emulator.scenario.models.faults import Action, Credential, Fault, Grant, System
from emulator.scenario.models.pools import Pool, Queue
from emulator.scenario.models.routines import Growth, Routine
from emulator.scenario.values import (
    Bound,
    Mistake,
    Model,
    Name,
    NewName,
    PositiveDuration,
    Share,
    Span,
    TimeOfDay,
    one_line,
)

__all__ = [
    "Brief",
    "Broker",
    "Factor",
    "Question",
    "Requirement",
    "Scenario",
]


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


def _day(value: Any) -> Any:
    if not isinstance(value, str):
        raise ValueError("a date such as 2026-07-01 is wanted")
    try:
        day = date.fromisoformat(value)
    except ValueError:
        day = None
    if day is None or day.isoformat() != value:
        raise ValueError(f"{value[:40]!r} is no date: write 2026-07-01")
    return value


def _paragraph(value: str) -> str:
    """Take a text of one or several lines as one paragraph."""
    words = " ".join(value.split())
    if not words:
        raise ValueError("a text is wanted")
    return words


_MOST_LINES: Final = 10

_Line = Annotated[str, AfterValidator(one_line)]
_Text = Annotated[str, AfterValidator(_paragraph)]


class Brief(Model):
    """What whoever asks for a change tells a board, for `queuedrill brief`. What is left out is shown as not stated."""

    question: _Line | None = Field(
        default=None, min_length=1, max_length=200, description="What is asked of the board, in one sentence."
    )
    purpose: _Text | None = Field(default=None, min_length=1, max_length=300, description="Why it is asked.")
    scope: _Text | None = Field(
        default=None, min_length=1, max_length=300, description="What changes, and what stays as it is."
    )
    impact: _Text | None = Field(
        default=None, min_length=1, max_length=300, description="Who would notice if it went wrong, and how."
    )
    way_back: _Text | None = Field(
        default=None, min_length=1, max_length=400, description="How to go back, and until when that can be done."
    )
    risk_owner: _Line | None = Field(
        default=None, min_length=1, max_length=120, description="Who owns the risk that remains: a role or a name."
    )
    review: Annotated[str, BeforeValidator(_day)] | None = Field(
        default=None, description="The date on which the decision is looked at again, such as 2026-07-01."
    )
    not_looked_at: tuple[Annotated[_Line, Field(min_length=1, max_length=120)], ...] = Field(
        default=(),
        strict=False,
        description="What else was not looked at, beside what the program finds by itself; 10 lines at most.",
    )

    def mistakes(self) -> Iterator[Mistake]:
        if (many := len(self.not_looked_at)) > _MOST_LINES:
            yield ("not_looked_at",), f"{many} lines stand here: {_MOST_LINES} at most"


class Factor(Model):
    """A factor that is drawn once for each night; whatever says `varies_with` is multiplied by it.

    ``{cv: 0.3}``: lognormal with mean 1 and that coefficient of variation; or ``{one_of_nights: draft.nights.csv}``.
    """

    mean: float = Field(default=1.0, gt=0, le=1000, description="Its mean over nights.")
    cv: float | None = Field(default=None, ge=0.001, le=10, description="Its deviation over nights by its mean.")
    law: Literal["lognormal", "gamma"] = Field(default="lognormal", description="The law of the factor.")
    one_of_nights: str | None = Field(
        default=None,
        min_length=1,
        max_length=1000,
        description="A .csv file of past nights with a column of the factor's name: one night is drawn, and all "
        "factors from this file are those of that night; a night with an empty cell among them is not drawn. In a "
        "routine, its own column `FACTOR:ROUTINE` counts where that night has one (`pace:copy`). Of the file that "
        "`sketch` writes, `demand` and `pace` are how much came and how long runs took.",
    )

    def mistakes(self) -> Iterator[Mistake]:
        if (self.cv is None) == (self.one_of_nights is None):
            yield (), "a factor is drawn by its `cv` or from `one_of_nights`: write {cv: 0.3}"
        elif self.one_of_nights is not None and (self.stated("law") or self.stated("mean")):
            yield (), "`law` and `mean` go with `cv`: past nights have their own"


class Broker(Model):
    """What the broker itself is told."""

    leases_during_outage: Literal["expire", "extend"] = Field(
        default="expire",
        description="Leases that end while the broker is down are lost at its restart (expire), or all leases are "
        "extended by the outage's length.",
    )


class Question(Model):
    """A question about the night, and what it would change; answered by `run --nights N --questions`."""

    ask: Annotated[str, AfterValidator(one_line)] = Field(
        min_length=1, max_length=200, description="The question, in words (What if north loses power at 01:30?)."
    )
    change: dict[str, Any] = Field(
        min_length=1, description="What it changes, as a variant does: dotted paths and their values, and `based_on`."
    )


class Scenario(Model):
    """A scenario: the world of one night, what goes wrong in it, and what must be true in the end."""

    title: Annotated[str, AfterValidator(one_line)] = Field(
        min_length=1, max_length=200, description="What it is about, in one line."
    )
    based_on: str | None = Field(
        default=None,
        max_length=1000,
        description="Another scenario file, whose values hold where this one states none: see above.",
    )
    about: str = Field(default="", max_length=10_000, description="What it shows, in as many lines as it needs.")
    starts: str = Field(description="Local time at which it starts, such as 2026-06-12T21:30:00.")
    zone: str = Field(default="UTC", description="The zone of all times, such as America/Santiago.")
    lasts: Span = Field(description="How long it lasts; what is unfinished then is shown as such.")
    seed: int = Field(default=1, ge=0, lt=2**63, description="Chooses the draws; the same seed gives the same night.")
    heartbeats: Literal["computed", "simulated"] = Field(
        default="computed", description="simulated: each heartbeat is an event of its own. The jobs fare the same."
    )
    meant_to_miss: bool = Field(default=False, description="true: a lesson in which a requirement is missed.")
    varies: dict[NewName, Factor] = Field(
        default={}, max_length=20, description="Factors that are drawn once for each night, by name."
    )
    growth: tuple[Growth, ...] = Field(
        default=(), strict=False, max_length=20, description="What grows as the months pass, for `forecast` alone."
    )
    broker: Broker = Field(default=Broker.model_construct(), description="How the broker behaves.")
    queues: dict[NewName, Queue] = Field(min_length=1, description="The queues, by name.")
    pools: dict[NewName, Pool] = Field(min_length=1, description="The pools of workers, by name.")
    systems: dict[NewName, System] = Field(default={}, description="The systems that parts call, by name.")
    access: tuple[Grant, ...] = Field(default=(), strict=False, description="Who may call what.")
    credentials: tuple[Credential, ...] = Field(default=(), strict=False, description="What is shown to systems.")
    routines: dict[NewName, Routine] = Field(min_length=1, description="The kinds of work, by name.")
    arrivals: tuple[Arrival, ...] = Field(strict=False, description="When jobs come.")
    faults: tuple[Fault, ...] = Field(default=(), strict=False, description="What goes wrong.")
    actions: tuple[Action, ...] = Field(default=(), strict=False, description="What people do.")
    must_hold: tuple[Requirement, ...] = Field(default=(), strict=False, description="What must be true in the end.")
    also_true: tuple[Requirement, ...] = Field(
        default=(),
        strict=False,
        description="Facts of the lesson that are true of one night, such as exactly one lost lease. `run` judges them "
        "apart from `must_hold`; many nights, recommendations and `hunt` leave them out.",
    )
    prefer: tuple[Name, ...] = Field(
        default=(),
        strict=False,
        max_length=10,
        description="By which figures to choose among several variants that keep all requirements, the most important "
        "first. Default: worker_hours, done_share, makespan, wasted_work.",
    )
    variants: dict[NewName, dict[str, Any]] = Field(
        default={},
        max_length=100,
        description="Other settings to compare: dotted paths (queues.night.lease) and their values; `based_on` names "
        "another variant whose changes come first.",
    )
    combine: dict[str, Annotated[tuple[Any, ...], Field(min_length=1, strict=False)]] = Field(
        default={},
        max_length=10,
        description="Settings to compare in every combination: dotted paths, each with a list of values.",
    )
    baseline: Name | None = Field(
        default=None, description="The variant that others are compared with. Default: the scenario as written."
    )
    brief: Brief | None = Field(default=None, description="What a board that decides on a change has to know.")
    questions: tuple[Question, ...] = Field(
        default=(), strict=False, max_length=100, description="What is asked of the night with other settings."
    )
