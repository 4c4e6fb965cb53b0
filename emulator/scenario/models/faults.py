"""What goes wrong in the world?"""

from collections.abc import Iterator
from types import MappingProxyType
from typing import Annotated, Any, Final, Literal

from pydantic import Discriminator, Field, Tag, WithJsonSchema

from emulator.scenario.models.distribution import Distribution
from emulator.scenario.models.numbers import Factor, HowMany, ShareOrDrawn, SpeedFactor, out_of_range
from emulator.scenario.models.pools import SkewedClock
from emulator.scenario.values import Mistake, Model, Moment, Name, NewName, Share

__all__ = [
    "FAULT_KEYS",
    "FAULT_KINDS",
    "FAULT_NEEDS",
    "OF_ALL_KINDS",
    "WORKER_KINDS",
    "Fault",
    "Target",
    "WorkerTarget",
    "kind_mistakes",
    "kind_of",
]

_TIMES: Final = ("at", "late_by", "from", "until", "gaps", "gaps_from", "lasts")

FAULT_KEYS: Final = MappingProxyType(
    {
        "power_off": ("at", "late_by", "from", "until", "gaps", "gaps_from", "back_after", "program_absent"),
        "freeze": _TIMES,
        "cut_link": (*_TIMES, "direction"),
        "slow_down": (*_TIMES, "to"),
        "lose_heartbeats": (*_TIMES, "share"),
        "lose_results": (*_TIMES, "share"),
        "hand_out_twice": ("at", "late_by", "gaps", "gaps_from", "from", "until", "how"),
        "skew_clock": (*_TIMES, "clock"),
        "broker_outage": _TIMES,
        "missing_tool": (*_TIMES, "tool"),
        "withdraw_access": (*_TIMES, "access_to"),
        "system_outage": _TIMES,
        "brown_out": (*_TIMES, "factor"),
        "error_burst": (*_TIMES, "share"),
        "poison_job": ("how",),
        "surge": (*_TIMES, "factor"),
    }
)
"""For each kind of fault, the keys that may stand beside it."""

FAULT_KINDS: Final = tuple(FAULT_KEYS)

WORKER_KINDS: Final = (
    *("power_off", "freeze", "cut_link", "slow_down", "lose_heartbeats", "lose_results", "skew_clock"),
    "missing_tool",
)
"""The kinds of faults that are aimed at workers; all others have one target with a name."""

FAULT_NEEDS: Final = MappingProxyType(
    {
        "slow_down": "to",
        "skew_clock": "clock",
        "missing_tool": "tool",
        "brown_out": "factor",
        "error_burst": "share",
        "surge": "factor",
    }
)
"""For each kind of fault, the key that must stand beside it."""

OF_ALL_KINDS: Final = ("name", "share_of_nights")
"""The keys that may stand beside each kind of fault and of action."""

_HOWS: Final = MappingProxyType(
    {"hand_out_twice": ("same_token", "forgets"), "poison_job": ("fails", "takes_worker_down")}
)


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
        if self.how is not None and kind in _HOWS and self.how not in _HOWS[kind]:
            yield ("how",), f"{kind} knows how: {' or '.join(_HOWS[kind])}"
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
