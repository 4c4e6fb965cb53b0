"""Reads the log of a finished, running or killed run.

A log is opened anew for every question and closed after it: a ``Log`` is a plain value, and one that is still being
written shows each time what has been committed by then.
"""

from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from os import PathLike
from pathlib import Path
from typing import Any, Final

from emulator.errors import InputError, LogError
from emulator.record.encoding import Record, decode, decode_all, lines_of
from emulator.record.events import DETAILS, Event, Row, read
from emulator.record.meta import RunMeta, fact, whole_number
from emulator.record.sqlite_log import (
    Trace,
    read_facts,
    select,
    select_extent,
    select_jobs,
    select_last,
    select_workers,
)
from emulator.scenario.files import folders_of
from emulator.scenario.load import AnyFolders
from emulator.scenario.spelling import advise
from emulator.timeline.ticks import DAY

__all__ = ["JobState", "Log", "fitting", "open_log"]

_BATCH: Final = 1_000
"""So many events are decoded at once."""

_LATEST: Final = 36_525 * DAY
"""No scenario lasts longer."""

_CHANGED: Final = "the file was changed or damaged since: take a copy that was made before"


@dataclass(frozen=True, slots=True)
class JobState:
    """The last known state of a job.

    Attributes:
        job: its number.
        state: the state.
        sub_state: for a failed one, how; else "".
        since: the tick since when.
        event: the number of the event that tells it.
    """

    job: int
    state: str
    sub_state: str
    since: int
    event: int


@dataclass(frozen=True, slots=True)
class Log:
    """A log that can be read; made by ``open_log``.

    Attributes:
        path: the file.
        meta: what the run was made of.
        allow_folders: folders below which the files of its scenario may lie, beside the scenario's own.
        event_count, digest: the number of events of a finished run and the digest of its export; None when the run
            did not finish.
    """

    path: Path
    meta: RunMeta
    event_count: int | None
    digest: str | None
    trace: Trace = None
    allow_folders: tuple[Path, ...] = ()

    @property
    def finished(self) -> bool:
        """Whether the run came to its end; a killed run's log holds what was committed before."""
        return self.digest is not None

    @property
    def seed(self) -> int:
        """The seed of the run."""
        return self.meta.seed

    @property
    def scenario_text(self) -> str:
        """The scenario file as the run read it, whole."""
        return self.meta.scenario_text

    def in_words(self) -> str:
        """Say in a sentence whether the log is whole."""
        if self.finished:
            return f"{self.path}: a finished run of {self.event_count:,} events"
        return f"{self.path}: the run was not finished: what it did after the last event in the log is not known"

    def numbered(
        self,
        job: int | None = None,
        worker: str | None = None,
        kinds: Collection[str] | None = None,
        from_: int | None = None,
        until: int | None = None,
        *,
        after: int | None = None,
        up_to: int | None = None,
        workers: Collection[str] | None = None,
    ) -> Iterator[tuple[int, Row]]:
        """Give (number, row) of the events that satisfy every condition given, in order.

        Args:
            job: of this job alone.
            worker: of this worker alone.
            kinds: of these kinds alone.
            from_, until: at ticks in [from_, until) alone.
            after, up_to: with numbers in (after, up_to] alone.
            workers: of some workers alone.

        Without ``after`` events that are missing are noticed, those too that do not satisfy the conditions.

        Raises:
            LogError: when a kind is unknown, an event is missing, or the log is damaged otherwise.
        """
        for kind in kinds or ():
            if kind not in DETAILS:
                raise LogError(f"there is no event of the kind {kind!r}: {advise(kind, DETAILS)}")
        picked = any(condition is not None for condition in (job, worker, kinds, from_, until, workers))
        if picked and after is None:
            self._check_extent()
        comes = (after or 0) + 1
        records = select(
            self.path,
            job=job,
            worker=worker,
            kinds=kinds,
            from_=from_,
            until=until,
            after=after,
            up_to=up_to,
            trace=self.trace,
        )
        if workers is not None:
            records = (record for record in records if record[5] in workers)
        while batch := tuple(islice(records, _BATCH)):
            if not picked and batch[-1][0] >= comes + len(batch):
                raise self._missing(next(n for n, record in enumerate(batch, comes) if n != record[0]))
            comes += len(batch)
            all_details: Iterable[Iterable[Any]]
            try:
                all_details = decode_all(batch)
            except ValueError:
                all_details = self._one_by_one(batch)  # the one that is at fault says so
            for (number, at, kind, cause, whose, where, _), details in zip(batch, all_details, strict=True):
                self._check_cause(number, cause)
                yield number, (at, kind, cause, whose, where, *details)
        if not picked and after is None and up_to is None:
            self._check_end(comes - 1)

    def _check_cause(self, number: int, cause: int) -> None:
        if not (type(cause) is int and 0 <= cause < number):
            raise LogError(
                f"{self.path}: event {number} is damaged: event {cause}, which it names as its cause, does not "
                "come before it"
            )

    def _check_extent(self) -> None:
        """Refuse a log in which an event is missing, for who reads only some of them."""
        follow, last = select_extent(self.path, self.trace)
        if follow != last:
            raise self._missing(follow + 1)
        self._check_end(last)

    def _check_end(self, last: int) -> None:
        if self.event_count is not None and last < self.event_count:
            raise self._missing(last + 1)

    def _missing(self, number: int) -> LogError:
        return LogError(
            f"{self.path}: event {number} is missing: the file was changed or damaged after the run had written it: "
            f"take a copy that was made before, or run its night anew ({self.meta.scenario_name}, seed {self.seed})"
        )

    def _one_by_one(self, records: Iterable[Record]) -> Iterator[Iterable[Any]]:
        for record in records:
            try:
                yield decode(record[2], record[6])
            except ValueError as error:
                raise LogError(f"{self.path}: event {record[0]} is damaged: {error}") from error

    def heads(self, kinds: Collection[str], *, up_to: int) -> Iterator[tuple[int, Row]]:
        """Give (number, row) of the events of known kinds, up to a number, without their details: quick."""
        for record in select(self.path, kinds=kinds, up_to=up_to, trace=self.trace):
            yield record[0], record[1:6]

    def rows(
        self,
        job: int | str | None = None,
        worker: str | None = None,
        kinds: Collection[str] | None = None,
        from_: int | str | None = None,
        until: int | str | None = None,
    ) -> Iterator[Row]:
        """Give the events as they were written, in order; ``events`` gives them as objects, by the same arguments."""
        return (row for _, row in self._asked(job, worker, kinds, from_, until))

    def events(
        self,
        job: int | str | None = None,
        worker: str | None = None,
        kinds: Collection[str] | None = None,
        from_: int | str | None = None,
        until: int | str | None = None,
    ) -> Iterator[Event]:
        """Give the events that satisfy every condition given, in order.

        Args:
            job: of this job alone: its number (0: of no job), or its entry and number, such as ``plates#3``.
            worker: of this worker alone.
            kinds: of these kinds alone.
            from_, until: in [from_, until) alone: ticks, or moments as in a scenario file (``"21:40"``, ``"+2h30m"``,
                a full timestamp).

        Raises:
            LogError: when there is no such job, worker or kind (the message gives the nearest), an event is missing, or
                the log is damaged otherwise.
            InputError: when a moment is none, or lies where the night is not.
        """
        return self._events(self._asked(job, worker, kinds, from_, until))

    def _events(self, numbered: Iterable[tuple[int, Row]]) -> Iterator[Event]:
        for number, row in numbered:
            yield from read([row], number)

    def _asked(
        self,
        job: int | str | None,
        worker: str | None,
        kinds: Collection[str] | None,
        from_: int | str | None,
        until: int | str | None,
    ) -> Iterator[tuple[int, Row]]:
        """Give what is asked for in words; where nothing is asked, nothing but the events is read."""
        if (job, worker, kinds, from_, until) == (None,) * 5:
            return self.numbered()
        from emulator.record.asking import wanted_of  # it finds jobs and workers by reading a log

        return wanted_of(self, job=job, worker=worker, kinds=kinds, from_=from_, until=until).of(self)

    def last(self) -> tuple[int, int]:
        """Give the number and the tick of the last event; (0, -1) when there is none yet."""
        return select_last(self.path, self.trace)

    def workers(self) -> list[str]:
        """Give the name of each worker that an event names, in alphabetical order.

        Raises:
            LogError: when an event is missing.
        """
        self._check_extent()
        return select_workers(self.path, self.trace)

    def jobs(self) -> list[JobState]:
        """Give the last known state of each job, by number.

        Raises:
            LogError: when an event is missing.
        """
        self._check_extent()
        return [JobState(*found) for found in select_jobs(self.path, self.trace)]

    def verify(self) -> None:
        """Check that the events are those that a finished run wrote.

        Raises:
            LogError: when the run was not finished, or the events have been changed since.
        """
        if not self.finished:
            raise LogError(self.in_words())
        self.check()

    def check(self) -> None:
        """Check the events of a finished run by their digest, those of another one as far as one can.

        In every log no event is missing before the last one, time does not run back nor more than 100 years ahead, and
        jobs are numbered as they come. Of a log that breaks off no more is known.

        Raises:
            LogError: when they cannot be those that the run wrote.
        """
        import hashlib  # it loads a library of ciphers

        records = select(self.path, trace=self.trace)
        sha, comes, before = hashlib.sha256(), 1, 0
        disorder: LogError | None = None
        while batch := tuple(islice(records, _BATCH)):
            for number, record in enumerate(batch, comes):
                if record[0] != number:
                    raise self._missing(number)
                self._check_cause(number, record[3])
            comes += len(batch)
            try:
                sha.update(lines_of(batch))
            except ValueError as error:
                raise LogError(f"{self.path}: one of its events is damaged: {error}: {_CHANGED}") from error
            try:
                before = self._check_order(batch, before)
            except LogError as error:
                disorder = disorder or error  # that events were changed says more, and is only known at the end
        self._check_end(comes - 1)
        if self.finished and sha.hexdigest() != self.digest:
            raise LogError(f"{self.path}: the events are not those that the run wrote: the file was changed since")
        if disorder is not None:
            raise disorder

    def _check_order(self, records: Iterable[Record], before: int) -> int:
        """Refuse times that run back or lie too far ahead, and jobs that cannot be there yet; give the last time."""
        for number, at, _, _, job, _, _ in records:
            if not (before <= at <= _LATEST and 0 <= job <= number):
                raise LogError(
                    f"{self.path}: event {number} is damaged: it is of job {job} at {at} us, after one at {before} us: "
                    f"{_CHANGED}"
                )
            before = at
        return before


@contextmanager
def fitting(path: str | Path) -> Iterator[None]:
    """Turn what goes wrong because the events of a log do not fit one another, or its scenario, into a LogError.

    Whoever reads a log cannot know whether its events make sense: the digest tells only of a finished run that they are
    those that it wrote, and everything can be forged.
    """
    try:
        yield
    except (InputError, OSError):
        raise
    except Exception as wrong:
        said = " ".join(str(wrong).split())[:200] or "no more is known"
        raise LogError(
            f"{path}: its events do not fit one another or its scenario ({type(wrong).__name__}: {said}): the file was "
            "changed or damaged; take a copy that was made before, and if there is none of another kind, report this"
        ) from wrong


def open_log(path: str | Path, *, allow_folders: AnyFolders = (), trace: Trace = None) -> Log:
    """Open the log of a run, finished or not.

    Args:
        path: the file.
        allow_folders: folders below which the files of its scenario may lie too.
        trace: told every SQL statement.

    Raises:
        LogError: when there is no such file, or it is no event log, damaged, or of another format; or for what is no
            path.

    >>> import emulator
    >>> emulator.open_log("no-such.qdlog")
    Traceback (most recent call last):
    ...
    emulator.errors.LogError: no-such.qdlog: there is no such file
    """
    if not isinstance(path, str | PathLike):
        raise LogError(f"path: found a value of type {type(path).__name__}: give the path of a log")
    facts = read_facts(Path(path), trace)
    try:
        finished = "finished" in facts
        return Log(
            Path(path),
            RunMeta.from_facts(facts),
            whole_number(facts, "events") if finished else None,
            fact(facts, "digest") if finished else None,
            trace,
            folders_of(allow_folders),
        )
    except ValueError as error:
        raise LogError(
            f"{path}: what it says about its run is damaged: {error}: take a copy that was made before"
        ) from error
