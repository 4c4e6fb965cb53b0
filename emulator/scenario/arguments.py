"""Checks that each argument of the Python interface is of the right kind.

Annotations say so to those whose editor reads them. Everybody else is told here, by the name of the argument, before
anything runs; the ranges of values are checked where they are known.
"""

import os
from collections.abc import Callable, Iterable, Mapping
from numbers import Integral, Real
from typing import Any, Final

from emulator.errors import InputError
from emulator.records import record

__all__ = [
    "FLAG",
    "FOLDER",
    "FUNCTION",
    "MAPPING",
    "NUMBER",
    "PATH",
    "TEXT",
    "WHOLE",
    "Kind",
    "listed",
    "may_be",
    "must_be",
    "texts",
]

_LONGEST_SAID: Final = 60


@record
class Kind:
    """One kind of argument: what is to be given in words, and whether a value is that."""

    words: str
    fits: Callable[[Any], bool]


WHOLE: Final = Kind("a whole number", lambda given: isinstance(given, Integral) and not isinstance(given, bool))
NUMBER: Final = Kind("a number", lambda given: isinstance(given, Real) and not isinstance(given, bool))
TEXT: Final = Kind("a text", lambda given: isinstance(given, str))
PATH: Final = Kind("the path of a file", lambda given: isinstance(given, str | os.PathLike))
FOLDER: Final = Kind("the path of a folder", PATH.fits)
FLAG: Final = Kind("True or False", lambda given: isinstance(given, bool))
MAPPING: Final = Kind("a mapping", lambda given: isinstance(given, Mapping))
FUNCTION: Final = Kind("a function", callable)


def must_be(kind: Kind, /, **arguments: Any) -> None:
    """Make sure that arguments are of a kind.

    Raises:
        InputError: for the first that is not.

    >>> must_be(WHOLE, tries=5)
    >>> must_be(WHOLE, tries="5")
    Traceback (most recent call last):
    ...
    emulator.errors.InputError: tries: found '5': give a whole number
    """
    for argument, given in arguments.items():
        if not kind.fits(given):
            raise InputError(f"{argument}: found {_said(given)}: give {kind.words}")


def may_be(kind: Kind, /, **arguments: Any) -> None:
    """Make sure that arguments are of a kind, or left out (None). See ``must_be``."""
    must_be(kind, **{argument: given for argument, given in arguments.items() if given is not None})


def listed(argument: str, given: Any) -> list[Any]:
    """Give several values as a list; a single text is taken for the slip that it is.

    Raises:
        InputError: for a text, or what cannot be gone through.

    >>> listed("by_hand", "dome-1")
    Traceback (most recent call last):
    ...
    emulator.errors.InputError: by_hand: found the text 'dome-1': give a list, `by_hand=['dome-1']`
    """
    if isinstance(given, str):
        raise InputError(f"{argument}: found the text {given!r}: give a list, `{argument}=[{given!r}]`")
    if not isinstance(given, Iterable):
        raise InputError(f"{argument}: found {_said(given)}: give a list")
    return list(given)


def texts(argument: str, given: Any) -> list[str]:
    """Give several names as a list.

    Raises:
        InputError: for a single text, what cannot be gone through, or anything in it that is no text.
    """
    found = listed(argument, given)
    for one in found:
        if not isinstance(one, str):
            raise InputError(f"{argument}: found {_said(one)} in the list: give texts")
    return found


def _said(given: Any) -> str:
    """Say what somebody gave, without addresses in memory."""
    plain = given is None or isinstance(given, str | bytes | int | float | list | tuple | dict)
    said = repr(given) if plain else ""
    short = said and len(said) <= _LONGEST_SAID and " at 0x" not in said  # a list may hold something with an address
    return said if short else f"a value of type {type(given).__name__}"
