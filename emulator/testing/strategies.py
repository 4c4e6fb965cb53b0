"""Hypothesis strategies that draw schedules of faults and crash points for a scenario; what they find shrinks well.

A schedule is a list of entries as they stand under ``faults`` in a scenario file: it can be pasted there, or given to
``emu.schedule``. Fewer faults are simpler, earlier ones are, and shorter ones, and those that come first in ``KINDS``.
"""

from collections.abc import Collection, Iterable, Mapping
from typing import Any, Final

from emulator.errors import InputError
from emulator.scenario.arguments import WHOLE, must_be, texts
from emulator.scenario.fault_kinds import DRAWN_KINDS, FAULT_TABLE
from emulator.scenario.load import AnyScenario, loaded_from
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.spelling import advise
from emulator.testing.crashing import CrashPoint
from emulator.testing.settings import Lasting, loaded_for, ticks_of
from emulator.timeline.ticks import MINUTE, SECOND, say

try:
    from hypothesis import strategies as st
except ImportError:  # then `from emulator import *` works all the same, and whoever asks for schedules is told
    st = None  # type: ignore[assignment]  # a module, or nothing

__all__ = ["KINDS", "crash_points", "fault_schedules"]

KINDS: Final = DRAWN_KINDS

_WORKERS: Final = 12
"""Workers of a pool that are aimed at: more of the same make no new kind of night."""

Entry = dict[str, Any]
"""A fault as it stands in a scenario file: ``{"freeze": "dome-1", "at": "+5m", "lasts": "10m"}``."""


def fault_schedules(
    scenario: AnyScenario,
    *,
    at_most: int = 3,
    at_least: int = 0,
    kinds: Collection[str] | None = None,
    near: Iterable[Lasting] = (),
    handlers: Iterable[str] = (),
) -> "st.SearchStrategy[list[Entry]]":
    """Draw schedules of faults that a scenario's workers, systems and queues could meet: a hypothesis strategy.

    A schedule is a list of entries as under ``faults`` in a scenario file: give it to ``emu.schedule``. It shrinks to
    fewer faults, earlier ones and shorter ones.

    Args:
        scenario: a file's path, its settings as a mapping, or what ``load`` gave.
        at_most: faults in a schedule, 1 or more.
        at_least: faults in a schedule, 0 or more.
        kinds: which kinds of fault; by default all that the scenario has a target for.
        near: moments, counted from the start, at which faults begin more often than at others, or just after them:
            such as those of events, ``[event.seconds for event in emu.recorded()]``.
        handlers: routines that have handlers, or the handlers by routine: settings are then filled in as for
            ``Emulator``.

    Raises:
        InputError: for a kind that is not known, when none of those asked for has a target, or when hypothesis is not
            installed.

    >>> import emulator
    >>> from hypothesis import find
    >>> night = emulator.from_settings({
    ...     "title": "Copies", "starts": "2026-06-12T21:30:00", "lasts": "2h", "queues": {"night": {}},
    ...     "pools": {"dome": {"count": 2, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
    ...     "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}]}},
    ...     "arrivals": [{"routine": "copy", "at": "21:30"}],
    ... })
    >>> find(emulator.fault_schedules(night), lambda faults: len(faults) >= 1)
    [{'power_off': 'dome-1', 'at': '+0s'}]
    """
    if st is None:
        raise InputError(
            "fault_schedules needs hypothesis: python -m pip install '.[search]' in the folder of queuedrill"
        )
    routines = tuple(texts("handlers", handlers))
    model = (loaded_for(scenario, {}, routines) if routines else loaded_from(scenario)).scenario
    at = _moments(model, sorted({ticks_of(moment) for moment in near}))
    must_be(WHOLE, at_most=at_most, at_least=at_least)
    wanted = KINDS if kinds is None else tuple(texts("kinds", kinds))
    if not wanted:
        raise InputError("kinds: none is named: name at least one, or leave it out for all")
    for kind in wanted:
        if kind not in KINDS:
            raise InputError(f"{kind!r} is not drawn: {advise(kind, KINDS)}")
    drawn = [entries for kind in KINDS if kind in wanted and (entries := _of_kind(kind, model, at)) is not None]
    if not drawn:
        raise InputError(f"the scenario has no target for {' or '.join(wanted)}")
    if not 0 <= at_least <= at_most or at_most < 1:
        raise InputError(f"at_least={at_least}, at_most={at_most}: give 0 <= at_least <= at_most, and at_most above 0")
    return st.lists(st.one_of(drawn), min_size=at_least, max_size=at_most)


def crash_points(
    job: str, *, fault: str | Collection[str] = "power_off", lasts: Lasting = "10m", limit: int = 200
) -> "st.SearchStrategy[CrashPoint]":
    """Draw one fault at one point of a job: a hypothesis strategy. Give it to ``Emulator(..., crash_at=point)``.

    It shrinks to earlier points. Beyond a job's last point nothing happens.

    Args:
        job: the job's name, ``entry#number``.
        fault: ``power_off``, ``freeze``, ``cut_link``, or several of them.
        lasts: how long the fault lasts at most.
        limit: the last point that is drawn, 1 or more.

    Raises:
        InputError: for an argument out of range, or when hypothesis is not installed.

    >>> import emulator
    >>> from hypothesis import find
    >>> find(emulator.crash_points("copy#1"), lambda point: point.number > 2)
    CrashPoint(job='copy#1', fault='power_off', number=3, lasts='10m')
    """
    if st is None:
        raise InputError("crash_points needs hypothesis: python -m pip install '.[search]' in the folder of queuedrill")
    must_be(WHOLE, limit=limit)
    if limit < 1:
        raise InputError(f"limit={limit}: give the last point that is drawn, from 1")
    faults = [fault] if isinstance(fault, str) else texts("fault", fault)
    if not faults:
        raise InputError("fault: none is named: give power_off, freeze, cut_link, or several")
    for each in faults:
        CrashPoint(job, each, 0, lasts)
    return st.builds(CrashPoint, st.just(job), st.sampled_from(faults), st.integers(1, limit), st.just(lasts))


def _of_kind(kind: str, scenario: Scenario, at: "st.SearchStrategy[str]") -> "st.SearchStrategy[Entry] | None":
    """Draw entries of one kind; None if the scenario has no target for it."""
    row = FAULT_TABLE[kind]
    targets = _targets(row.of, scenario)
    more = {key: _one_of(values) for key, values in row.values.items()}
    optional = {key: _one_of(values) for key, values in row.at_times.items()}
    if row.needs == "tool":
        tools = sorted(
            {wanted.partition(">")[0] for routine in scenario.routines.values() for wanted in routine.requires}
        )
        if not tools:
            return None
        more["tool"] = st.sampled_from(tools)
    if not targets:
        return None
    if row.lasting:
        (more if row.is_ending else optional)[row.lasting] = _lasting(scenario)
    return st.fixed_dictionaries({kind: st.sampled_from(targets), "at": at, **more}, optional=optional)


def _targets(of: str, scenario: Scenario) -> list[Any]:
    """List what a scenario has for a fault to be aimed at."""
    if of == "workers":
        return [worker for name, pool in scenario.pools.items() for worker in pool.names(name)[:_WORKERS]]
    systems = list(scenario.systems)
    targets = {"system": systems, "system_or_routine": [*systems, *scenario.routines], "queue": list(scenario.queues)}
    return targets.get(of, [True])


def _one_of(values: Any) -> "st.SearchStrategy[Any]":
    """Draw one of some values, or a mapping with one of some for each key."""
    if isinstance(values, Mapping):
        return st.fixed_dictionaries({key: _one_of(of) for key, of in values.items()})
    return st.booleans() if values == (False, True) else st.sampled_from(values)


def _moments(scenario: Scenario, near: list[int]) -> "st.SearchStrategy[str]":
    """Draw when a fault begins: whole minutes before others, the early ones before the late.

    Half of them are near some moments: at one, when a fault comes before most else, a tick after it, or a second.
    """
    last = max(0, scenario.lasts - 1)
    minutes = st.integers(0, last // MINUTE).map(lambda many: f"+{say(many * MINUTE)}")
    seconds = st.integers(0, last // SECOND).map(lambda many: f"+{say(many * SECOND)}")
    if not (close := [moment for moment in near if moment < last]):
        return st.one_of(minutes, seconds)
    after = st.tuples(st.sampled_from(close), st.sampled_from((0, 1, SECOND))).map(sum)
    beside = after.map(lambda tick: f"+{say(min(tick, last))}")
    return st.one_of(minutes, beside, seconds, beside)


def _lasting(scenario: Scenario) -> "st.SearchStrategy[str]":
    """Draw how long a fault lasts: a minute at least, the whole run at most."""
    longest = max(1, scenario.lasts // MINUTE)
    return st.integers(1, longest).map(lambda many: say(many * MINUTE))
