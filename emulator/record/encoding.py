"""Writes events as text, quickly and always with the same bytes, and reads their details back.

One event is one JSON object on one line (RFC 8259, UTF-8, no blanks, keys in the order of ``events.to_json_object``,
one line feed after each: JSON Lines). Hundreds of thousands are written a second, so a batch is written as a whole and
by columns, with as little as possible done for each row by itself: first the details of all events of one kind (a
detail that is the same in all of them is part of their template), then all lines, each time with one long template that
is filled in at once. What is text is escaped before, so that no line feed but our own is in between, and the long text
can be taken apart at them. The templates are bytes, since Python walks through one of text character by character. The
tests hold the result equal to ``json.dumps`` of the dict.
"""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import repeat
from json.encoder import encode_basestring as _quoted
from operator import countOf, itemgetter
from typing import Any, Final

from emulator.errors import DefectError
from emulator.record.events import DETAILS, WITH_VALUES, Row

__all__ = ["Columns", "Record", "decode", "decode_all", "encode", "interleaved", "line", "lines_of"]

Record = tuple[int, int, str, int, int, str, str]
"""(number, at, kind, cause, job, worker, details as a JSON object): one row of the SQLite log."""

Columns = tuple[Sequence[int], Sequence[int], Sequence[str], Sequence[int], Sequence[int], Sequence[str], Sequence[str]]
"""Many records, by columns: all numbers, all ticks, and so on."""

_NO_JOB, _NO_WORKER = b"%.0a", b"%.0b"  # take a value and write nothing


def _head(kind: str, job: bool, worker: bool) -> bytes:
    """Give the line of a kind of event up to its details; it takes a job and a worker even where it leaves them out."""
    job_and_worker = (b',"job":%d' if job else _NO_JOB) + (b',"worker":%b' if worker else _NO_WORKER)
    comma = b"," if DETAILS[kind] else b""
    return b'{"n":%%d,"at":%%d,"kind":"%b","cause":%%d%b%b%%b\n' % (kind.encode(), job_and_worker, comma)


_HEADS: Final = {
    (kind, job, worker): _head(kind, job, worker)
    for kind in DETAILS
    for job in (False, True)
    for worker in (False, True)
}

_AT_A_TIME: Final = 100
_BOOLEANS: Final = {False: b"false", True: b"true"}
_json = json.JSONEncoder(ensure_ascii=False, allow_nan=False, check_circular=False, separators=(",", ":")).encode


def encode(rows: Sequence[Row], first: int) -> tuple[Columns, bytes]:
    r"""Give the records of a batch of rows for SQLite, and its lines for the export, numbered from ``first``.

    Half a surrogate pair, which UTF-8 has no bytes for, becomes a JSON escape.

    Raises:
        DefectError: when a row is not what ``events.DETAILS`` says; the message names it.

    >>> columns, lines = encode([(5, "queue_held", 3, 0, "", "night")], 7)
    >>> list(zip(*columns))
    [(7, 5, 'queue_held', 3, 0, '', '{"queue":"night"}')]
    >>> lines
    b'{"n":7,"at":5,"kind":"queue_held","cause":3,"queue":"night"}\n'
    """
    if not rows:
        return ((),) * 7, b""
    try:
        return _encode(rows, first)
    except (TypeError, ValueError, LookupError) as error:
        if len(rows) != 1:
            for number, row in enumerate(rows, first):
                encode((row,), number)  # the one that is at fault says so
        raise DefectError(f"event {first} cannot be written: {rows[0]!r} is no row of a known kind: {error}") from error


def interleaved(columns: Sequence[Iterable[Any]], count: int) -> list[Any]:
    """Give the values of columns of that length row by row, in one list.

    Raises:
        ValueError: when a column has another length.

    >>> interleaved(["abc", [1, 2, 3]], 3)
    ['a', 1, 'b', 2, 'c', 3]
    """
    values = [None] * (count * len(columns))
    for place, column in enumerate(columns):
        values[place :: len(columns)] = column
    return values


def lines_of(records: Sequence[Record]) -> bytes:
    r"""Give the lines of the export of records as they stand in the log: what ``encode`` gave when they were written.

    Their details are not read, so it is quick; lines that were changed are other lines.

    Raises:
        ValueError: when one of them is no record of a known kind.

    >>> lines_of([(7, 5, "queue_held", 3, 0, "", '{"queue":"night"}')])
    b'{"n":7,"at":5,"kind":"queue_held","cause":3,"queue":"night"}\n'
    """
    if not records:
        return b""
    numbers, ats, kinds, causes, jobs, workers, bodies = zip(*records, strict=True)
    for column in (numbers, ats, causes, jobs):
        if set(map(type, column)) != {int}:
            raise ValueError(f"{next(value for value in column if type(value) is not int)!r} is no whole number")
    try:
        heads = [_HEADS[key] for key in zip(kinds, map(bool, jobs), map(bool, workers), strict=True)]
        details = [body[1:].encode() for body in bodies]
        filled_in = interleaved((numbers, ats, causes, jobs, _texts(workers), details), len(records))
        return b"".join(heads) % tuple(filled_in)
    except (AttributeError, LookupError, TypeError) as error:
        raise ValueError(f"it is no event of a known kind: {error!r}") from None


def line(number: int, row: Row) -> bytes:
    r"""Write one event as its line of the export, line feed included.

    >>> line(7, (5, "queue_held", 3, 0, "", "night"))
    b'{"n":7,"at":5,"kind":"queue_held","cause":3,"queue":"night"}\n'
    """
    return encode((row,), number)[1]


def decode(kind: str, body: str) -> tuple[Any, ...]:
    """Give back the details of a row from its JSON object.

    Raises:
        ValueError: when the text is not the details of that kind.

    >>> decode("handed_out", '{"attempt":1,"token":5,"lease_until":90,"incarnation":1}')
    (1, 5, 90, 1)
    """
    details = json.loads(body)
    if kind not in DETAILS or not isinstance(details, dict) or not _are_names(kind, tuple(details)):
        raise ValueError(f"{body} is not what an event of the kind {kind!r} carries")
    return tuple(details.values())


def decode_all(records: Sequence[Record]) -> list[Iterable[Any]]:
    """Give back the details of many records at once, in some half of the time.

    Raises:
        ValueError: when one of them is not the details of its kind; ``decode`` says which.

    >>> [list(details) for details in decode_all([(7, 5, "queue_held", 3, 0, "", '{"queue":"night"}')])]
    [['night']]
    """
    found = json.loads(f"[{','.join([record[6] for record in records])}]")
    for record, details in zip(records, found, strict=True):
        if not isinstance(details, dict) or not _are_names(record[2], tuple(details)):
            raise ValueError(f"{record[6]} is not what an event of the kind {record[2]!r} carries")
    return [details.values() for details in found]


def _are_names(kind: str, names: tuple[str, ...]) -> bool:
    """Say whether a kind of event has details of these names."""
    return kind in DETAILS and names in (DETAILS[kind], WITH_VALUES.get(kind))


def _encode(rows: Sequence[Row], first: int) -> tuple[Columns, bytes]:
    ats, kinds, causes, jobs, workers = _columns(rows, 5, strict=False)
    groups: dict[str, list[Row]] = {kind: [] for kind in set(kinds)}
    for row in rows:
        groups[row[1]].append(row)
    details_of: dict[str, Iterator[bytes]] = {}
    head_of: dict[str, bytes] = {}
    alike = True
    for kind, group in groups.items():
        of_jobs, of_workers, details_of[kind] = _group(kind, group)
        job, worker = any(of_jobs), any(of_workers)
        head_of[kind] = _HEADS[kind, job, worker]
        alike = alike and job == all(of_jobs) and worker == all(of_workers)
    heads: Iterable[bytes] = _for_each(kinds, head_of)
    if not alike:
        heads = [_HEADS[key] for key in zip(kinds, map(bool, jobs), map(bool, workers), strict=True)]
    numbers, details = range(first, first + len(rows)), list(map(next, _for_each(kinds, details_of)))
    filled_in = interleaved((numbers, ats, causes, jobs, _texts(workers), details), len(rows))
    lines = b"".join(heads) % tuple(filled_in)
    bodies = (b"{" + b"\n{".join(details)).decode().split("\n")
    return (numbers, ats, kinds, causes, jobs, workers, bodies), lines


def _group(kind: str, group: Sequence[Row]) -> tuple[Sequence[int], Sequence[str], Iterator[bytes]]:
    """Give the jobs, the workers and the details of the rows of one kind."""
    names = DETAILS[kind]
    plain = 5 + len(names)
    if kind in WITH_VALUES and max(map(len, group)) > plain:
        without, having = [row for row in group if len(row) == plain], [row for row in group if len(row) != plain]
        _, _, _, _, _, *columns = _columns(having, plain + 1, strict=True)
        long = _details(WITH_VALUES[kind], columns, len(having))
        short = _group(kind, without)[2] if without else long
        return (
            [row[3] for row in group],
            [row[4] for row in group],
            (next(short if len(row) == plain else long) for row in group),
        )
    _, _, _, of_jobs, of_workers, *columns = _columns(group, plain, strict=True)
    return of_jobs, of_workers, _details(names, columns, len(group))


def _columns(rows: Sequence[Row], wanted: int, *, strict: bool) -> list[list[Any]]:
    """Turn the first fields of rows, or all of them, into columns.

    Only some rows at a time: each takes an iterator meanwhile, and thousands of those would have the garbage collector
    look at everything again and again.
    """
    columns: list[list[Any]] = [[] for _ in range(wanted)]
    for start in range(0, len(rows), _AT_A_TIME):
        fields = zip(*rows[start : start + _AT_A_TIME], strict=strict)
        for column, values in zip(columns, fields, strict=strict):
            column += values
    return columns


def _for_each(keys: Sequence[str], values: Mapping[str, Any]) -> Sequence[Any]:
    """Look up many keys, in half the time that a loop takes."""
    return itemgetter(*keys)(values) if len(keys) > 1 else [values[keys[0]]]


def _details(names: Sequence[str], columns: Sequence[Sequence[Any]], count: int) -> Iterator[bytes]:
    """Give the details of each row of one kind, with the brace that closes them and without the one that opens them."""
    pieces, varying = [], []
    for name, values in zip(names, columns, strict=True):
        form, texts = _column(values)
        pieces.append(b'"%b":%b' % (name.encode(), form))
        if texts is not None:
            varying.append(texts)
    template = b",".join(pieces) + b"}"
    if not varying:
        return repeat(template % ())
    return iter(((template + b"\n") * count % tuple(interleaved(varying, count))).split(b"\n"))


def _column(values: Sequence[Any]) -> tuple[bytes, Iterable[Any] | None]:
    """Give how a detail is written: one text for all, or a form with something to fill in for each."""
    one, count = values[0], len(values)
    same = values[-1] == one and values.count(one) == count
    if same and type(one) is str:
        return _text(one).replace(b"%", b"%%"), None
    if type(one) is int and countOf(map(type, values), int) == count:  # 1, 1.0 and True are equal, not written alike
        return (b"%d" % one, None) if same else (b"%d", values)
    types = set(map(type, values))
    if types == {str}:
        return b"%b", _texts(values)
    if types == {bool}:
        return b"%b", map(_BOOLEANS.__getitem__, values)
    for value in values:
        if not isinstance(value, str | int | float | dict | None):
            raise TypeError(f"{value!r} is no plain value")
    return b"%b", [_utf8(_json(value)) for value in values]


def _texts(values: Sequence[str]) -> Sequence[bytes]:
    return _for_each(values, {value: _text(value) for value in set(values)})


def _text(value: str) -> bytes:
    return _utf8(_quoted(value))


def _utf8(text: str) -> bytes:
    return text.encode("utf-8", "backslashreplace")
