"""The world around the jobs: other systems, who may call them, what goes wrong, and what people do at a time."""

from collections.abc import Iterator
from types import MappingProxyType
from typing import Annotated, Any, Final, Literal

from pydantic import Discriminator, Field, Tag, WithJsonSchema

from emulator.scenario.fault_kinds import FAULT_KEYS, FAULT_KINDS, FAULT_NEEDS, FAULT_TABLE
from emulator.scenario.models.distribution import (
    NO_TIME,
    Distribution,
    Factor,
    HowMany,
    ShareOrDrawn,
    SpeedFactor,
    out_of_range,
)
from emulator.scenario.models.pools import SkewedClock
from emulator.scenario.values import (
    Count,
    Duration,
    EarlyMoment,
    EndDate,
    Mistake,
    Model,
    Moment,
    Name,
    NewName,
    PositiveDuration,
    Share,
)

__all__ = [
    "ACTION_KEYS",
    "ACTION_KINDS",
    "OF_ALL_KINDS",
    "Action",
    "Credential",
    "Fault",
    "Grant",
    "Outage",
    "RateLimit",
    "System",
    "Target",
    "WorkerTarget",
    "kind_mistakes",
    "kind_of",
]


OF_ALL_KINDS: Final = ("name", "share_of_nights")
"""The keys that may stand beside each kind of fault and of action."""


class Target(Model):
    """Some or a share of a pool's workers, drawn again for each occurrence."""

    pool: Name = Field(description="The pool whose workers are meant.")
    some: HowMany | None = Field(default=None, description="So many of its workers, or a number that is drawn.")
    share: ShareOrDrawn | None = Field(
        default=None, description="This share of its workers, or one that is drawn, rounded to whole workers."
    )

    def mistakes(self) -> Iterator[Mistake]:
        if self.some is not None and self.share is not None:
            yield ("share",), "`some` and `share` both say how many: keep one"
        yield from out_of_range("some", self.some, 1, 100_000, whole=True)
        yield from out_of_range("share", self.share, 0, 1)


def _form(value: Any) -> str:
    """Name the form; the brackets keep it apart from any key, which the paths of mistakes are made of."""
    if isinstance(value, dict | Target):
        return "(some)"
    return "(names)" if isinstance(value, list | tuple) else "(name)"


WorkerTarget = Annotated[
    Annotated[Name, Tag("(name)")]
    | Annotated[tuple[Name, ...], Field(min_length=1, strict=False), Tag("(names)")]
    | Annotated[Target, Tag("(some)")],
    Discriminator(_form),
    WithJsonSchema({"kind": "worker-target"}),
]
"""A worker, a pool (all of it), several, or some of a pool."""


class Fault(Model):
    """One fault. Exactly one of the fault keys; `at`, or `from` and `until`, or `gaps` for a random process.

    Without `gaps` it begins at `at` (or `from`) and ends at `until`, or `lasts` so long. With `gaps` the window from
    `from` to `until` bounds the time in which it may begin. A poison job needs no time.
    """

    power_off: WorkerTarget | None = Field(
        default=None, description="Workers lose power in mid-run; what they had in memory is gone."
    )
    freeze: WorkerTarget | None = Field(
        default=None, description="Workers stand still, then go on as if no time had passed."
    )
    cut_link: WorkerTarget | None = Field(default=None, description="Workers work on, but no message gets through.")
    slow_down: WorkerTarget | None = Field(default=None, description="Workers work at `to` times their speed.")
    lose_heartbeats: WorkerTarget | None = Field(
        default=None, description="A `share` of their heartbeats is lost (all of them if none is given)."
    )
    lose_results: WorkerTarget | None = Field(
        default=None, description="A `share` of their outcomes never arrives (all of them if none is given)."
    )
    hand_out_twice: Name | None = Field(default=None, description="A queue: its next job is handed out twice.")
    skew_clock: WorkerTarget | None = Field(default=None, description="Workers' clocks differ by `clock`.")
    broker_outage: Literal[True] | None = Field(default=None, description="The broker is down; what it knows survives.")
    missing_tool: WorkerTarget | None = Field(default=None, description="Workers do not have `tool`.")
    withdraw_access: Name | None = Field(default=None, description="A pool or a worker loses its access.")
    system_outage: Name | None = Field(default=None, description="A system is down.")
    brown_out: Name | None = Field(default=None, description="A system whose answers take `factor` times as long.")
    error_burst: Name | None = Field(default=None, description="A system or a routine that fails with `share`.")
    poison_job: Name | None = Field(default=None, description="entry#number: that job fails every time.")
    surge: Name | None = Field(default=None, description="An arrival entry whose rate is `factor` times as high.")
    name: NewName | None = Field(default=None, description="By which paths (`faults.NAME.at`) and draws know it.")
    share_of_nights: Share = Field(
        default=1.0,
        description="It is there in this share of nights, drawn for each night by itself; in all others nothing of it "
        "happens. A larger share keeps the nights of a smaller one.",
    )
    # when
    at: Moment | None = Field(default=None, description="When it begins.")
    late_by: Distribution | None = Field(
        default=None,
        description="Beside `at`: it begins so much later, at one time for all whom it hits. Default: on time.",
    )
    begins: Moment | None = Field(default=None, alias="from", description="When it begins; with gaps: at the earliest.")
    ends: Moment | None = Field(default=None, alias="until", description="When it ends; with gaps: begins no later.")
    gaps: Distribution | None = Field(
        default=None, description="A random process: the times between faults, for each worker on its own."
    )
    gaps_from: Literal["end", "onset"] = Field(
        default="end",
        description="With gaps: counted from the end of the fault before, or from its onset, however long it lasts.",
    )
    lasts: Distribution | None = Field(default=None, description="How long it lasts; none: to the end.")
    back_after: Distribution | None = Field(
        default=None, description="power_off: switched on again after this; none: never."
    )
    # how
    program_absent: bool = Field(default=False, description="power_off: the machine is back, its worker program not.")
    direction: Literal["out", "back", "both"] = Field(
        default="both", description="cut_link: messages to the broker, its answers, or both."
    )
    to: SpeedFactor | None = Field(
        default=None,
        description="slow_down: the speed's factor; or one that is drawn, for each worker and each time it begins.",
    )
    share: ShareOrDrawn | None = Field(
        default=None,
        description="lose_heartbeats, lose_results, error_burst: which share is hit; or one that is drawn, for each "
        "worker and each time it begins.",
    )
    factor: Factor | None = Field(
        default=None,
        description="brown_out, surge: how many times as much; or a number that is drawn each time it begins.",
    )
    how: Literal["same_token", "forgets", "fails", "takes_worker_down"] | None = Field(
        default=None,
        description="hand_out_twice: same_token (default) delivers one lease to two workers, forgets grants a second. "
        "poison_job: fails (default), or takes_worker_down.",
    )
    clock: SkewedClock | None = Field(default=None, description="skew_clock: how far.")
    tool: Name | None = Field(default=None, description="missing_tool: which.")
    access_to: Name | None = Field(default=None, description="withdraw_access: to which system; none: to all.")

    def mistakes(self) -> Iterator[Mistake]:
        kind = kind_of(self, FAULT_KINDS)
        yield from kind_mistakes(self, "fault", FAULT_KEYS)
        if kind is None:
            return
        needed = FAULT_NEEDS.get(kind)
        if needed and getattr(self, needed) is None:
            yield (kind,), f"{kind} needs `{needed}` beside it"
        hows = FAULT_TABLE[kind].hows
        if self.how is not None and hows and self.how not in hows:
            yield ("how",), f"{kind} knows how: {' or '.join(hows)}"
        yield from out_of_range("to", self.to, 0, 1000)
        yield from out_of_range("share", self.share, 0, 1)
        yield from out_of_range("factor", self.factor, 0, 10_000)
        if "at" in FAULT_KEYS[kind]:
            yield from self._wrong_times()

    def _wrong_times(self) -> Iterator[Mistake]:
        if self.at is not None and (self.begins is not None or self.gaps is not None):
            other = "gaps" if self.gaps is not None else "from"
            yield ("at",), f"`at` and `{other}` both say when: keep one"
        elif self.at is None and self.begins is None and self.ends is None and self.gaps is None:
            yield (), "when? give `at` or `from`, or `gaps` for a random process"
        if self.late_by is not None and self.at is None:
            yield ("late_by",), "`late_by` says how much later than `at` it begins: give `at` beside it"
        if self.late_by is not None and self.at is not None and self.ends is not None:
            yield ("until",), "it begins at a drawn time, and may do so after `until`: say how long it `lasts`"
        if self.gaps is None and self.stated("gaps_from"):
            yield ("gaps_from",), "`gaps_from` says what `gaps` are counted from: give `gaps` beside it"
        if self.gaps is None and self.ends is not None:
            for name in ("lasts", "back_after"):
                if getattr(self, name) is not None:
                    yield (name,), f"`until` says when it ends, and so does `{name}`: keep one"
        if self.gaps is not None and self.gaps.always_zero:
            yield ("gaps",), "gaps of 0 never let time pass: give longer ones"
        begins, key = (self.at, "at") if self.at is not None else (self.begins or 0, "from")
        if self.ends is not None and self.ends <= begins:
            yield ("until",), f"the window is empty: `until` must be later than `{key}`"


def kind_of(model: Model, kinds: tuple[str, ...]) -> str | None:
    """Name the one kind that a fault or an action is, or None if it is none or several."""
    found = [kind for kind in kinds if getattr(model, kind) is not None]
    return found[0] if len(found) == 1 else None


def kind_mistakes(model: Model, what: str, keys: "MappingProxyType[str, tuple[str, ...]]") -> Iterator[Mistake]:
    """Tell whether exactly one kind is named, and which keys do not belong to it."""
    found = [kind for kind in keys if getattr(model, kind) is not None]
    if not found:
        article = "an" if what == "action" else "a"
        yield (), f"{article} {what} is one of: {', '.join(keys)}"
    elif len(found) > 1:
        yield (found[1],), f"one {what} at a time: `{found[0]}` stands here already, make two entries"
    else:
        for name, field in type(model).model_fields.items():
            key = field.alias or name
            if name not in OF_ALL_KINDS and name not in keys and model.stated(name) and key not in keys[found[0]]:
                allowed = ", ".join(keys[found[0]])
                yield (key,), f"`{key}` does not belong to {found[0]}; allowed beside it are: {allowed or 'nothing'}"


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


class RateLimit(Model):
    """A token bucket: `allows` calls in each `each`, `burst` at once."""

    allows: int = Field(ge=1, le=10_000_000, description="Calls that are allowed in each `each`, evenly.")
    each: PositiveDuration = Field(description="The time in which `allows` tokens come.")
    burst: int = Field(default=1, ge=1, le=10_000_000, description="Tokens when full; it is full at the start.")
    when_empty: Literal["refuse", "wait"] = Field(
        default="refuse", description="What happens to a call that finds no token."
    )


class Outage(Model):
    """A window in which the system is down."""

    begins: EarlyMoment = Field(alias="from", description="First instant at which it is down.")
    ends: EarlyMoment = Field(
        alias="until", description="First instant at which it is up again; an outage before the night is over."
    )

    def mistakes(self) -> Iterator[Mistake]:
        if self.ends <= self.begins:
            yield ("until",), "the outage ends before it begins: `until` must be later than `from`"


class System(Model):
    """Another system that parts call."""

    slots: int | None = Field(
        default=None, ge=1, le=10_000_000, description="Calls served at once; default: without limit."
    )
    answers_in: Distribution = Field(default=NO_TIME, description="How long it serves a call, without waiting in line.")
    waiting_at_most: Count | None = Field(
        default=None, description="Calls waiting for a slot; more are refused. Default: no limit."
    )
    limit: RateLimit | None = Field(default=None, description="Its rate limit; default: none.")
    error_share: Share = Field(default=0.0, description="This share of its answers are errors.")
    outages: tuple[Outage, ...] = Field(default=(), strict=False, description="When it is down.")
    patience: PositiveDuration | None = Field(
        default=None, description="A caller gives up after this and takes it as an error; default: it waits for ever."
    )
    abandoned_calls: Literal["finish", "drop"] = Field(
        default="finish",
        description="What becomes of a call whose caller gave up: finish serves it all the same; "
        "drop frees its place and slot.",
    )
    retry_after: Duration | None = Field(default=None, description="The hint that comes with each refusal.")
    fenced: Literal["no", "highest_token", "asks_broker"] = Field(
        default="no",
        description="highest_token: refuses tokens below the highest that it has accepted for the same target from the "
        "same exclusive key. Without a key it compares those of the same job and of jobs resubmitted from it. "
        "asks_broker: asks the broker at each write.",
    )


class Grant(Model):
    """One grant of access. A system that no grant names is open to all."""

    who: Name = Field(description="A pool or a worker.")
    to: Name = Field(description="A system, or system/part for one part of it.")
    given: EarlyMoment = Field(default=0, description="When it is given; it may lie before the start.")
    in_force_after: Distribution = Field(default=NO_TIME, description="So long after `given` it takes effect.")
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
