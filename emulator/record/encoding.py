"""How is an event written down as text, quickly and always with the same bytes?

One event is one JSON object on one line (RFC 8259, UTF-8, no blanks, keys in the order of ``events.to_json_object``,
one line feed after each: JSON Lines). Hundreds of thousands are written a second, so all details of a batch go through
the C encoder of ``json`` in one call, set apart by line feeds (which JSON text never holds inside a string), and each
row's are then put into the template of its kind. The tests hold the result equal to ``json.dumps`` of the dict.
"""

import json
from collections.abc import Iterable, Sequence
from json.encoder import encode_basestring as _quoted
from typing import Any, Final

from emulator.errors import DefectError
from emulator.record.events import DETAILS, Row

__all__ = ["Record", "decode", "decode_all", "encode", "line"]

Record = tuple[int, int, str, int, int, str, str]
"""(number, at, kind, cause, job, worker, details as a JSON object): one row of the SQLite log."""

_TEMPLATES: Final = {kind: ",".join(f'"{name}":%s' for name in names) for kind, names in DETAILS.items()}
_all_details = json.JSONEncoder(
    ensure_ascii=False, allow_nan=False, check_circular=False, separators=("\n", ":")
).encode


def encode(rows: Sequence[Row], first: int) -> tuple[list[Record], bytes]:
    r"""Give the records of a batch of rows for SQLite and its lines for the export, numbered from ``first``.

    Half a surrogate pair, which UTF-8 has no bytes for, becomes a JSON escape.

    Raises:
        DefectError: when a row is not what ``events.DETAILS`` says; the message names it.

    >>> records, lines = encode([(5, "queue_held", 3, 0, "", "night")], 7)
    >>> records
    [(7, 5, 'queue_held', 3, 0, '', '{"queue":"night"}')]
    >>> lines
    b'{"n":7,"at":5,"kind":"queue_held","cause":3,"queue":"night"}\n'
    """
    try:
        records, lines = _encode(rows, first)
    except (TypeError, ValueError, KeyError, RecursionError) as error:
        if len(rows) != 1:
            for number, row in enumerate(rows, first):
                encode((row,), number)  # the one that is at fault says so
        raise DefectError(f"event {first} cannot be written: {rows[0]!r} is no row of a known kind: {error}") from error
    try:
        return records, lines.encode()
    except UnicodeEncodeError:  # rare, so that it is looked for only now
        return [(*record[:6], _utf8(record[6]).decode()) for record in records], _utf8(lines)


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


def _encode(rows: Sequence[Row], first: int) -> tuple[list[Record], str]:
    records: list[Record] = []
    lines: list[str] = []
    texts = _all_details([row[5:] for row in rows])[2:-2].split("]\n[") if rows else []
    number = first
    for row, text in zip(rows, texts, strict=True):
        at, kind, cause, job, worker = row[:5]
        details = _TEMPLATES[kind] % tuple(text.split("\n") if text else ())
        records.append((number, at, kind, cause, job, worker, f"{{{details}}}"))
        middle = _subject(job, worker) + "," if details else _subject(job, worker)
        lines.append(f'{{"n":{number},"at":{at},"kind":"{kind}","cause":{cause}{middle}{details}}}\n')
        number += 1
    return records, "".join(lines)


def _subject(job: int, worker: str) -> str:
    if worker:
        return f',"job":{job},"worker":{_quoted(worker)}' if job else f',"worker":{_quoted(worker)}'
    return f',"job":{job}' if job else ""


def _utf8(text: str) -> bytes:
    return text.encode("utf-8", "backslashreplace")
