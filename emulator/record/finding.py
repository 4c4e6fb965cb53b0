"""Finds the job or worker of a log that a name means, and names the jobs of a log.

A job is called ``entry#number``, as people do; one that was resubmitted is called after the job that it goes back to,
with its own number behind it. A log that is still being written is asked again for what was not there yet.
"""

from collections.abc import Collection, Iterable
from pathlib import Path

from emulator.errors import LogError
from emulator.record.event_view import name_of, view
from emulator.record.events import Row
from emulator.record.log_reader import open_log
from emulator.scenario.spelling import advise

__all__ = ["Jobs", "find_worker"]


class Jobs:
    """The names of the jobs of a log, read as they are asked for.

    Args:
        path: the log.
        submitted: its submissions, if they have been read already: then it is not read again.

    Raises:
        LogError: by every method, when the log cannot be read.
    """

    def __init__(self, path: Path, submitted: Iterable[Row] | None = None) -> None:
        self._path = path
        self._names: dict[int, str] = {}
        self._read_to = 0
        self._given = submitted is not None
        for row in submitted or ():
            self._take(row)

    def name(self, job: int) -> str:
        """Name a job: ``entry#number``, with ``(resubmitted as job n)`` behind it if it was; "" if it is not known."""
        if job and job not in self._names:
            self._read()
        return self._names.get(job, "")

    def find(self, asked: str) -> int:
        """Give the number of the job that is meant by its number or by ``entry#number``.

        Raises:
            LogError: when there is no such job; the message says which there are.
        """
        self._read()
        if asked.isascii() and asked.isdecimal():
            if int(asked) in self._names:
                return int(asked)
            raise LogError(f"{self._path}: there is no job {asked}: {self._range()}")
        for job, name in self._names.items():
            if name == asked:
                return job
        raise LogError(f"{self._path}: there is no job {asked!r}: {self._instead(asked)}")

    def _instead(self, asked: str) -> str:
        entry, sign, place = asked.rpartition("#")
        if not sign:
            return f'write its number, or its arrival entry and its number in it, such as "nightly#3"; {self._range()}'
        entries: dict[str, int] = {}
        for name in self._names.values():
            if name.endswith(")"):
                continue
            known, _, ordinal = name.rpartition("#")
            entries[known] = max(entries.get(known, 0), int(ordinal))
        if entry in entries and not (place.isascii() and place.isdecimal() and int(place)):
            return f"write the number of the job in its arrival entry, from {entry}#1 to {entry}#{entries[entry]}"
        if entry in entries:
            return f"the last job of {entry} in this night is {entry}#{entries[entry]}"
        return f"no job came from an entry {entry!r}: {advise(entry, entries)}"

    def _range(self) -> str:
        if not self._names:
            return "no job has been submitted"
        return f"the jobs of this night are {min(self._names)} to {max(self._names)}"

    def _read(self) -> None:
        if self._given:
            return
        log = open_log(self._path)
        last, _ = log.last()
        for _, row in log.numbered(kinds=("submitted",), after=self._read_to, up_to=last):
            self._take(row)
        self._read_to = last

    def _take(self, row: Row) -> None:
        came = view(0, row)
        self._names[came.job] = name_of(came)


def find_worker(path: Path, known: Collection[str], asked: str) -> str:
    """Give the worker that is meant, of those that events name.

    Raises:
        LogError: when no event names it; the message gives the nearest name.
    """
    if asked not in known:
        raise LogError(f"{path}: no event names a worker {asked!r}: {advise(asked, known)}")
    return asked
