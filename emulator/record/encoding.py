"""How is an event written down as text, quickly and always with the same bytes?

One event is one JSON object on one line (RFC 8259, UTF-8, no blanks, keys in the order of ``events.to_json_object``,
one line feed after each: JSON Lines). Hundreds of thousands are written a second, so a batch is written as a whole:
first the details of all events of one kind, by columns (a detail that is the same in all of them is part of their
template), then all lines, each time with one long template that is filled in at once. What is text is quoted before,
so that no line feed but our own is in between, and the long text can be taken apart at them. The tests hold the result
equal to ``json.dumps`` of the dict.
"""

import json
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain, repeat
from json.encoder import encode_basestring as _quoted
from typing import Any, Final

from emulator.errors import DefectError
from emulator.record.events import DETAILS, Row

__all__ = ["Record", "decode", "decode_all", "encode", "line"]

Record = tuple[int, int, str, int, int, str, str]
"""(number, at, kind, cause, job, worker, details as a JSON object): one row of the SQLite log."""

_JOB, _WORKER, _ABSENT = ',"job":%s', ',"worker":%s', "%.0s"  # the last takes its value and writes nothing
_HEADS: Final = {
    kind: f'{{"n":%s,"at":%s,"kind":"{kind}","cause":%s{_JOB}{_WORKER}{"," if names else ""}%s\n'
    for kind, names in DETAILS.items()
}
"""A line of each kind, up to its details."""

_json = json.JSONEncoder(ensure_ascii=False, allow_nan=False, check_circular=False).encode


def encode(rows: Sequence[Row], first: int) -> tuple[Iterator[Record], bytes]:
    r"""Give the records of a batch of rows for SQLite, once, and its lines for the export, numbered from ``first``.

    Half a surrogate pair, which UTF-8 has no bytes for, becomes a JSON escape.

    Raises:
        DefectError: when a row is not what ``events.DETAILS`` says; the message names it.

    >>> records, lines = encode([(5, "queue_held", 3, 0, "", "night")], 7)
    >>> list(records)
    [(7, 5, 'queue_held', 3, 0, '', '{"queue":"night"}')]
    >>> lines
    b'{"n":7,"at":5,"kind":"queue_held","cause":3,"queue":"night"}\n'
    """
    try:
        records, lines = _encode(rows, first)
    except (TypeError, ValueError, LookupError) as error:
        if len(rows) != 1:
            for number, row in enumerate(rows, first):
                encode((row,), number)  # the one that is at fault says so
        raise DefectError(f"event {first} cannot be written: {rows[0]!r} is no row of a known kind: {error}") from error
    try:
        return records, lines.encode()
    except UnicodeEncodeError:  # rare, so that it is looked for only now
        return ((*record[:6], _utf8(record[6]).decode()) for record in records), _utf8(lines)


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

    >>> decode("handed_out", '{"attempt":1,"token":5,"until":90,"incarnation":1}')
    (1, 5, 90, 1)
    """
    details = json.loads(body)
    if kind not in DETAILS or not isinstance(details, dict) or tuple(details) != DETAILS[kind]:
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
        if not isinstance(details, dict) or tuple(details) != DETAILS.get(record[2]):
            raise ValueError(f"{record[6]} is not what an event of the kind {record[2]!r} carries")
    return [details.values() for details in found]


def _encode(rows: Sequence[Row], first: int) -> tuple[Iterator[Record], str]:
    groups: dict[str, list[Row]] = {}
    for row in rows:
        kind = row[1]
        if kind in groups:
            groups[kind].append(row)
        else:
            groups[kind] = [row]
    of_kind = {kind: _details(kind, group) for kind, group in groups.items()}
    kinds = [row[1] for row in rows]
    details = [next(of_kind[kind]) for kind in kinds]
    ats, causes = [row[0] for row in rows], [row[2] for row in rows]
    jobs, workers = [row[3] for row in rows], [row[4] for row in rows]
    heads = [_HEADS[kind] for kind in kinds]
    _leave_out(heads, _JOB, jobs)
    _leave_out(heads, _WORKER, workers)
    quoted = {worker: _quoted(worker) for worker in set(workers)}
    numbers = range(first, first + len(rows))
    filled_in = zip(numbers, ats, causes, jobs, map(quoted.__getitem__, workers), details, strict=True)
    lines = "".join(heads) % tuple(chain.from_iterable(filled_in))
    bodies = ["{" + each for each in details]
    return zip(numbers, ats, kinds, causes, jobs, workers, bodies, strict=True), lines


def _details(kind: str, rows: Sequence[Row]) -> Iterator[str]:
    """Give the details of each row of one kind, with the brace that closes them and without the one that opens them."""
    pieces, columns = [], []
    for name, values in zip(DETAILS[kind], [*zip(*rows, strict=True)][5:], strict=True):
        same, texts = _column(values)
        pieces.append(f'"{name}":%s' if same is None else f'"{name}":{same.replace("%", "%%")}')
        if same is None:
            columns.append(texts)
    template = ",".join(pieces) + "}"
    if not columns:
        return repeat(template % ())
    return iter((f"{template}\n" * len(rows) % tuple(chain.from_iterable(zip(*columns, strict=True)))).split("\n"))


def _column(values: Sequence[Any]) -> tuple[str | None, Iterable[Any]]:
    """Give the JSON text that all values of a detail have in common, if they do; and something that prints as each."""
    one = values[0]
    if type(one) is str and values.count(one) == len(values):
        return _quoted(one), ()
    types = set(map(type, values))
    if types == {int}:  # nothing else: 1, 1.0 and True are equal, but not written alike
        return (str(one), ()) if values.count(one) == len(values) else (None, values)
    if types == {str}:
        return None, map(_quoted, values)
    for value in values:
        if not isinstance(value, str | int | float | None):
            raise TypeError(f"{value!r} is no plain value")
    return None, map(_json, values)


def _leave_out(heads: list[str], part: str, values: Sequence[Any]) -> None:
    """Take a part of the head away from each line that has no value for it."""
    if not all(values):
        without = {head: head.replace(part, _ABSENT) for head in set(heads)}
        heads[:] = [head if value else without[head] for head, value in zip(heads, values, strict=True)]


def _utf8(text: str) -> bytes:
    return text.encode("utf-8", "backslashreplace")
