"""Writes the stream of events for a terminal, for programs, for a spreadsheet.

No fact is left out. The table keeps within 80 columns by going on below, never by cutting; its clock times are cut to
the second, because the tick stands beside them. What a terminal would take for a command is written as a JSON escape.
A line of JSON is the line of the log's own export, so that the trail of a whole log has its digest.
"""

import csv
import io
import json
import re
from collections.abc import Callable, Iterator
from typing import Any, Final, Literal

from emulator.record.encoding import line
from emulator.record.event_view import view
from emulator.record.events import NO_ALLOWANCE, Row, details_of
from emulator.scenario.clock import Clock
from emulator.show.exports.recorded import cell, local_time
from emulator.show.layout import WIDTH, columns
from emulator.timeline.ticks import say

__all__ = ["TICKS", "Form", "TrailWriter", "escaped"]

Form = Literal["table", "jsonl", "csv"]

TICKS: Final = frozenset({"lease_until", "due", "was_due", "last_heard"})
"""The details that are ticks."""
_SIMPLE: Final = re.compile(r"[^\s\"=\\]+")
_CSV_HEAD: Final = ("event", "time", "at", "kind", "cause", "job", "job_name", "worker", "details")


class TrailWriter:
    """Writes events in one form; ``head`` comes first, ``of`` gives the text of each event.

    Args:
        form: ``table``, ``jsonl`` or ``csv``.
        clock: the scenario's clock.
        name: names a job by its number.
        last: the greatest number of an event and its tick, as far as they are known: how wide columns are.
        terminal: whether a terminal shows it: then JSON is escaped too.
    """

    def __init__(
        self,
        form: Form,
        clock: Clock,
        name: Callable[[int], str],
        last: tuple[int, int] = (0, 0),
        *,
        terminal: bool = False,
    ) -> None:
        self._form, self._clock, self._name, self._terminal = form, clock, name, terminal
        self._wide = max(5, len(str(last[0]))), max(4, len(str(last[1])))
        self._day = ""

    def head(self) -> str:
        """Give what stands above all events."""
        if self._form == "csv":
            return _csv(_CSV_HEAD)
        if self._form == "jsonl":
            return ""
        number, tick = self._wide
        return f"{'event':>{number}}  {'time':<8}  {'tick':>{tick}}  {'cause':>{number}}  what\n"

    def of(self, number: int, row: Row) -> str:
        """Give the text of one event, line ends included."""
        if self._form == "jsonl":
            text = line(number, row).decode()
            return escaped(text[:-1], for_json=True) + "\n" if self._terminal else text
        if self._form == "csv":
            return self._as_csv(number, row)
        return "".join(f"{text}\n" for text in self._as_table(number, row))

    def _as_csv(self, number: int, row: Row) -> str:
        at, kind, cause, job, worker = row[:5]
        details = json.dumps(details_of(row))
        name = self._name(job) if job else ""
        time = local_time(self._clock, at)
        return _csv((number, time, at, kind, cause or "", job or "", cell(name), cell(worker), details))

    def _as_table(self, number: int, row: Row) -> Iterator[str]:
        event = view(number, row)
        local = self._clock.local(event.at)
        day = f"{local.date()}, {self._clock.zone} (UTC{local.isoformat(timespec='microseconds')[26:]})"
        if day != self._day:
            self._day = day
            yield day
        wide, tick = self._wide
        cause = str(event.cause) if event.cause else "-"
        first = f"{number:>{wide}}  {local:%H:%M:%S}  {event.at:>{tick}}  {cause:>{wide}}  "
        yield from _broken(first, list(self._pieces(row)))

    def _pieces(self, row: Row) -> Iterator[str]:
        _, kind, _, job, worker, *_ = row
        yield kind
        if job:
            yield f"job={job}"
            if name := self._name(job):
                yield _pair("name", name)
        if worker:
            yield _pair("worker", worker)
        for name, value in details_of(row).items():
            yield _pair(name, self._shown(name, value))

    def _shown(self, name: str, value: Any) -> Any:
        if name in TICKS and isinstance(value, int):
            return self._clock.local(value).time().isoformat()
        if name == "retries_left" and value == NO_ALLOWANCE:
            return "none"
        return say(value) if name == "took" else value


def escaped(text: str, *, for_json: bool = False) -> str:
    r"""Write as JSON escapes what a terminal would not simply show: control characters, marks that turn the direction.

    >>> print(escaped("dome\x1b[2J"), escaped("a\u202eb"), escaped("a\\b"))
    dome\u001b[2J a\u202eb a\\b
    """
    text = text if for_json else text.replace("\\", "\\\\")
    if text.isprintable():
        return text
    return "".join(one if one.isprintable() else json.dumps(one)[1:-1] if one != "\x7f" else "\\u007f" for one in text)


def _pair(name: str, value: Any) -> str:
    """Write a name and a value, in quotes where they would not be told apart from what follows."""
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    if _SIMPLE.fullmatch(text) is None:
        text = '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return f"{name}={escaped(text, for_json=True)}"


def _broken(first: str, pieces: list[str]) -> Iterator[str]:
    """Break pieces into lines behind a first column; a piece that is longer than a line is broken behind a space.

    Only a word that is longer than a line is broken where it must, so that every other one is found by a search.
    """
    indent = " " * len(first)
    now, empty = first, True
    for piece in pieces:
        if not empty and columns(now) + 1 + columns(piece) > WIDTH:
            yield now
            now, empty = indent, True
        now, empty = now + ("" if empty else " ") + piece, False
        while columns(now) > WIDTH:
            most = len(now)
            while columns(now[:most]) > WIDTH:
                most -= 1
            space = now.rfind(" ", len(indent), most)
            most = most if space < 0 else space + 1
            yield now[:most]
            now = indent + now[most:]
    yield now


def _csv(row: tuple[Any, ...]) -> str:
    file = io.StringIO()
    csv.writer(file).writerow(row)
    return file.getvalue()
