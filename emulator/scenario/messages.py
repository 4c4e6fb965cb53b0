"""How is a mistake that validation found told in plain words, at which path?

The law: no wording of the validation library reaches the user. A message says what was found and what is wanted, and
gives the nearest valid spelling where one is near.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from emulator.scenario.shape import Node, keys_at, node_at, resolve, shown, words
from emulator.scenario.spelling import advise, nearest, renamed

__all__ = ["MOST_TOLD", "Found", "found_by_validation", "path_in"]

Loc = tuple[str | int, ...]

MOST_TOLD: Final = 100
"""So many mistakes of a scenario are told: a person reads no more."""

_PLAIN = frozenset(("bool_type", "int_type", "float_type", "string_type"))
"""Errors of values that are of another kind altogether."""


_ONE_WORKER = (
    "a job has one worker: for several slots of it write `takes_slots`; for several workers let as many jobs come "
    "(`count` or `batch` of the arrival), and what follows wait for `after: {entry: ..., jobs: all}`"
)
_INSTEAD: Final[Mapping[tuple[str, str], str]] = {
    ("routines", "count"): _ONE_WORKER,
    ("routines", "nodes"): _ONE_WORKER,
    ("routines", "slots"): "a worker has `slots`; how many of them a job takes is `takes_slots`",
    ("routines", "takes_workers"): _ONE_WORKER,
    ("routines", "worker"): "which workers take a job is said by its `queue`, its `requires` and what pools serve",
    ("routines", "workers"): _ONE_WORKER,
}
"""What to write instead of a key that somebody would try in an item of a section."""


class Found(NamedTuple):
    """One mistake: its path in the data, the message, and whether the key (not the value) is what is wrong.

    ``unknown``: the key is not known. What may stand in its place takes long to find, so ``told`` looks for it, and is
    asked for those mistakes alone that are shown. ``counts``: the number of mistakes that this one stands for.
    ``code``: what kind of mistake it is.
    """

    loc: Loc
    message: str
    at_key: bool = False
    unknown: bool = False
    counts: int = 1
    code: str = "wrong-value"

    def told(self, root: Node | None = None) -> str:
        """Give the whole message; ``root`` is the shape of the file, by default of a scenario."""
        if not self.unknown:
            return self.message
        if len(self.loc) == 3 and (instead := _INSTEAD.get((str(self.loc[0]), str(self.loc[2])))):
            return instead
        key, known = str(self.loc[-1]), keys_at(self.loc[:-1], root)
        return renamed(key, known) or f"{self.message}: {advise(key, known)}"


def path_in(data: Any, loc: Sequence[str | int]) -> Loc:
    """Keep of a path what is really in the data: tags of unions and names of validators drop out.

    The number of a list's item may be an int or its decimal digits.

    >>> path_in({"pools": {"dome": {"count": 3}}}, ("pools", "dome", "some-tag", "count"))
    ('pools', 'dome', 'count')
    """
    kept: list[str | int] = []
    for part in loc:
        if isinstance(data, list | tuple):
            part = int(part) if str(part).isdecimal() else -1
            if not 0 <= part < len(data):
                continue
        elif not isinstance(data, Mapping) or (part := str(part)) not in data:
            continue
        data = data[part]
        kept.append(part)
    return tuple(kept)


def found_by_validation(data: Any, errors: Iterable[Mapping[str, Any]], root: Node | None = None) -> list[Found]:
    """Tell each error of pydantic in plain words.

    Args:
        data: what was validated.
        errors: what is wrong with it.
        root: the shape of the file; by default that of a scenario.
    """
    errors, more = _without_many_unknown(errors)
    choices = {it["loc"][:-1] for it in errors if it["type"] == "literal_error" and isinstance(it["input"], str)}
    # of a value that may be a word or something else, what words there are says all
    errors = [it for it in errors if it["type"] not in _PLAIN or it["loc"][:-1] not in choices]
    around = {error["loc"][:end] for error in errors for end in range(len(error["loc"]))}
    found: list[Found] = []
    for error in errors:
        if error["type"] == "too_short" and error["loc"] in around:
            continue  # the list seems too short only because what is wrong in it was left out
        found += _told(data, error, root)
    return list(dict.fromkeys([*found, *more]))


def _without_many_unknown(errors: Iterable[Mapping[str, Any]]) -> tuple[list[Mapping[str, Any]], list[Found]]:
    """Leave out the unknown keys of a mapping from the hundredth on; one mistake at the next of them counts the rest.

    They come in the order of the file, so none of those that are left out is among the first hundred mistakes in it.
    """
    kept, of, first = [], Counter[Loc](), dict[Loc, Loc]()
    for error in errors:
        if error["type"] == "extra_forbidden":
            around = error["loc"][:-1]
            of[around] += 1
            if of[around] > MOST_TOLD:
                first.setdefault(around, error["loc"])
                continue
        kept.append(error)
    return kept, [
        Found(loc, "more unknown keys", True, False, of[around] - MOST_TOLD, "unknown-key")
        for around, loc in first.items()
    ]


def _told(data: Any, error: Mapping[str, Any], root: Node | None) -> list[Found]:
    loc, kind = error["loc"], error["type"]
    if kind == "mistakes":
        here = path_in(data, loc)
        return [
            Found(here + tuple(where), message, code="contradiction") for where, message in error["ctx"]["mistakes"]
        ]
    if kind == "missing":
        path = (*path_in(data, loc[:-1]), loc[-1])
        what = _first_sentence(node_at(path, root).get("description", ""))
        return [Found(path, f"`{loc[-1]}` is missing: {what}", code="missing-key")]
    if kind == "extra_forbidden":
        path = path_in(data, loc)
        return [Found(path, f"unknown key {shown(path[-1])}", True, True, code="unknown-key")]
    if loc and loc[-1] == "[key]":
        return [Found(path_in(data, loc[:-1]), _said(error, loc, root), True)]
    path = path_in(data, loc)
    return [Found(path, _said(error, path, root))]


def _said(error: Mapping[str, Any], path: Loc, root: Node | None) -> str:
    if error["type"] == "value_error":
        return str(error["ctx"]["error"])
    node, value = node_at(path, root), error["input"]
    wanted = words(node)
    if error["type"] == "literal_error" and isinstance(value, str):
        known = [word for word in _choices(node) if isinstance(word, str)]
        if now := renamed(value, known):
            return now
        near = nearest(value, known)
        hint = f"did you mean {near!r}? " if near else ""
        return f"found {shown(value)}: {hint}allowed are: {wanted}"
    if value is None:
        return f"nothing stands here: {wanted} is wanted, or leave the key out"
    return f"found {shown(value)}: {wanted} is wanted"


def _choices(node: Mapping[str, Any]) -> list[Any]:
    node = resolve(node)
    found = [*node.get("enum", ()), *([node["const"]] if "const" in node else [])]
    for choice in node.get("anyOf", ()):
        found += _choices(choice)
    return found


def _first_sentence(text: str) -> str:
    head, dot, _ = text.partition(". ")
    return (head + "." if dot else text) or "it must be given."
