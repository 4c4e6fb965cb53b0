"""Which events of a log does somebody ask for, in their own words?"""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from emulator.errors import InputError
from emulator.experiment.logged_scenario import loaded_of
from emulator.record.events import Row
from emulator.record.finding import Jobs, find_worker
from emulator.record.log_reader import Log, open_log
from emulator.record.trail import Wanted, follow, known_kinds, trail
from emulator.scenario.clock import Clock
from emulator.timeline.ticks import say

__all__ = ["Trail", "trail_of"]

_SHOWN: Final = re.compile(r"(?:\d{4}-\d\d-\d\d[Tt ])?(\d\d:\d\d)(?::\d\d(?:\.\d+)?)?")
"""A time on the clock; one with an offset of its own names an instant, which is always there."""


@dataclass(frozen=True, slots=True)
class Trail:
    """The events that were asked for, and what is needed to write them; made by ``trail_of``.

    Attributes:
        log: the log.
        clock: the scenario's clock.
        jobs: names its jobs.
        wanted: what is asked of each event.
        ends: the tick at which the scenario ends.
    """

    log: Log
    clock: Clock
    jobs: Jobs
    wanted: Wanted
    ends: int

    def events(self, *, causes: bool = False) -> Iterator[tuple[int, Row]]:
        """Give (number, row) of each event that is there, in order; with ``causes`` also of all that led to it."""
        return trail(self.log, self.wanted, causes=causes)

    def followed(self, pause: Callable[[], None]) -> Iterator[tuple[int, Row]]:
        """Give (number, row) of each event as it is written, until the run is finished; ``pause`` waits for more."""
        return follow(self.log.path, self.wanted, pause)


def trail_of(
    path: str | Path,
    *,
    job: str | None = None,
    worker: str | None = None,
    kinds: Sequence[str] = (),
    from_: str | None = None,
    until: str | None = None,
) -> Trail:
    """Find the events of a log that somebody asks for.

    Args:
        path: the log; its run may go on.
        job: its number, or ``entry#number``.
        worker: its name.
        kinds: of these kinds alone.
        from_, until: moments as in a scenario file (``"21:40"``, ``"+2h30m"``, a full timestamp); until is left out.

    Raises:
        LogError: when the log cannot be read, or there is no such job, worker or kind.
        InputError: when a moment is none, or lies where the night is not.
    """
    known_kinds(kinds)
    log = open_log(path)
    loaded = loaded_of(log)
    jobs = Jobs(log.path)
    ends = loaded.scenario.lasts
    first = None if from_ is None else _moment(loaded.clock, from_, "--from")
    end = None if until is None else _moment(loaded.clock, until, "--until")
    if first is not None and first > ends:
        raise InputError(
            f"--from {from_}: the night is over by then: it lasts {say(ends)}, {_span(loaded.clock, ends)}"
        )
    if end is not None and end <= 0:
        raise InputError(f"--until {until}: the night has not begun by then: {_span(loaded.clock, ends)}")
    if first is not None and end is not None and end <= first:
        raise InputError(f"--until {until}: comes before --from {from_}, or with it: nothing lies between them")
    wanted = Wanted(
        job=None if job is None else jobs.find(job),
        worker=None if worker is None else find_worker(log, worker),
        kinds=tuple(kinds) or None,
        from_=first,
        until=end,
    )
    return Trail(log, loaded.clock, jobs, wanted, ends)


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
