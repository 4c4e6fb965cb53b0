"""Runs a recorded run again and compares its events with those of the log."""

from collections.abc import Generator, Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Final

from emulator.errors import LogError
from emulator.experiment.night import Heartbeats, Progress, run_night
from emulator.record.events import Row
from emulator.record.export import Difference, difference
from emulator.record.log_reader import Log, fitting, open_log
from emulator.record.logged_scenario import scenario_of
from emulator.record.meta import RunMeta, content_hash
from emulator.scenario.load import AnyFolders, Loaded

__all__ = [
    "Reproduction",
    "reproduce",
]


_AT_ONCE: Final = 2_000
_VERSIONS: Final = (
    ("queuedrill", "program_version"),
    ("zone data", "zone_data_version"),
    ("Python", "python_version"),
)


@dataclass(frozen=True, slots=True)
class Reproduction:
    """What came of running a recorded run once more.

    Attributes:
        log: the log.
        about: what the new run was made of.
        compared: how many events the log holds.
        difference: the first event at which the two part; None when they are identical.
    """

    log: Log
    about: RunMeta
    compared: int
    difference: Difference | None

    @property
    def identical(self) -> bool:
        """Whether every event of the log came again, and no other."""
        return self.difference is None

    def in_words(self) -> list[str]:
        """Say it in sentences: the verdict, then what the two runs were made with where that differs."""
        events = f"{self.compared:,} event{'' if self.compared == 1 else 's'}"
        if self.difference is not None:
            lines = [f"The run is not reproduced: {self.difference.in_words('the log', 'the new run')}."]
        elif self.log.finished:
            lines = [f"The run is reproduced: {events}, all identical."]
        else:
            lines = [
                f"The run is reproduced as far as the log goes: {events}, all identical.",
                "The recorded run was not finished: what it did after that is not known.",
            ]
        for name, attribute in _VERSIONS:
            then, now = getattr(self.log.meta, attribute), getattr(self.about, attribute)
            if then != now:
                lines.append(f"The log was made with {name} {then}, the new run with {name} {now}.")
        return lines


def reproduce(path: str | Path, *, allow_folders: AnyFolders = (), progress: Progress | None = None) -> Reproduction:
    """Run the scenario and seed of a log once more and compare the events, without keeping them.

    Files that the scenario refers to are looked for beside the scenario: the log says where that is from its own place.

    Args:
        path: the log.
        allow_folders: folders below which those files may lie too.
        progress: told the share of the night that is over.

    Raises:
        LogError: when the log cannot be read, was changed since, or a file that its run read is another one now.
        ScenarioError: when this version of the program does not take the scenario any more.
    """
    log = open_log(path, allow_folders=allow_folders)
    log.check()
    meta = log.meta
    loaded = scenario_of(log)
    _check_files(log, loaded)
    heartbeats: Heartbeats = "simulated" if meta.heartbeats == "simulated" else "computed"
    recorded: Generator[Row, None, None] = (row for row in log.rows())
    with closing(recorded):
        comparing = _Comparing(log.path, recorded, whole=log.finished)
        result = run_night(
            loaded,
            seed=meta.seed,
            variant=meta.variant,
            heartbeats=heartbeats,
            also_to=comparing,
            progress=progress,
        )
        return Reproduction(log, result.about, *comparing.close())


def _check_files(log: Log, loaded: Loaded) -> None:
    for name, then in log.meta.files.items():
        if wrong := loaded.folders.check(name):
            raise LogError(f"{log.path}: a file that the recorded run read cannot be read: {wrong}")
        try:
            now = content_hash(loaded.folder / name)
        except OSError as error:
            raise LogError(
                f"{log.path}: the recorded run read {name}, and {loaded.folder / name} cannot be read: {error.strerror}"
            ) from None
        if now != then:
            raise LogError(
                f"{log.path}: the recorded run read another {name}: the file {loaded.folder / name} was changed since, "
                "put the old one in its place to compare"
            )


class _Comparing:
    """A sink that holds each event against the recorded one, many at a time."""

    def __init__(self, path: Path, recorded: Iterator[Row], *, whole: bool) -> None:
        self._path = path
        self._recorded = recorded
        self._whole = whole  # whether the recorded run came to its end
        self._rows: list[Row] = []
        self._number = 0
        self._compared = 0
        self._read = 0
        self._over = False
        self._found: Difference | None = None

    def emit(self, row: Row) -> int:
        self._number = number = self._number + 1
        if not self._over:
            self._rows.append(row)
            if len(self._rows) >= _AT_ONCE:
                self._compare()
        return number

    def close(self) -> tuple[int, Difference | None]:
        """Give how many recorded events there are, and where the two part."""
        if not self._over:
            self._compare()
        left = next(self._recorded, None)
        if left is not None:
            self._read += 1
            if self._found is None:
                self._found = Difference(self._read, left, None)
            self._read += sum(1 for _ in self._recorded)
        return self._read, self._found

    def _compare(self) -> None:
        recorded = list(islice(self._recorded, len(self._rows)))
        self._read += len(recorded)
        rows = self._rows
        if len(recorded) < len(rows) and not self._whole:
            rows = rows[: len(recorded)]
            self._over = True  # a killed run's log ends before its run
        with fitting(self._path):
            found = difference(recorded, rows)
        if found is not None:
            self._found = replace(found, number=found.number + self._compared)
            self._over = True
        self._compared += len(rows)
        self._rows.clear()
