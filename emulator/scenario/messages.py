"""What may stand at which place of a scenario, where its values come from, and mistakes in plain words.

The shape is the models' own JSON Schema, in which values that are not JSON's own (durations, moments, names) carry
their ``kind``. Messages, the shipped schema and the reference page all read it: none can disagree with the models.

The law: no wording of the validation library reaches the user. A message says what was found and what is wanted, and
gives the nearest valid spelling where one is near.

Any value may be written ``{value: 40s, from: measured, on: 2026-05-01, n: 312}``. Such a wrapper is taken off before
validation, and what it says is kept beside the scenario, by the path of the value. ``plausible: [30s, 5m]`` gives the
two ends between which the value may lie, ``why`` a reason in words, ``history`` the digest of the files that it was
learnt from. Mappings whose keys are names of the writer's own (queues, pools, parameters) are never wrappers
themselves, so that something may be called ``value``.
"""

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from functools import cache
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from emulator.scenario.models.faults import Target
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.spelling import advise, nearest, renamed
from emulator.scenario.values import KINDS, Model

__all__ = [
    "MOST_TOLD",
    "SOURCES",
    "WRAPPER_KEYS",
    "Found",
    "Loc",
    "Node",
    "Provenance",
    "found_by_validation",
    "has_free_keys",
    "is_of_keys",
    "is_one_value",
    "keys_at",
    "node_at",
    "of_names",
    "original",
    "path_in",
    "resolve",
    "rewrap",
    "shape",
    "shown",
    "unwrap",
    "words",
]


Node = Mapping[str, Any]

_NOTHING: Final[Node] = MappingProxyType({})
_DISTRIBUTION: Final = "#/$defs/Distribution"
_MOST_KEYS: Final = 8


@cache
def shape() -> Node:
    """Give the JSON Schema of the models as pydantic makes it, once."""
    from pydantic.json_schema import models_json_schema  # not needed for a file that is right and has no variants

    fields = [field for model in Model.__subclasses__() for field in model.model_fields.values()]
    for default in {type(field.default) for field in fields if isinstance(field.default, Model)}:
        default.model_rebuild()  # early versions of pydantic write no default whose class has no serializer yet
    references, definitions = models_json_schema([(Scenario, "validation"), (Target, "validation")])
    found: Node = _any_of({**references[Scenario, "validation"], **definitions})
    return MappingProxyType(found)


def _any_of(node: Any) -> Any:
    """Write the choices of a union whose forms are told apart as any other choices, all of them in one list."""
    if isinstance(node, list):
        return [_any_of(item) for item in node]
    if not isinstance(node, dict):
        return node
    found = {key: _any_of(value) for key, value in node.items() if key not in ("oneOf", "discriminator")}
    choices = [_any_of(choice) for choice in (*node.get("oneOf", ()), *node.get("anyOf", ()))]
    if choices:
        found["anyOf"] = [
            inner for choice in choices for inner in (choice["anyOf"] if [*choice] == ["anyOf"] else [choice])
        ]
    return found


def resolve(node: Node) -> Node:
    """Follow a reference; the other keys of the node (its description and default) stay in force."""
    if "$ref" not in node:
        return node
    target = shape()["$defs"][node["$ref"].removeprefix("#/$defs/")]
    return {**target, **{key: value for key, value in node.items() if key != "$ref"}}


def node_at(loc: Sequence[str | int], root: Node | None = None) -> Node:
    """Give the shape of what may stand at a path; of the nearest known value around it if the path leads nowhere.

    ``root`` is the shape of the whole file, by default of a scenario; any other must be free of references.
    """
    node = resolve(shape() if root is None else root)
    for part in loc:
        node = _step(node, part) or node
    return node


def keys_at(loc: Sequence[str | int], root: Node | None = None) -> tuple[str, ...]:
    """List the keys that a mapping at a path may have; none if it may not be a mapping or its keys are names."""
    return tuple(_properties(node_at(loc, root)))


def _properties(node: Node) -> Node:
    for choice in node.get("anyOf", (node,)):
        target = choice.get("kind") == "worker-target"
        found: Node = resolve({"$ref": "#/$defs/Target"} if target else choice).get("properties", _NOTHING)
        if found:
            return found
    return _NOTHING


def _step(node: Node, part: str | int) -> Node | None:
    for choice in node.get("anyOf", (node,)):
        candidate = resolve(choice)
        if isinstance(part, int):
            below = candidate.get("items", (candidate.get("prefixItems") or (None,))[0])
        else:
            below = _properties(candidate).get(part, of_names(candidate))
        if isinstance(below, Mapping):
            return resolve(below)
    return None


def of_names(node: Node) -> Node | None:
    """Give the shape of the values of a mapping whose keys are names; None for any other node."""
    below = next(iter(node.get("patternProperties", _NOTHING).values()), node.get("additionalProperties"))
    return below if isinstance(below, Mapping) else None


def has_free_keys(node: Node) -> bool:
    """Say whether a mapping's keys are chosen by whoever writes it: names of things, or of parameters."""
    return of_names(node) is not None or node.get("additionalProperties") is True


def is_of_keys(node: Node) -> bool:
    """Say whether only a mapping with keys of its own may stand at a node; a distribution is none."""
    choices = [choice for choice in resolve(node).get("anyOf", (node,)) if choice.get("type") != "null"]
    found = resolve(choices[0])
    return len(choices) == 1 and not _is_distribution(choices[0]) and "properties" in found and "kind" not in found


def is_one_value(loc: Sequence[str | int]) -> bool:
    """Say whether a mapping at a path is one value, such as a distribution, and not a group of keys."""
    node = node_at(loc)
    return any(_is_distribution(choice) or "kind" in choice for choice in node.get("anyOf", (node,)))


def _is_distribution(node: Node) -> bool:
    return node.get("$ref") == _DISTRIBUTION or node.get("title") == "Distribution"


def words(node: Node) -> str:
    """Say in plain words what may stand at a node: ``a whole number from 1 to 1000``."""
    if _is_distribution(node):
        return KINDS["distribution"]
    node = resolve(node)
    if "kind" in node:
        return KINDS[node["kind"]]
    if "anyOf" in node:
        choices = dict.fromkeys(words(choice) for choice in node["anyOf"] if choice.get("type") != "null")
        return " or ".join(choices)
    allowed = [*node.get("enum", ()), *([node["const"]] if "const" in node else [])]
    if allowed:
        return (" or " if len(allowed) < 3 else ", ").join(shown(word).strip("'") for word in allowed)
    if "properties" in node:
        keys = list(node["properties"])
        return f"a mapping with keys such as {', '.join(keys[:_MOST_KEYS])}"
    kind = node.get("type")
    if kind == "object":
        below = resolve(of_names(node) or _NOTHING)
        values = words(below) if below.get("type") == "string" else "mappings" if below else "values"
        return f"a mapping from names to {values}"
    if kind == "array":
        return _list_words(node)
    name = {"integer": "a whole number", "number": "a number", "boolean": "true or false", "string": "text"}
    return name.get(str(kind), "a value") + _range(node)


def _list_words(node: Node) -> str:
    if "prefixItems" in node:
        return f"a list of {len(node['prefixItems'])}, each {words(node['prefixItems'][0])}"
    least = " with at least one entry" if node.get("minItems") else ""
    of = "one of " if "enum" in node["items"] else ""
    if "properties" in resolve(node["items"]) and "Distribution" not in node["items"].get("$ref", ""):
        return f"a list{least}, each a mapping"
    return f"a list{least}, each {of}{words(node['items'])}"


def _range(node: Node) -> str:
    low, above, high = node.get("minimum"), node.get("exclusiveMinimum"), node.get("maximum")
    if "exclusiveMaximum" in node:
        high = node["exclusiveMaximum"] - 1
    if node.get("maxLength"):
        return f" of at most {node['maxLength']} characters"
    if above is not None:
        return f" above {above:g}" + (f", at most {high:g}" if high is not None else "")
    if low is not None and high is not None:
        return f" from {_plain(low)} to {_plain(high)}"
    return f", at least {_plain(low)}" if low is not None else ""


def _plain(number: float) -> str:
    return f"{number:g}" if isinstance(number, float) else str(number)


def shown(value: Any) -> str:
    """Show what was found, short enough for one line."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a mapping" if value else "an empty mapping"
    if isinstance(value, list | tuple):
        return "a list" if value else "an empty list"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


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


SOURCES: Final = ("measured", "documented", "agreed", "estimated", "guess")
"""Where a value may come from; ``guess`` is what the summary counts."""

WRAPPER_KEYS: Final = ("value", "from", "on", "n", "plausible", "why", "history")

_OF_NAMES: Final = (
    ("queues",),
    ("pools",),
    ("pools", "*", "per_worker"),
    ("systems",),
    ("routines",),
    ("routines", "*", "parameters"),
    ("arrivals", "*", "parameters"),
    ("variants",),
    ("variants", "*"),
    ("combine",),
    ("varies",),
    ("questions", "*", "change"),
)


class Provenance(NamedTuple):
    """Where one value comes from.

    Attributes:
        source: the kind of source.
        on: the day, or None.
        n: on how many observations it rests, or None.
        plausible: the two ends between which it may lie, as plain data; None where nobody said.
        why: the reason, in words; "" where none is given.
        history: the digest of the files that it was learnt from; "" where it was not.
    """

    source: str
    on: date | None = None
    n: int | None = None
    plausible: tuple[Any, Any] | None = None
    why: str = ""
    history: str = ""


def unwrap(data: Any) -> tuple[Any, dict[Loc, Provenance], list[Found]]:
    """Take every wrapper off: the plain data, what the wrappers said by path, and what was wrong with them.

    The mistakes are told by paths in the data as it was written.

    >>> data, said, wrong = unwrap({"lasts": {"value": "6h", "from": "guess", "plausible": ["5h", "8h"]}})
    >>> data, said["lasts",].source, said["lasts",].plausible, wrong
    ({'lasts': '6h'}, 'guess', ('5h', '8h'), [])
    """
    said: dict[Loc, Provenance] = {}
    found: list[Found] = []
    return _unwrap(data, (), (), said, found), said, found


def _unwrap(data: Any, loc: Loc, written: Loc, said: dict[Loc, Provenance], found: list[Found]) -> Any:
    """``loc`` is the path without wrappers, ``written`` the path with them."""
    if isinstance(data, list):
        return [_unwrap(item, (*loc, i), (*written, i), said, found) for i, item in enumerate(data)]
    if not isinstance(data, dict):
        return data
    if "value" in data and loc and not any(_matches(loc, pattern) for pattern in _OF_NAMES):
        if loc in said:
            found.append(Found(written, "this value says twice where it comes from: keep one"))
        said[loc] = _read(data, written, found)
        return _unwrap(data["value"], loc, (*written, "value"), said, found)
    return {key: _unwrap(value, (*loc, key), (*written, key), said, found) for key, value in data.items()}


def _matches(loc: Loc, pattern: tuple[str, ...]) -> bool:
    return len(loc) == len(pattern) and all(want in ("*", part) for part, want in zip(loc, pattern, strict=True))


def _read(wrapper: Mapping[str, Any], written: Loc, found: list[Found]) -> Provenance:
    for key in wrapper:
        if key not in WRAPPER_KEYS:
            found.append(Found((*written, key), f"unknown key {shown(key)}: {advise(key, WRAPPER_KEYS)}", True))
    source, on, n = wrapper.get("from"), wrapper.get("on"), wrapper.get("n")
    if source is None:
        found.append(Found(written, f"where does this value come from? give `from`: {', '.join(SOURCES)}"))
    elif source not in SOURCES:
        hint = advise(source, SOURCES) if isinstance(source, str) else f"allowed are: {', '.join(SOURCES)}"
        found.append(Found((*written, "from"), f"found {shown(source)}: {hint}"))
    day = _day(on)
    if on is not None and day is None:
        found.append(Found((*written, "on"), f"found {shown(on)}: a date such as 2026-05-01 is wanted"))
    if n is not None and (isinstance(n, bool) or not isinstance(n, int) or n < 1):
        found.append(Found((*written, "n"), f"found {shown(n)}: a whole number of observations from 1 on is wanted"))
    ends = wrapper.get("plausible")
    if ends is not None and (not isinstance(ends, list | tuple) or len(ends) != 2):
        found.append(Found((*written, "plausible"), f"found {shown(ends)}: two ends such as [30s, 5m] are wanted"))
        ends = None
    texts = {key: wrapper.get(key) for key in ("why", "history")}
    for key, text in texts.items():
        if text is not None and not isinstance(text, str):
            found.append(Found((*written, key), f"found {shown(text)}: a text is wanted"))
    plausible = None if ends is None else (ends[0], ends[1])
    return Provenance(str(source), day, n, plausible, str(texts["why"] or ""), str(texts["history"] or ""))


def _day(value: Any) -> date | None:
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value, re.ASCII):
        try:
            return date.fromisoformat(value)
        except ValueError:
            return None
    return None


def original(loc: Sequence[str | int], said: Mapping[Loc, Provenance]) -> Loc:
    """Give the path at which a value was written: behind each wrapper on the way stands the key ``value``.

    >>> original(("queues", "night", "lease"), {("queues", "night", "lease"): Provenance("guess")})
    ('queues', 'night', 'lease', 'value')
    """
    path: list[str | int] = []
    for end, part in enumerate(loc, 1):
        path.append(part)
        if tuple(loc[:end]) in said:
            path.append("value")
    return tuple(path)


def rewrap(data: Any, said: Mapping[Loc, Provenance], loc: Loc = ()) -> Any:
    """Put the wrappers back on, as plain data that a scenario file may hold."""
    if isinstance(data, dict):
        data = {key: rewrap(value, said, (*loc, key)) for key, value in data.items()}
    elif isinstance(data, list | tuple):
        data = [rewrap(item, said, (*loc, i)) for i, item in enumerate(data)]
    if loc not in said:
        return data
    told = said[loc]
    wrapper = {
        "value": data,
        "from": told.source,
        "on": told.on.isoformat() if told.on else None,
        "n": told.n,
        "plausible": list(told.plausible) if told.plausible else None,
        "why": told.why or None,
        "history": told.history or None,
    }
    return {key: value for key, value in wrapper.items() if value is not None or key == "value"}
