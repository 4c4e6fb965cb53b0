"""Writes events as JSON Lines, takes the digest of a run, and finds the first event at which two logs differ.

The export is JSON Lines. It is the form in which a run is promised to be the same to the byte on every machine, so
the digest of a run is the digest of its export.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice, zip_longest
from typing import Any

from emulator.record.encoding import encode, line
from emulator.record.events import Row, to_json_object
from emulator.timeline.ticks import say

__all__ = ["Difference", "difference", "digest", "json_lines"]

_LINES_AT_ONCE = 2_000


def json_lines(rows: Iterable[Row], first: int = 1) -> Iterator[bytes]:
    """Write rows as JSON Lines, many lines in each piece; the pieces joined are the export.

    >>> b"".join(json_lines([(5, "queue_held", 0, 0, "", "night")]))
    b'{"n":1,"at":5,"kind":"queue_held","cause":0,"queue":"night"}\\n'
    """
    rest = iter(rows)
    while piece := list(islice(rest, _LINES_AT_ONCE)):
        yield encode(piece, first)[1]
        first += len(piece)


def digest(rows: Iterable[Row]) -> str:
    """Give the SHA-256 of the JSON Lines export, in hexadecimal.

    >>> digest([])[:16]
    'e3b0c44298fc1c14'
    """
    sha = hashlib.sha256()
    for piece in json_lines(rows):
        sha.update(piece)
    return sha.hexdigest()


@dataclass(frozen=True, slots=True)
class Difference:
    """The first event at which two logs part; a row is None where its log has ended before."""

    number: int
    first: Row | None
    second: Row | None

    def in_words(self, first: str = "the first", second: str = "the second") -> str:
        """Say in a sentence where the logs part, calling them as you wish.

        >>> held, released = (5, "queue_held", 0, 0, "", "night"), (5, "queue_released", 0, 0, "", "night")
        >>> Difference(1, held, released).in_words("the log", "the new run")
        'event 1 differs in kind: queue_held in the log, queue_released in the new run'
        >>> Difference(2, held, None).in_words()
        'event 2 (queue_held at 5us) is in the first alone: the second ends before it'
        """
        if self.first is None or self.second is None:
            row, owner, other = (self.first, first, second) if self.first else (self.second, second, first)
            assert row is not None
            return f"event {self.number} ({row[1]} at {say(row[0])}) is in {owner} alone: {other} ends before it"
        one, two = to_json_object(self.number, self.first), to_json_object(self.number, self.second)
        if one["kind"] != two["kind"]:
            parts = [f"kind: {one['kind']} in {first}, {two['kind']} in {second}"]
        else:
            parts = [
                f"{name}: {_show(one, name)} in {first}, {_show(two, name)} in {second}"
                for name in dict.fromkeys((*one, *two))
                if _show(one, name) != _show(two, name)
            ]
        return f"event {self.number} differs in {'; '.join(parts)}"


def _show(event: dict[str, Any], name: str) -> str:
    return json.dumps(event[name], ensure_ascii=False) if name in event else "nothing"


def difference(first: Iterable[Row], second: Iterable[Row]) -> Difference | None:
    """Give the first event at which two streams of rows part in their export, or None when they are identical.

    >>> held = (5, "queue_held", 0, 0, "", "night")
    >>> difference([held], [held]), difference([held], []).number
    (None, 1)
    """
    left, right, number = iter(first), iter(second), 1
    while True:
        ones, twos = list(islice(left, _LINES_AT_ONCE)), list(islice(right, _LINES_AT_ONCE))
        if len(ones) != len(twos) or encode(ones, number)[1] != encode(twos, number)[1]:
            break
        if not ones:
            return None
        number += len(ones)
    for at, (one, two) in enumerate(zip_longest(ones, twos), number):
        if one is None or two is None or line(at, one) != line(at, two):
            return Difference(at, one, two)
    raise AssertionError("two pieces that differ have a first difference")  # pragma: no cover - see the loop above
