"""Gives the events of a log that are asked for, with their causes, and follows a run that goes on."""

from array import array
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

from emulator.errors import LogError
from emulator.record.events import DETAILS, Row
from emulator.record.log_reader import Log, open_log
from emulator.scenario.spelling import advise

__all__ = ["Wanted", "follow", "known_kinds", "trail"]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked of each event; every condition that is given must hold.

    Attributes:
        job, worker: of this one alone.
        kinds: of one of these kinds.
        from_, until: at ticks in [from_, until).
    """

    job: int | None = None
    worker: str | None = None
    kinds: Collection[str] | None = None
    from_: int | None = None
    until: int | None = None

    def of(self, log: Log, after: int | None = None, up_to: int | None = None) -> Iterator[tuple[int, Row]]:
        """Give (number, row) of the events of a log that are asked for, with numbers in (after, up_to]."""
        return log.numbered(self.job, self.worker, self.kinds, self.from_, self.until, after=after, up_to=up_to)


def known_kinds(kinds: Collection[str]) -> None:
    """Check that there are such kinds of event.

    Raises:
        LogError: when there is none of that name; the message gives the nearest.

    >>> known_kinds(["handed_uot"])
    Traceback (most recent call last):
    ...
    emulator.errors.LogError: there is no event of the kind 'handed_uot': did you mean 'handed_out'?
    """
    for kind in kinds:
        if kind not in DETAILS:
            raise LogError(f"there is no event of the kind {kind!r}: {advise(kind, DETAILS)}")


def trail(log: Log, wanted: Wanted, *, causes: bool = False) -> Iterator[tuple[int, Row]]:
    """Give (number, row) of the events that are asked for, in order; with ``causes`` also of all that led to them.

    Raises:
        LogError: when a kind is unknown or the log is damaged.
    """
    if not causes:
        yield from wanted.of(log)
        return
    last, _ = log.last()  # of a run that goes on, what comes later is left for another look
    chosen = bytearray(last + 1)
    for number, _ in wanted.of(log, up_to=last):
        chosen[number] = 1
    led_from = array("q", [0])
    led_from.extend(row[2] for _, row in log.numbered(up_to=last))
    for number in range(last, 0, -1):  # a cause comes before what it leads to
        if chosen[number]:
            chosen[led_from[number]] = 1
    for number, row in log.numbered(up_to=last):
        if chosen[number]:
            yield number, row


def follow(path: Path, wanted: Wanted, pause: Callable[[], None]) -> Iterator[tuple[int, Row]]:
    """Give (number, row) of the events that are asked for, as another process writes them, until the run is finished.

    Args:
        path: the log.
        wanted: what is asked of each event; with an ``until``, the first event from then on ends it too.
        pause: called whenever all that is there has been given.

    Raises:
        LogError: when a kind is unknown, or the log is damaged or goes away.
    """
    seen = 0
    while True:
        log = open_log(path)  # it says whether the run is finished before the events are read: so none is left out
        last, at = log.last()
        if last > seen:
            yield from wanted.of(log, after=seen or None, up_to=last)  # the first look notices what is missing
            seen = last
        if log.finished or (wanted.until is not None and at >= wanted.until):
            return
        pause()
