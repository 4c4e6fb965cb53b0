"""The keyword arguments of an emulator, as types: a checker then finds a name or a kind of value that is wrong."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Literal, TypedDict

from emulator.broker.rules import RetryPolicy
from emulator.measure.invariants import Never
from emulator.testing.client import Program
from emulator.testing.crashing import CrashPoint
from emulator.testing.handlers import Handler
from emulator.testing.settings import CallBurst, Lasting

__all__ = ["EmulatorOptions", "Settings"]

Named = Mapping[str, Mapping[str, Any]]
Listed = Sequence[Mapping[str, Any]]


class Settings(TypedDict, total=False):
    """The keys of a scenario file, for annotations; what is below each of them is checked when the emulator is made."""

    title: str
    about: str
    starts: str
    zone: str
    lasts: str
    heartbeats: Literal["computed", "simulated"]
    meant_to_miss: bool
    broker: Mapping[str, Any]
    queues: Named
    pools: Named
    systems: Named
    access: Listed
    credentials: Listed
    routines: Named
    arrivals: Listed
    faults: Listed
    actions: Listed
    must_hold: Listed
    also_true: Listed
    prefer: Sequence[str]
    variants: Named
    combine: Mapping[str, Sequence[Any]]
    baseline: str | None
    brief: Mapping[str, Any]
    questions: Listed
    based_on: str
    varies: Named
    growth: Listed


class EmulatorOptions(Settings, total=False):
    """Keyword arguments of ``Emulator`` in a dictionary, which a type checker looks into.

    It also has the keys of a scenario file (``pools``, ``queues`` and so on).

    Attributes:
        handlers, programs, by_hand, retry, seed, never, grace, interleave, crash_at, outside: as ``Emulator`` takes
            them.

    >>> from emulator import Emulator, EmulatorOptions
    >>> async def copy(work):
    ...     await work.spend("10m")
    >>> TWO_DOMES: EmulatorOptions = {"pools": {"dome": {"count": 2}}, "handlers": {"copy": copy}}
    >>> Emulator(**TWO_DOMES).scenario.pools["dome"].count
    2
    """

    handlers: Mapping[str, Handler] | None
    programs: Mapping[str, Program] | None
    by_hand: Iterable[str]
    retry: Mapping[str, RetryPolicy] | None
    seed: int | None
    never: Iterable[Never | CallBurst]
    grace: Lasting
    interleave: int | None
    crash_at: CrashPoint | None
    outside: Iterable[str]
