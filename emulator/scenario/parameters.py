"""What is the value of a parameter, as parts use it?

The values of a list parameter may be given as a whole number: so many elements, named after the parameter
(``plates-1``, ``plates-2``, ...). A trace tells values as text: of a list its elements with ``;`` between them, or
their number.
"""

import re
from typing import Any, Final

__all__ = ["ready_value", "value_in_trace"]

_WHOLE: Final = re.compile(r"\d{1,15}", re.ASCII)
_NUMBER: Final = re.compile(r"-?\d{1,15}(\.\d{1,15})?", re.ASCII)
_MOST_ELEMENTS: Final = 100_000


def ready_value(name: str, value: Any, kind: str | None) -> Any:
    """Give a value as parts use it: a number in place of a list is so many elements.

    Raises:
        ValueError: for a list of more than 100,000 generated elements.

    >>> ready_value("plates", 2, "list")
    ['plates-1', 'plates-2']
    """
    if kind == "list" and isinstance(value, int) and not isinstance(value, bool):
        if not 0 <= value <= _MOST_ELEMENTS:
            raise ValueError(f"the list {name!r} cannot have {value} elements: give 0 to {_MOST_ELEMENTS:,}")
        return [f"{name}-{number}" for number in range(1, value + 1)]
    return value


def value_in_trace(name: str, text: str, kind: str) -> Any:
    """Read a value that a trace tells as text.

    Raises:
        ValueError: for a text that is no such value.

    >>> value_in_trace("plates", "north; south", "list"), value_in_trace("size", "2.5", "number")
    (['north', 'south'], 2.5)
    """
    if kind == "text":
        return text
    if kind == "list":
        if _WHOLE.fullmatch(text):
            return ready_value(name, int(text), kind)
        return [item.strip() for item in text.split(";") if item.strip()]
    if not _NUMBER.fullmatch(text):
        if _NUMBER.fullmatch(text.replace(",", ".", 1)):
            raise ValueError(f"{text[:40]!r} has a decimal comma: write the parameter {name!r} as 12.5, not 12,5")
        raise ValueError(f"{text[:40]!r} is not a number, and the parameter {name!r} is one")
    return float(text) if "." in text else int(text)
