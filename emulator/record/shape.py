"""Checks that a row has the shape of an event: its length, its kind, the types of its fields, its reason."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

from emulator.errors import LogError
from emulator.record.events import DETAILS, WITH_VALUES
from emulator.record.kinds import DETAIL
from emulator.record.reasons import mistake_in

__all__ = ["check_shape"]

_WORDS: Final[Mapping[type, str]] = MappingProxyType({int: "a whole number", str: "text"})
_FIXED: Final = (("at", int), ("kind", str), ("cause", int), ("job", int), ("worker", str))


def check_shape(number: int, row: Sequence[Any]) -> None:
    """Object to a row that is no event.

    Raises:
        LogError: naming the event's number and what is wrong.
    """
    if not isinstance(row, (tuple, list)) or len(row) < 5:
        raise LogError(f"event {number}: {row!r} is not a row of at least five fields")
    for (name, wanted), value in zip(_FIXED, row, strict=False):
        if type(value) is not wanted:
            raise LogError(f"event {number}: {name} is {value!r}, not {_WORDS[wanted]}")
    names = DETAILS.get(row[1])
    if names is None:
        raise LogError(f"event {number}: there is no kind of event called {row[1]!r}")
    values = row[-1] if row[1] in WITH_VALUES and len(row) == 6 + len(names) else {}
    if len(row) != 5 + len(names) + bool(values):
        raise LogError(f"event {number}: {row[1]} has {len(row) - 5} details, not {len(names)}: {', '.join(names)}")
    for name, value in zip(names, row[5:], strict=False):
        expected = DETAIL[name].type
        if expected is object:
            if not isinstance(value, (str, int, float, bool)):
                raise LogError(f"event {number}: {name} is {value!r}, not a plain value")
        elif type(value) is not expected:
            raise LogError(f"event {number}: {name} is {value!r}, not {_WORDS[expected]}")
        elif name == "why" and (mistake := mistake_in(str(value), values)):
            raise LogError(f"event {number}: {mistake}")
