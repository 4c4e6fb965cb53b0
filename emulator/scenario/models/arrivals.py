"""The models of arrivals: when jobs come."""

import json
import math
from collections.abc import Iterator
from types import MappingProxyType
from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, Discriminator, Field, Tag, ValidationInfo, model_validator
from pydantic_core import PydanticCustomError

from emulator.scenario.models.distribution import Distribution, law_mistakes
from emulator.scenario.models.pools import Retry, TimeLimit, wrong_terms
from emulator.scenario.spelling import parse_span
from emulator.scenario.values import (
    Count,
    Duration,
    Mistake,
    Model,
    Moment,
    Name,
    NewName,
    PositiveDuration,
    Template,
    TimeOfDay,
)
from emulator.timeline.ticks import DAY, say

__all__ = ["ARRIVAL_KEYS", "SOME_WAYS_ONLY", "Arrival", "Batch", "FirstOf", "Prerequisite", "Prerequisites", "Rates"]

_BOUNDED: Final = ("from", "until")
_PER_OCCURRENCE: Final = (*("batch", "days", "excludes", "if_still_running", "if_missed", "late_at_most", "late_by"),)
_AT_CHANGES: Final = ("in_missing_hour", "in_double_hour")

ARRIVAL_KEYS: Final = MappingProxyType(
    {
        "at": (*_AT_CHANGES, "varies_with", "days"),
        "per_hour": (*_BOUNDED, "varies_with", "batch", "days"),
        "every": (*_BOUNDED, "batch", "days"),
        "gaps": (*_BOUNDED, "batch", "days"),
        "again_after": _BOUNDED,
        "recurs": (
            *_BOUNDED,
            "excludes",
            *_AT_CHANGES,
            "if_still_running",
            "if_missed",
            "late_at_most",
            *_PER_OCCURRENCE,
        ),
        "trace": ("days",),
    }
)
"""For each way of arriving, the keys that belong to some ways only and may stand beside this one."""

SOME_WAYS_ONLY: Final = frozenset(key for keys in ARRIVAL_KEYS.values() for key in keys)
"""The keys that do not belong to every way of arriving."""


def _no_days_of_a_calendar(value: Any) -> Any:
    if isinstance(value, str) and value.startswith("P") and (days := parse_span(value)[0]):
        step = f";INTERVAL={days}" if days > 1 else ""
        exact = say(days * DAY)
        raise ValueError(f"{value!r} is no fixed gap: write recurs: FREQ=DAILY{step} for days of the zone, or {exact}")
    return value


BatchSize = Annotated[int, Field(ge=1, le=100_000)]
"""How many jobs come at once."""


class Prerequisite(Model):
    """What must end first: the job with the same number in another arrival entry, or all its jobs of this night.

    A night begins at the clock time at which the scenario starts. The jobs of a night are those that are due in it; of
    an entry by `at` all belong together. The last of a recurrence or a trace is known. Of any other way of arriving the
    last has come at `until`, or when `count` have.
    """

    entry: Name = Field(description="The other arrival entry.")
    jobs: Literal["same_number", "all"] = Field(
        default="same_number",
        description="all: every job of that entry in the night of this job. They are judged when the last has ended.",
    )
    number: int | None = Field(
        default=None, ge=1, le=10_000_000, description="Which of its jobs. Default: the job's own number in its entry."
    )
    if_failed: Literal["fail", "go_on"] = Field(
        default="fail", description="What the failure of that job means: this one fails too, or goes on."
    )
    follows_resubmitted: bool = Field(
        default=False, description="true: a resubmitted job takes the place of the first."
    )

    def mistakes(self) -> Iterator[Mistake]:
        if self.number is not None and self.jobs == "all":
            yield ("number",), "`jobs: all` waits for every job of the entry, and `number` for one: keep one of the two"


class FirstOf(Model):
    """Several things of which the first that ends well enough suffices. If all have failed, this job fails too."""

    any_of: tuple[Prerequisite, ...] = Field(
        min_length=1, max_length=1000, strict=False, description="The things; each is written as if it stood alone."
    )


def _form(value: Any) -> str:
    """Name the form; the brackets keep it apart from any key, which the paths of mistakes are made of."""
    if isinstance(value, list | tuple):
        return "(all)"
    return "(first)" if isinstance(value, FirstOf) or (isinstance(value, dict) and "any_of" in value) else "(one)"


Prerequisites = Annotated[
    Annotated[Prerequisite, Tag("(one)")]
    | Annotated[tuple[Prerequisite, ...], Field(min_length=1, max_length=1000, strict=False), Tag("(all)")]
    | Annotated[FirstOf, Tag("(first)")],
    Discriminator(_form),
]
"""One thing that must end first, several of which all must, or several of which the first suffices."""


Rate = Annotated[float, Field(ge=0, le=1e9)]
"""Jobs an hour; 0: none."""

DayRates = Rate | dict[TimeOfDay, Rate]
"""A rate for the whole day, or the rates that hold from times of the day on."""


class Rates(Model):
    """Jobs an hour by day of the week and hour of the day; days that are not named bring none.

    ``{weekdays: {"18:00": 10, "20:00": 26}, sat: 5}``: from 18:00 on 10 an hour, from 20:00 to midnight 26, and 5
    an hour on Saturdays. What is stated of a single day holds over `weekdays`, `weekend` and `every_day`.
    """

    every_day: DayRates | None = Field(default=None, description="On all days that nothing else is stated of.")
    weekdays: DayRates | None = Field(default=None, description="From Monday to Friday.")
    weekend: DayRates | None = Field(default=None, description="On Saturday and Sunday.")
    mon: DayRates | None = Field(default=None, description="On Mondays.")
    tue: DayRates | None = Field(default=None, description="On Tuesdays.")
    wed: DayRates | None = Field(default=None, description="On Wednesdays.")
    thu: DayRates | None = Field(default=None, description="On Thursdays.")
    fri: DayRates | None = Field(default=None, description="On Fridays.")
    sat: DayRates | None = Field(default=None, description="On Saturdays.")
    sun: DayRates | None = Field(default=None, description="On Sundays.")

    def mistakes(self) -> Iterator[Mistake]:
        stated = [getattr(self, name) for name in type(self).model_fields]
        rates = [rate for one in stated for rate in (one.values() if isinstance(one, dict) else (one or 0.0,))]
        if not any(rates):
            yield (), "no job ever comes: give a rate above 0 for some day"

    def of_day(self, day: int) -> list[tuple[str, float]]:
        """List the rates of a day of the week, 0 for Monday, each with the time from which it holds."""
        names = (_DAYS[day], "weekdays" if day < 5 else "weekend", "every_day")
        found = next((rates for name in names if (rates := getattr(self, name)) is not None), 0.0)
        return [("00:00", found)] if not isinstance(found, dict) else [("00:00", 0.0), *sorted(found.items())]

    def times(self, factor: float) -> "Rates":
        """Give the same with every rate so many times as high."""
        update: dict[str, Any] = {}
        for name in type(self).model_fields:
            old = getattr(self, name)
            if isinstance(old, dict):
                update[name] = {at: rate * factor for at, rate in old.items()}
            elif old is not None:
                update[name] = old * factor
        return self.model_copy(update=update)


_DAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def _rate_form(value: Any) -> str:
    return "(rates)" if isinstance(value, dict | Rates) else "(rate)"


PerHour = Annotated[
    Annotated[float, Field(gt=0, le=1e9), Tag("(rate)")] | Annotated[Rates, Tag("(rates)")], Discriminator(_rate_form)
]
"""Jobs an hour: one rate, or several by the day and the hour."""


class Batch(Model):
    """How many jobs come at each arrival, drawn: any number between two, or one of several."""

    between: tuple[BatchSize, BatchSize] | None = Field(
        default=None, strict=False, description="Each number from the one to the other is as likely."
    )
    one_of: tuple[Annotated[int, Field(ge=0, le=100_000)], ...] | None = Field(
        default=None,
        strict=False,
        min_length=1,
        max_length=1000,
        description="One of these numbers; with 0 nothing comes that time.",
    )
    weights: tuple[float, ...] | None = Field(
        default=None, strict=False, description="With `one_of`: how likely each is, 0 or more; default: all alike."
    )

    def mistakes(self) -> Iterator[Mistake]:
        wrong = list(law_mistakes("how many", self.between, self.one_of, self.weights))
        yield from wrong
        if not wrong and not self.mean:
            yield ("one_of",), "no job ever comes: give a number above 0 some weight"

    @property
    def mean(self) -> float:
        """How many come on average."""
        if self.between is not None:
            return (self.between[0] + self.between[1]) / 2
        values = self.one_of or ()
        weights = self.weights or (1.0,) * len(values)
        return math.fsum(value * weight for value, weight in zip(values, weights, strict=True)) / math.fsum(weights)


def _batch_form(value: Any) -> str:
    return "(law)" if isinstance(value, dict | Batch) else "(number)"


Batches = Annotated[Annotated[BatchSize, Tag("(number)")] | Annotated[Batch, Tag("(law)")], Discriminator(_batch_form)]
"""How many jobs come at each arrival: a number, or drawn."""


class Arrival(Model):
    """One entry of arrivals. Exactly one of: `at`, `per_hour`, `every`, `gaps`, `recurs`, `trace`, `again_after`."""

    routine: Name = Field(description="What kind of work its jobs are.")
    name: NewName | None = Field(
        default=None, description="By which others name it. Default: made from the routine and the way of arriving."
    )
    count: Count | None = Field(
        default=None,
        description="With `at`: so many at once (default 1). With `again_after`: so many sources. "
        "Else: so many at most. `count` beside `recurs` bounds the jobs of all occurrences together; `batch` is how "
        "many come at each.",
    )
    at: Moment | None = Field(default=None, description="All at this time.")
    per_hour: PerHour | None = Field(
        default=None,
        description="A Poisson process with this rate, in jobs an hour, or with rates by the day and the hour: "
        '`{weekdays: {"18:00": 10, "20:00": 26}, sat: 5}`.',
    )
    every: Annotated[PositiveDuration, BeforeValidator(_no_days_of_a_calendar)] | None = Field(
        default=None,
        description="Constant gaps, the first job at `from`. `1d` is 24 hours; a day of the zone: recurs: FREQ=DAILY.",
    )
    gaps: Distribution | None = Field(default=None, description="Gaps drawn from a distribution.")
    again_after: Distribution | None = Field(
        default=None, description="A finite source: `count` sources, each sends the next so long after its last ended."
    )
    begins: Moment = Field(default=0, alias="from", description="Not before this.")
    ends: Moment | None = Field(default=None, alias="until", description="Before this; default: to the end.")
    recurs: str | None = Field(
        default=None, max_length=1000, description="An RFC 5545 rule or a five-field crontab expression."
    )
    batch: Batches = Field(
        default=1,
        description="How many jobs come at each arrival or occurrence: a number, `{between: [1, 5]}` or "
        "`{one_of: [1, 10], weights: [9, 1]}`. `count` bounds the jobs of all of them together.",
    )
    days: tuple[Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"], ...] | None = Field(
        default=None,
        min_length=1,
        strict=False,
        description="Only on these days of the zone; `at` comes at its clock time on each of them. Default: all, and "
        "`at` once.",
    )
    late_by: Distribution | None = Field(
        default=None, description="Each occurrence comes so much later than it is due; default: on time."
    )
    excludes: tuple[str, ...] = Field(
        default=(), strict=False, description="Excluded days: a date, a weekday, or a recurrence of days."
    )
    in_missing_hour: Literal["skip", "shift", "at_its_end"] | None = Field(
        default=None,
        description="For a clock time that the clocks jump over when they are put forward: none, as much later as they "
        "jump, or when they have jumped. Default: `shift` for `at` and RFC 5545 rules (02:30 becomes 03:30), "
        "`at_its_end` for crontabs (03:00); `skip` for a crontab with * in its minute or hour, and for HOURLY and "
        "MINUTELY rules.",
    )
    in_double_hour: Literal["first", "both"] | None = Field(
        default=None,
        description="For a clock time that comes twice when the clocks are put back. Default: `both` for a crontab "
        "with * in its minute or hour or with several minutes (`0,30 2 * * *`), and for HOURLY and MINUTELY rules; "
        "else `first`.",
    )
    if_still_running: Literal["skip", "wait", "both"] = Field(
        default="both", description="What becomes of an occurrence when the one before is unfinished."
    )
    if_missed: Literal["skip", "once", "each"] = Field(
        default="skip", description="What becomes of occurrences that fell due while the broker was down."
    )
    late_at_most: Duration | None = Field(
        default=None, description="A missed occurrence is made up so late at most; default: however late."
    )
    trace: str | None = Field(
        default=None,
        min_length=1,
        max_length=1000,
        description="A .csv or .swf file below the scenario's folder, from which its path counts. Its "
        "columns: [the formats of traces](reference-traces.md).",
    )
    varies_with: Name | None = Field(
        default=None,
        description="A factor of `varies`, by which `per_hour`, or the `count` of `at`, is multiplied in a night.",
    )
    parameters: dict[Name, Any] = Field(default={}, description="The values of the routine's parameters.")
    priority: int | None = Field(
        default=None, ge=-1_000_000, le=1_000_000, description="Higher goes first. Default: the routine's."
    )
    key: Template | None = Field(default=None, description="The exclusive key. Default: the routine's.")
    idempotency_key: Template | None = Field(
        default=None,
        description="{number} and parameter names are filled in; of a trace also {job}, its own number. Default: none.",
    )
    not_before: Moment | None = Field(default=None, description="Held until then; default: not held.")
    lease: PositiveDuration | None = Field(default=None, description="The lease of its jobs. Default: the routine's.")
    time_limit: TimeLimit | None = Field(
        default=None, description="The time limit of an attempt at its jobs. Default: the routine's."
    )
    retry: Retry | None = Field(
        default=None,
        description="When its jobs are tried again, as a whole in place of what the routine or the queue says; the "
        "allowance stays the queue's.",
    )
    after: Prerequisites | None = Field(
        default=None,
        description="What must end first: a mapping, a list of them (all of it), or `{any_of: [...]}` (the first of "
        "it). Default: nothing.",
    )

    @property
    def batch_mean(self) -> float:
        """How many jobs come at each arrival on average."""
        return self.batch.mean if isinstance(self.batch, Batch) else self.batch

    def window(self, lasts: int) -> tuple[int, int]:
        """Give the ticks from which and until which jobs may come in a run of this length."""
        return min(self.begins, lasts), lasts if self.ends is None else min(self.ends, lasts)

    @property
    def befores(self) -> tuple[Prerequisite, ...]:
        """The things of `after`, all of which must end first, or the first of which if it says so."""
        if self.after is None or isinstance(self.after, Prerequisite):
            return () if self.after is None else (self.after,)
        return self.after.any_of if isinstance(self.after, FirstOf) else self.after

    @model_validator(mode="before")
    @classmethod
    def _at_in_a_missing_hour(cls, data: Any, info: ValidationInfo) -> Any:
        """Move `at`, or bring nothing, as is wished for a clock time that does not exist; `shift` is what it reads."""
        clock = (info.context or {}).get("clock")
        if clock is None or not isinstance(data, dict) or not isinstance(at := data.get("at"), str):
            return data
        wish, days = data.get("in_missing_hour"), data.get("days")
        try:
            found = clock.unclear(at) if days or wish in ("skip", "at_its_end") else None
        except ValueError:  # it is told where the moment is read
            return data
        if found is None or found[1]:
            return data
        if days:  # which time is meant on the other days could not be told from the one that is taken
            said = f"the clock never shows {found[0]}, the first of these times: begin a day later, or write `recurs`"
            raise PydanticCustomError("mistakes", "{said}", {"said": said, "mistakes": [(("at",), said)]})
        return (
            {**data, "count": 0}
            if wish == "skip"
            else {**data, "at": clock.local(clock.after_gap(found[0])).isoformat()}
        )

    @property
    def at_changes(self) -> tuple[str | None, str | None]:
        """Say what is wished where the clocks change: in the hour that is missing, and in the one that comes twice."""
        return self.in_missing_hour, self.in_double_hour

    @property
    def way(self) -> str:
        """Name the one way in which its jobs arrive."""
        return next(way for way in ARRIVAL_KEYS if getattr(self, way) is not None)

    @property
    def label(self) -> str:
        """Give the entry's name; one without a name is called by its routine and its way of arriving.

        >>> Arrival(routine="plate-copy", per_hour=6.0).label
        'plate-copy per_hour 6'
        """
        if self.name is not None:
            return self.name
        value = getattr(self, self.way)
        if isinstance(value, Rates):
            said = "by the clock"
        elif isinstance(value, Distribution):
            said = json.dumps(value.model_dump(mode="json", exclude_none=True), separators=(",", ":"))
        else:
            said = {"at": say, "every": say, "per_hour": "{:g}".format}.get(self.way, str)(value)
        return f"{self.routine} {self.way} {said}"

    def mistakes(self) -> Iterator[Mistake]:
        ways = [way for way in ARRIVAL_KEYS if getattr(self, way) is not None]
        if not ways:
            yield (), f"when do they come? give one of: {', '.join(ARRIVAL_KEYS)}"
        elif len(ways) > 1:
            yield (ways[1],), f"`{ways[0]}` and `{ways[1]}` are two ways of arriving: make two entries"
        else:
            for name, field in type(self).model_fields.items():
                key = field.alias or name
                if key in SOME_WAYS_ONLY and key not in ARRIVAL_KEYS[ways[0]] and self.stated(name):
                    yield (key,), f"`{key}` does not belong to arrivals by `{ways[0]}`"
        if self.gaps is not None and self.gaps.always_zero:
            yield ("gaps",), "gaps of 0 never let time pass: give longer ones, or `at` with a `count`"
        if self.again_after is not None and not self.count:
            yield ("count",), "how many sources? arrivals by `again_after` need a `count` above 0"
        if self.ends is not None and self.ends <= self.begins:
            yield ("until",), "the window is empty: `until` must be later than `from`"
        if self.at is not None and not self.days and self.in_double_hour == "both":
            yield (
                ("in_double_hour",),
                "`at` is one time: give the other in an entry of its own, with its offset (-04:00)",
            )
        if self.late_at_most is not None and self.if_missed == "skip" and self.recurs is not None:
            yield ("late_at_most",), "missed occurrences are skipped: give if_missed: once or each"
        yield from wrong_terms(self.retry)
        if self.stated("batch") and self.if_still_running != "both":
            yield ("batch",), "the jobs of a batch run beside each other: give if_still_running: both"
        if self.days is not None and len(set(self.days)) < len(self.days):
            yield ("days",), "a day stands here twice"
        yield from self._wrong_recurrence()

    def _wrong_recurrence(self) -> Iterator[Mistake]:
        if self.recurs is None and not self.excludes:
            return
        # most scenarios do not recur
        from emulator.scenario.recurrence import never_missing, validate, validate_excluded

        if self.recurs is not None:
            try:
                validate(self.recurs)
            except ValueError as error:
                yield ("recurs",), str(error)
            else:
                if self.in_missing_hour not in (None, "skip") and never_missing(self.recurs):
                    what = "this rule goes by real hours or minutes, of which none is missing: leave it out"
                    yield ("in_missing_hour",), what
        for place, item in enumerate(self.excludes):
            try:
                validate_excluded(item)
            except ValueError as error:
                yield ("excludes", place), str(error)
