"""Finds which answer of a stand-in a call's arguments fit, and fills in what they say."""

import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

from emulator.scripts.models import Answer

__all__ = ["fill", "in_text", "matched"]

_NAME: Final = re.compile(r"\{([^{}]+)\}")
_REST: Final = "..."


def matched(answers: Sequence[Answer], arguments: Sequence[str]) -> tuple[int, Answer, dict[str, str]] | None:
    """Give the first answer that fits: its place, itself, and the arguments by name; None if none fits.

    >>> answers = [Answer(when=("put", "{plate}")), Answer(when=("tag", "{name...}"))]
    >>> place, _, named = matched(answers, ["put", "plate-7"]); place, named
    (0, {'plate': 'plate-7'})
    >>> matched(answers, ["tag", "a", "b"])[2], matched(answers, ["put"])
    ({'name': 'a b'}, None)
    """
    for place, answer in enumerate(answers):
        named = _fits(answer.when, arguments)
        if named is not None:
            return place, answer, named
    return None


def _fits(patterns: Sequence[str], arguments: Sequence[str]) -> dict[str, str] | None:
    named: dict[str, str] = {}
    for place, pattern in enumerate(patterns):
        rest = _NAME.fullmatch(pattern)
        if rest and rest[1].endswith(_REST):
            named[rest[1].removesuffix(_REST)] = " ".join(arguments[place:])
            return named
        if place >= len(arguments):
            return None
        found = _one(pattern, arguments[place])
        if found is None or any(named.setdefault(name, value) != value for name, value in found.items()):
            return None
    return named if len(patterns) == len(arguments) else None


def _one(pattern: str, argument: str) -> dict[str, str] | None:
    """Fit one argument to one pattern, in which {names} stand for any text: ``--plate={plate}``."""
    names = _NAME.findall(pattern)
    if not names:
        return {} if pattern == argument else None
    pieces = [re.escape(piece) if place % 2 == 0 else "(.*)" for place, piece in enumerate(_NAME.split(pattern))]
    found = re.fullmatch("".join(pieces), argument, re.DOTALL)
    return dict(zip(names, found.groups(), strict=True)) if found else None


def fill(text: str, values: Mapping[str, Any]) -> str:
    """Put values in the place of {names}; what has no value stays as it stands.

    >>> fill("put {plate} {x}\\n", {"plate": "plate-7"})
    'put plate-7 {x}\\n'
    """
    return _NAME.sub(lambda found: str(values.get(found[1], found[0])), text)


def in_text(values: Mapping[str, Any]) -> dict[str, str]:
    """Give values as texts in which they can be filled in: a list has a line for each of its elements.

    >>> in_text({"plates": ["a", "b"], "number": 3})
    {'plates': 'a\\nb', 'number': '3'}
    """
    return {
        name: "\n".join(map(str, value)) if isinstance(value, list | tuple) else str(value)
        for name, value in values.items()
    }
