"""Turns what a reader asks of a log, by names of jobs and times on the clock, into numbers and ticks.

The law: what cannot be there is refused, with what is meant instead; nobody is given nothing for a slip of the pen.
"""

import re
from collections.abc import Collection
from typing import Final

from emulator.errors import InputError
from emulator.record.finding import Jobs, find_worker
from emulator.record.log_reader import Log
from emulator.record.logged_scenario import loaded_of
from emulator.record.trail import Wanted, known_kinds
from emulator.scenario.arguments import TEXT, WHOLE, Kind, may_be, texts
from emulator.scenario.clock import Clock
from emulator.scenario.load import Loaded
from emulator.timeline.ticks import say

__all__ = ["wanted_of"]

_SHOWN: Final = re.compile(r"(?:\d{4}-\d\d-\d\d[Tt ])?(\d\d:\d\d)(?::\d\d(?:\.\d+)?)?")
"""A time on the clock; one with an offset of its own names an instant, which is always there."""

_JOB: Final = Kind("a job: its number, or its entry and number, such as 'plates#3'", lambda given: _either(given))
_MOMENT: Final = Kind("a moment such as '21:40' or '+2h30m', or a tick", lambda given: _either(given))


def wanted_of(
    log: Log,
    *,
    job: int | str | None = None,
    worker: str | None = None,
    kinds: Collection[str] | None = None,
    from_: int | str | None = None,
    until: int | str | None = None,
    jobs: Jobs | None = None,
    loaded: Loaded | None = None,
    names: tuple[str, str] = ("from_", "until"),
) -> Wanted:
    """Say by numbers and ticks what somebody asks for in words.

    Args:
        log: the log; its run may go on.
        job: its number (0: of no job), or ``entry#number``.
        worker: its name.
        kinds: of these kinds alone.
        from_, until: ticks, or moments as in a scenario file (``"21:40"``, ``"+2h30m"``, a full timestamp).
        jobs, loaded: the names of its jobs and its scenario, where they are known already.
        names: what messages call ``from_`` and ``until``.

    Raises:
        LogError: when the log cannot be read, or there is no such job, worker or kind.
        InputError: when an argument is of another kind, or a moment is none or lies where the night is not.
        ScenarioError: for a moment, when this version of the program does not take the log's scenario any more.
    """
    may_be(_JOB, job=job)
    may_be(TEXT, worker=worker)
    may_be(_MOMENT, from_=from_, until=until)
    if kinds is not None:
        known_kinds(kinds := texts("kinds", kinds))
    if isinstance(from_, str) or isinstance(until, str):
        scenario = loaded or loaded_of(log)
        from_, until = _between(scenario.clock, scenario.scenario.lasts, from_, until, names)
    return Wanted(
        job=0 if job == 0 else None if job is None else (jobs or Jobs(log.path)).find(str(job)),
        worker=None if worker is None else find_worker(log.path, log.workers(), worker),
        kinds=kinds,
        from_=from_,
        until=until,
    )


def _either(given: object) -> bool:
    return WHOLE.fits(given) or TEXT.fits(given)


def _between(
    clock: Clock, ends: int, from_: int | str | None, until: int | str | None, names: tuple[str, str]
) -> tuple[int | None, int | None]:
    """Read two moments, and see whether something of the night lies between them."""
    first = _moment(clock, from_, names[0]) if isinstance(from_, str) else from_
    end = _moment(clock, until, names[1]) if isinstance(until, str) else until
    if first is not None and first > ends:
        raise InputError(f"{names[0]} {from_}: the night is over by then: it lasts {say(ends)}, {_span(clock, ends)}")
    if end is not None and end <= 0:
        raise InputError(f"{names[1]} {until}: the night has not begun by then: {_span(clock, ends)}")
    if first is not None and end is not None and end <= first:
        raise InputError(f"{names[1]} {until}: comes before {names[0]} {from_}, or with it: nothing lies between them")
    return first, end


def _moment(clock: Clock, text: str, option: str) -> int:
    try:
        tick = clock.moment(text)
        local = clock.local(tick)
    except ValueError as wrong:
        raise InputError(f"{option}: {wrong}") from None
    asked = _SHOWN.fullmatch(text)
    if asked is not None and f"{local:%H:%M}" != asked[1]:
        raise InputError(
            f"{option} {text}: the clock in {clock.zone} is put forward then and never shows it: "
            f"did you mean {local:%H:%M}?"
        )
    return tick


def _span(clock: Clock, ends: int) -> str:
    return f"from {clock.local(0):%Y-%m-%d %H:%M} to {clock.local(ends):%Y-%m-%d %H:%M}"
