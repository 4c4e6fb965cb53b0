"""The registry of faults: one row for each kind, which says all of it but what it does to the world.

The model of a fault, the checks of names, the methods of an emulator, what is drawn for a hunt, sentences and reports
take what they know of a kind from its row. What it does is a row of ``emulator.world.fault_effects``.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final, Literal

from emulator.records import record

__all__ = [
    "DRAWN_KINDS",
    "FAULT_KEYS",
    "FAULT_KINDS",
    "FAULT_NEEDS",
    "FAULT_TABLE",
    "MOMENTARY_KINDS",
    "WORKER_KINDS",
    "FaultKind",
    "Of",
]

_TIMES: Final = ("at", "late_by", "from", "until", "gaps", "gaps_from", "lasts")

Of = Literal["workers", "broker", "queue", "system", "system_or_routine", "worker_or_pool", "job", "entry"]
"""What a fault is aimed at."""

_NOTHING: Final[Mapping[str, Any]] = MappingProxyType({})


@record
class FaultKind:
    """All that is said of one kind of fault.

    Attributes:
        of: what it is aimed at.
        about: what the reference of the scenario file says of it.
        says: what happens, to {who}; in brackets the verb for one and for several.
        keys: the keys that may stand beside it; needs: the one that must, "" for none.
        hows: the values of ``how``, where it knows any.
        is_momentary: it has no length.
        noun: what a report calls it that says what was not looked at, "" if that looks at it by itself.
        rank: where it stands among those that are drawn for a hunt, the simplest first; 0: it is not drawn.
        lasting: the key that says how long a drawn one lasts; is_ending: each of them has one, else some last on.
        values: what the keys of a drawn one may be; at_times: the same of those that only some have.
    """

    of: Of
    about: str
    says: str
    keys: tuple[str, ...] = _TIMES
    needs: str = ""
    hows: tuple[str, ...] = ()
    is_momentary: bool = False
    noun: str = ""
    rank: int = 0
    lasting: str = "lasts"
    is_ending: bool = False
    values: Mapping[str, Any] = _NOTHING
    at_times: Mapping[str, Any] = _NOTHING


FAULT_TABLE: Final[Mapping[str, FaultKind]] = MappingProxyType(
    {
        "power_off": FaultKind(
            of="workers",
            about="Workers lose power in mid-run; what they had in memory is gone.",
            says="{who} [loses|lose] power",
            keys=("at", "late_by", "from", "until", "gaps", "gaps_from", "back_after", "program_absent"),
            noun="loss of power",
            rank=1,
            lasting="back_after",
        ),
        "freeze": FaultKind(
            of="workers",
            about="Workers stand still, then go on as if no time had passed.",
            says="{who} [freezes|freeze]",
            noun="standing still",
            rank=2,
            is_ending=True,
        ),
        "cut_link": FaultKind(
            of="workers",
            about="Workers work on, but no message gets through.",
            says="the link to {who} is cut",
            keys=(*_TIMES, "direction"),
            noun="a cut link",
            rank=3,
            is_ending=True,
            at_times={"direction": ("out", "back")},
        ),
        "slow_down": FaultKind(
            of="workers",
            about="Workers work at `to` times their speed.",
            says="{who} [works|work] at another speed",
            keys=(*_TIMES, "to"),
            needs="to",
            noun="slow work",
            rank=10,
            values={"to": (0.5, 0.1)},
        ),
        "lose_heartbeats": FaultKind(
            of="workers",
            about="A `share` of their heartbeats is lost (all of them if none is given).",
            says="heartbeats of {who} are lost",
            keys=(*_TIMES, "share"),
            noun="lost heartbeats",
            rank=5,
            values={"share": (1.0, 0.5)},
        ),
        "lose_results": FaultKind(
            of="workers",
            about="A `share` of their outcomes never arrives (all of them if none is given).",
            says="outcomes of {who} are lost",
            keys=(*_TIMES, "share"),
            noun="lost outcomes",
            rank=4,
            values={"share": (1.0, 0.5)},
        ),
        "hand_out_twice": FaultKind(
            of="queue",
            about="A queue: its next job is handed out twice.",
            says="a job of the queue {who} is handed out twice",
            keys=("at", "late_by", "gaps", "gaps_from", "from", "until", "how"),
            hows=("same_token", "forgets"),
            is_momentary=True,
            rank=11,
            lasting="",
        ),
        "skew_clock": FaultKind(
            of="workers",
            about="Workers' clocks differ by `clock`.",
            says="the clock of {who} is wrong",
            keys=(*_TIMES, "clock"),
            needs="clock",
            noun="wrong clocks",
            rank=13,
            values={"clock": {"offset": ("1m", "10m"), "behind": (False, True), "drift_ppm": (0, 100_000)}},
        ),
        "broker_outage": FaultKind(
            of="broker",
            about="The broker is down; what it knows survives.",
            says="the broker answers nothing",
            rank=6,
            is_ending=True,
        ),
        "missing_tool": FaultKind(
            of="workers",
            about="Workers do not have `tool`.",
            says="{who} [lacks|lack] a tool",
            keys=(*_TIMES, "tool"),
            needs="tool",
            rank=12,
        ),
        "withdraw_access": FaultKind(
            of="worker_or_pool",
            about="A pool or a worker loses its access.",
            says="{who} [loses|lose] access",
            keys=(*_TIMES, "access_to"),
        ),
        "system_outage": FaultKind(
            of="system",
            about="A system is down.",
            says="{who} answers nothing",
            noun="outages",
            rank=7,
            is_ending=True,
        ),
        "brown_out": FaultKind(
            of="system",
            about="A system whose answers take `factor` times as long.",
            says="{who} answers slowly",
            keys=(*_TIMES, "factor"),
            needs="factor",
            noun="slow answers",
            rank=8,
            values={"factor": (2.0, 10.0, 100.0)},
        ),
        "error_burst": FaultKind(
            of="system_or_routine",
            about="A system or a routine that fails with `share`.",
            says="{who} fails calls",
            keys=(*_TIMES, "share"),
            needs="share",
            noun="errors",
            rank=9,
            values={"share": (1.0, 0.5)},
        ),
        "poison_job": FaultKind(
            of="job",
            about="entry#number: that job fails every time.",
            says="{who} fails every time",
            keys=("how",),
            hows=("fails", "takes_worker_down"),
            is_momentary=True,
        ),
        "surge": FaultKind(
            of="entry",
            about="An arrival entry whose rate is `factor` times as high.",
            says="more jobs come from {who}",
            keys=(*_TIMES, "factor"),
            needs="factor",
        ),
    }
)
"""Every kind of fault, in the order of the reference."""

FAULT_KINDS: Final = tuple(FAULT_TABLE)

FAULT_KEYS: Final = MappingProxyType({name: kind.keys for name, kind in FAULT_TABLE.items()})
"""For each kind of fault, the keys that may stand beside it."""

FAULT_NEEDS: Final = MappingProxyType({name: kind.needs for name, kind in FAULT_TABLE.items() if kind.needs})
"""For each kind of fault, the key that must stand beside it."""

WORKER_KINDS: Final = tuple(name for name, kind in FAULT_TABLE.items() if kind.of == "workers")
"""The kinds of faults that are aimed at workers; all others have one target with a name."""

MOMENTARY_KINDS: Final = frozenset(name for name, kind in FAULT_TABLE.items() if kind.is_momentary)
"""The kinds that have no length: they are never in force."""

DRAWN_KINDS: Final = tuple(
    sorted((name for name, kind in FAULT_TABLE.items() if kind.rank), key=lambda name: FAULT_TABLE[name].rank)
)
"""The kinds of fault that are drawn for a hunt, simplest first."""
