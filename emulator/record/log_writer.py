"""Writes the events of a run to its log, without costing the run any virtual time.

``emit`` only keeps the row and counts it. Each time a batch is full, a short task of the event loop writes it through
aiosqlite's thread; on a virtual-time loop it does so under a clock stop, so that the night stands still meanwhile.
(The clock stop is also what makes it quick: a world that runs on while SQLite's thread works makes that thread wait
for the interpreter's lock at every single row.) In memory are never more rows than one batch and what a single
instant of the run adds to it.
"""

import asyncio
import contextvars
import hashlib
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Final

from emulator.errors import DefectError, QueuedrillError
from emulator.record.encoding import encode
from emulator.record.events import Emit, Row, Sink, apart, emitter
from emulator.record.meta import RunMeta
from emulator.record.sqlite_log import LogFile, Trace, Turn, create
from emulator.timeline.stops import clock_stop

__all__ = ["BATCH", "SqliteRecorder"]

BATCH: Final = 4_000
"""Events in a transaction: from some 500 on the cost of an event stays the same."""


class SqliteRecorder:
    """Writes the events of a run to a SQLite log; a ``Sink``.

    Made by ``create`` inside a running event loop, and used as an async context manager. What has been emitted is in
    the file when the block is left; only ``finish`` notes that the run came to its end.

    Attributes:
        path: the log.
        failure: why the last batch could not be written, or None. Its rows are kept, and tried again by ``flush``,
            ``finish`` and ``close``; ``on_failure`` was told, so that the run can be ended.

    >>> import asyncio, tempfile
    >>> from emulator.record.log_reader import open_log
    >>> async def run(path):
    ...     about = RunMeta(seed=1, scenario_text="title: Quiet", scenario_name="quiet.yaml")
    ...     async with await SqliteRecorder.create(path, about) as recorder:
    ...         recorder.emit((0, "broker_down", 0, 0, ""))
    ...         await recorder.finish()
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     asyncio.run(run(folder + "/quiet.qdlog"))
    ...     list(open_log(folder + "/quiet.qdlog").rows())
    [(0, 'broker_down', 0, 0, '')]
    """

    def __init__(
        self,
        path: Path,
        file: LogFile,
        turn: Turn,
        batch: int = BATCH,
        on_failure: Callable[[QueuedrillError], object] | None = None,
    ) -> None:
        self.path = path
        self.failure: QueuedrillError | None = None
        self._file = file
        self._turn = turn
        self._batch = batch
        self._on_failure = on_failure
        self._loop = asyncio.get_running_loop()
        self._context = contextvars.copy_context()  # emit is called from inside workers that may be powered off
        self._lock = asyncio.Lock()
        self._task: asyncio.Task[None] | None = None
        self._rows: list[Row] = []  # events emitted and not yet committed
        self._fresh: list[Row] = []  # rows after those, compound ones too
        self._written = 0
        self._full_at = batch  # the number at which the next batch is full
        self._sha = hashlib.sha256()
        self._in_doubt = False  # a batch was begun, and whether it was committed is not known
        self._ended = ""  # how emit says that it is too late
        self._closed = False

    @classmethod
    async def create(
        cls,
        path: str | Path,
        about: RunMeta,
        *,
        overwrite: bool = False,
        batch: int = BATCH,
        patience: float = 5.0,
        on_failure: Callable[[QueuedrillError], object] | None = None,
        trace: Trace = None,
    ) -> "SqliteRecorder":
        """Make a new log and open it.

        Args:
            overwrite: take the place of an earlier log of that name (never of another file).
            batch: events in each transaction.
            patience: real seconds to wait when another program locks the file.
            on_failure: called once with the error when a batch cannot be written; it should end the run.
            trace: told every SQL statement.

        Raises:
            LogError: when the path is taken, another run is writing this log, or the file cannot be made.
        """
        turn = Turn.take(Path(path))
        try:
            create(Path(path), about.to_facts(), overwrite=overwrite, trace=trace)
            async with clock_stop("the event log"):
                file = await LogFile.open(Path(path), patience=patience, trace=trace)
        except BaseException:
            turn.give_back()
            raise
        return cls(Path(path), file, turn, batch, on_failure)

    def emit(self, row: Row) -> int:
        """Take one row and give its number; neither waits nor fails while the recorder is open.

        Raises:
            DefectError: after ``finish`` or ``close``, when the row would be lost.
        """
        rows = self._rows
        rows.append(row)
        number = self._written + len(rows)
        if number >= self._full_at:
            self._batch_is_full()
        return number

    def beside(self, other: Sink) -> Sink:
        """Give a sink that writes each event to another sink first and then to this log; both must be empty yet.

        It does what ``Both`` does, in one call fewer for each event: the other's number is this one's too.
        """
        return _Beside(emitter(other), self._fresh.append, self)

    @property
    def pending(self) -> int:
        """The number of events that are in memory alone."""
        self._take_fresh()
        return len(self._rows)

    async def flush(self) -> None:
        """Write everything that has been emitted.

        Raises:
            LogError: when it cannot be written; it says which events are in the file and which are not.
            DefectError: when what was emitted is no event.
        """
        async with self._lock, clock_stop("the event log"):
            try:
                await self._write()
            except QueuedrillError as error:  # a LogError, or the DefectError of a row that is none
                self.failure = type(error)(f"{error}; {self._losses()}")
                raise self.failure from error
        self.failure = None

    async def finish(self) -> None:
        """Write everything and note that the run came to its end, with the number and the digest of its events.

        Raises:
            LogError: when it cannot be written.
        """
        await self.flush()
        self._ended = "was finished"
        self._full_at = 0
        async with self._lock, clock_stop("the event log"):
            self._in_doubt = True
            await self._file.finish({"finished": "yes", "events": str(self._written), "digest": self._sha.hexdigest()})
            self._in_doubt = False

    async def close(self) -> None:
        """Write what is left and close the file; a second call does nothing.

        Raises:
            LogError: when events are lost; it says which.
        """
        if self._closed:
            return
        self._closed, self._full_at = True, 0
        self._ended = self._ended or "was closed"
        try:
            await self.flush()
        finally:
            try:
                if self._task is not None:  # it may have waited for that, and use the file now
                    await asyncio.wait([self._task])
                async with clock_stop("the event log"):
                    await self._file.close()
            finally:
                self._turn.give_back()

    async def __aenter__(self) -> "SqliteRecorder":
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            await self.close()
        except QueuedrillError as lost:
            if error is None:
                raise
            error.add_note(str(lost))  # what went wrong first stays in front

    def _batch_is_full(self) -> None:
        if self._ended:
            raise DefectError(
                f"{self.path}: an event came after the log {self._ended}: {(self._fresh or self._rows).pop()!r}"
            )
        self._full_at += self._batch
        if (self._task is None or self._task.done()) and not self._loop.is_closed():
            self._task = self._loop.create_task(self._flush_quietly(), name="event log", context=self._context)

    async def _flush_quietly(self) -> None:
        told = self.failure is not None
        try:
            await self.flush()
        except QueuedrillError as error:
            if self._on_failure is not None and not told:
                self._on_failure(error)

    async def _write(self) -> None:
        if self._in_doubt:
            committed = await self._file.settle() - self._written
            self._retire(committed, encode(self._rows[:committed], self._written + 1)[1])
            self._in_doubt = False
        while batch := self._next_batch():
            columns, lines = encode(batch, self._written + 1)
            self._in_doubt = True
            await self._file.append(columns)
            self._in_doubt = False
            self._retire(len(batch), lines)

    def _next_batch(self) -> list[Row]:
        self._take_fresh()
        return self._rows[: self._batch]

    def _take_fresh(self) -> None:
        """Take up the rows that have come beside another sink's, event by event."""
        self._rows += apart(self._fresh, self._written + len(self._rows) + 1)
        self._fresh.clear()

    def _retire(self, count: int, lines: bytes) -> None:
        """Let go of rows that are in the file for good."""
        self._sha.update(lines)
        del self._rows[:count]
        self._written += count

    def _losses(self) -> str:
        self._take_fresh()
        kept = f"events 1 to {self._written:,} are kept in the file" if self._written else "the file holds no event"
        lost = self._written + 1
        return f"{kept}, events {lost:,} to {self._written + len(self._rows):,} are not" if self._rows else kept


class _Beside:
    """A sink that a recorder shares with another one."""

    __slots__ = ("emit",)

    takes_compound: Final = True

    def __init__(self, other: Emit, keep: Callable[[Row], None], recorder: SqliteRecorder) -> None:
        def emit(row: Row, events: int = 1, /) -> int:
            number = other(row, events)
            keep(row)
            if number >= recorder._full_at:
                recorder._batch_is_full()
            return number

        self.emit: Final = emit
