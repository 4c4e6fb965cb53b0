"""Which events of a log does somebody ask for, in their own words?"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from emulator.record.asking import wanted_of
from emulator.record.events import Row
from emulator.record.finding import Jobs
from emulator.record.log_reader import Log, open_log
from emulator.record.logged_scenario import loaded_of
from emulator.record.trail import Wanted, follow, known_kinds, trail
from emulator.scenario.clock import Clock
from emulator.scenario.load import AnyFolders

__all__ = ["Trail", "trail_of"]


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
    allow_folders: AnyFolders = (),
) -> Trail:
    """Find the events of a log that somebody asks for.

    Args:
        path: the log; its run may go on.
        job: its number, or ``entry#number``.
        worker: its name.
        kinds: of these kinds alone.
        allow_folders: folders below which the files of its scenario may lie too.
        from_, until: moments as in a scenario file (``"21:40"``, ``"+2h30m"``, a full timestamp); until is left out.

    Raises:
        LogError: when the log cannot be read or was changed since, or there is no such job, worker or kind.
        InputError: when a moment is none, or lies where the night is not.
    """
    known_kinds(kinds)
    log = open_log(path, allow_folders=allow_folders)
    log.check()
    loaded = loaded_of(log)
    jobs = Jobs(log.path)
    wanted = wanted_of(
        log,
        job=job,
        worker=worker,
        kinds=tuple(kinds) or None,
        from_=from_,
        until=until,
        jobs=jobs,
        loaded=loaded,
        names=("--from", "--until"),
    )
    return Trail(log, loaded.clock, jobs, wanted, loaded.scenario.lasts)
