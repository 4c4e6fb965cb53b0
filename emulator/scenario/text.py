"""Reads a scenario file as plain data, and remembers where each value stands.

The law: YAML 1.2 with its core schema, nothing else. ``22:40``, ``no``, ``on``, ``2026-03-29``, ``1_000`` and ``<<``
are text, ``0o17`` is 15. The parser only composes nodes; values, keys and tags are judged here, so that no object is
ever made from a tag and every mistake has its place. Whatever is not a finite number, a text without control
characters, true, false, null, a list or a mapping with distinct keys is refused.
"""

import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import yaml

from emulator.errors import Problem, ScenarioError
from emulator.records import field, record

__all__ = ["Document", "read", "read_bytes", "read_value"]

_MOST_BYTES: Final = 2_000_000
_KEYS: Final = "title:, starts:, lasts:"
_MOST_VALUES: Final = 200_000
_DEEPEST: Final = 50
_MOST_DIGITS: Final = 30
_MOST_PROBLEMS: Final = 100

# The C parser is six times as fast; without libyaml the pure one gives the same nodes.
_PARSER: type[Any] = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

_UNTAGGED: Final = ""
_CORE: Final = "tag:yaml.org,2002:"
_SCALAR_TAGS: Final = {_CORE + name: name for name in ("str", "null", "bool", "int", "float")}

_NULL = re.compile(r"|~|null|Null|NULL")
_BOOL = re.compile(r"true|True|TRUE|false|False|FALSE")
_INT = re.compile(r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)")
# YAML 1.2, production c-printable: what may not stand in a stream at all.
_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")


@record
class Document:
    """One scenario file: its ``text``, its ``data`` as plain Python values, and the place of each of them.

    A place is asked for by a path of keys and list indices, as validation errors carry it. A part of the path that is
    not in the file (the tag of a union, the name of a missing key) is passed over.
    """

    name: str
    data: dict[str, Any]
    _root: Any = field(repr=False, compare=False)
    text: str = field(default="", repr=False, compare=False)
    _places: dict[int, dict[str, int]] = field(default_factory=dict, repr=False, compare=False)

    def place(self, loc: Sequence[str | int]) -> tuple[int, int]:
        """Give the line and column, from 1, of a value; of the nearest value around it when it is not in the file.

        >>> read("lasts: 6h\\npools:\\n  dome: {count: 3}\\n").place(("pools", "dome", "count"))
        (3, 17)
        """
        return _place(self._walk(loc)[-1][2])

    def key_place(self, loc: Sequence[str | int]) -> tuple[int, int]:
        """Give the line and column, from 1, of the key under which a value stands; of the value if it has no key.

        >>> read("lasts: 6h\\npools:\\n  dome: {count: 3}\\n").key_place(("pools", "dome", "count"))
        (3, 10)
        """
        _, key, value = self._walk(loc)[-1]
        return _place(value if key is None else key)

    def path(self, loc: Sequence[str | int]) -> str:
        """Write the path of a value with dots, without the parts that are not in the file.

        >>> read("pools:\\n  dome: {count: 3}\\n").path(("pools", "dome", "some-union", "count"))
        'pools.dome.count'
        """
        return ".".join(str(part) for part, _, _ in self._walk(loc)[1:])

    def problem(self, loc: Sequence[str | int], message: str, *, at_key: bool = False) -> Problem:
        """Put a message about a value at its place, or at the place of its key.

        A path that ends in ``[key]``, as errors about a mapping's keys do, means the key.
        """
        line, column = (self.key_place if at_key or "[key]" in loc[-1:] else self.place)(loc)
        return Problem(self.name, line, column, self.path(loc), message, "wrong-value")

    def _walk(self, loc: Sequence[str | int]) -> list[tuple[str | int, Any, Any]]:
        """List (part, key node, value node) from the top down to the last part that is in the file."""
        steps: list[tuple[str | int, Any, Any]] = [("", None, self._root)]
        for part in loc:
            node = steps[-1][2]
            if isinstance(node, yaml.MappingNode):
                steps += [(part, *pair) for pair in self._pair(node, str(part))]
            elif isinstance(node, yaml.SequenceNode) and isinstance(part, int) and part < len(node.value):
                steps.append((part, None, node.value[part]))
        return steps

    def _pair(self, node: Any, name: str) -> list[tuple[Any, Any]]:
        """Give (key node, value node) of a key of a mapping, in a list; an empty one when it is not there."""
        places = self._places.get(id(node))  # the nodes live as long as the document, so no other gets this id
        if places is None:  # made once for each mapping: many keys of one may be asked for
            places = self._places[id(node)] = {key.value: place for place, (key, _) in enumerate(node.value)}
        return [node.value[places[name]]] if name in places else []


def read(source: Path | str, name: str = "", keys: str = _KEYS) -> Document:
    """Read a scenario from a file, or from a text that has at least one line break.

    ``name`` stands in for the file's name in messages; ``keys`` are what they advise to write in an empty file.

    Raises:
        ScenarioError: with every mistake that can be found, each at its line and column.

    >>> read("title: A quiet night\\nstarts: 22:40\\n").data
    {'title': 'A quiet night', 'starts': '22:40'}
    """
    if isinstance(source, str) and ("\n" in source or "\r" in source):
        return read_bytes(source.encode("utf-8", "surrogatepass"), "scenario")
    try:
        with Path(source).open("rb") as file:
            raw = file.read(_MOST_BYTES + 1)
    except IsADirectoryError:
        problem = Problem(
            name or str(source), 0, 0, "", "cannot be read: it is a folder: name a file in it", "unreadable"
        )
        raise ScenarioError([problem]) from None
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        reason = getattr(error, "strerror", None) or str(error)
        raise ScenarioError(
            [Problem(name or str(source), 0, 0, "", f"cannot be read: {reason}", "unreadable")]
        ) from None
    return read_bytes(raw, name or str(source), keys)


def read_bytes(raw: bytes, name: str, keys: str = _KEYS) -> Document:
    """Read a scenario from its bytes; ``name`` stands in for the file's name in messages.

    Raises:
        ScenarioError: with every mistake that can be found, each at its line and column.
    """
    text = _decode(raw, name)
    root = _compose(text, name)
    if not isinstance(root, yaml.MappingNode):
        place = (1, 1) if root is None else _place(root)
        what = "is not a mapping at the top" if root is not None and root.value else "is empty"
        raise ScenarioError([Problem(name, *place, "", f"the file {what}: write keys such as {keys}", "wrong-yaml")])
    builder = _Builder(name)
    data = builder.build(root, ())
    if builder.problems:
        raise ScenarioError(sorted(builder.problems, key=lambda problem: (problem.line, problem.column)))
    return Document(name, data, root, text)


def read_value(written: str) -> Any:
    """Read one value as it may stand in a scenario file; None for an empty text.

    Raises:
        ScenarioError: with every mistake in it, as if it were a file of its own.

    >>> read_value("[30s, 2]")
    ['30s', 2]
    """
    name = "the value"
    root = _compose(_decode(written.encode("utf-8", "surrogatepass"), name), name)
    builder = _Builder(name)
    value = None if root is None else builder.build(root, ())
    if builder.problems:
        raise ScenarioError(builder.problems)
    return value


def _place(node: Any) -> tuple[int, int]:
    return node.start_mark.line + 1, node.start_mark.column + 1


def _decode(raw: bytes, name: str) -> str:
    """Give the text of a file: UTF-8, with or without a byte order mark, and nothing that YAML cannot hold."""
    if len(raw) > _MOST_BYTES:
        raise ScenarioError([Problem(name, 0, 0, "", "is too large: a scenario has at most 2 MB", "unreadable")])
    if b"\0" in raw:
        before = raw[: raw.index(b"\0")]
        message = "NUL byte: this is a binary file or not UTF-8; a scenario is YAML text in UTF-8"
        raise ScenarioError([Problem(name, *_end_of(before.decode("utf-8-sig", "replace")), "", message, "unreadable")])
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start]
        message = f"byte {raw[error.start]:#04x} is not UTF-8: save the file as UTF-8"
        raise ScenarioError([Problem(name, *_end_of(before.decode("utf-8-sig")), "", message, "unreadable")]) from None
    unprintable = [
        Problem(
            name, *_end_of(text[: found.start()]), "", f"control character {_code(found[0])}: remove it", "unreadable"
        )
        for found, _ in zip(_UNPRINTABLE.finditer(text), range(_MOST_PROBLEMS), strict=False)
    ]
    if unprintable:
        raise ScenarioError(unprintable)
    return text


def _end_of(text: str) -> tuple[int, int]:
    """Give the line and column just behind a text."""
    lines = re.split("\r\n|\r|\n", text)
    return len(lines), len(lines[-1]) + 1


def _code(character: str) -> str:
    return f"U+{ord(character):04X}"


def _compose(text: str, name: str) -> Any:
    """Parse a text to a graph of nodes, tagged only where the text has a tag; None for an empty text."""
    parser = type("_Parser", (_PARSER,), {"resolve": lambda *_: _UNTAGGED})(text)
    try:
        return parser.get_single_node()
    except yaml.MarkedYAMLError as error:
        mark: Any = error.problem_mark
        what = f"{error.problem} {error.context or ''}".strip()
        message = f"this is not valid YAML: {what}"
        if what.startswith("but found another document"):
            message = "a second document starts here: one scenario per file"
        elif "nesting depth" in what:
            message = _too_deep()
        elif text[mark.index : mark.index + 1] == "\t":
            message += " (indent with spaces, not with tabs)"
        raise ScenarioError([Problem(name, mark.line + 1, mark.column + 1, "", message, "wrong-yaml")]) from None
    except RecursionError:  # only the pure parser gets here; the C parser has a limit of its own
        raise ScenarioError(
            [Problem(name, parser.line + 1, parser.column + 1, "", _too_deep(), "wrong-yaml")]
        ) from None


def _too_deep() -> str:
    return f"lists and mappings stand inside each other too deep: at most {_DEEPEST} levels"


class _EnoughError(Exception):
    """Nothing more is worth reading: too many values, or too many mistakes."""


class _Builder:
    """Makes plain data of nodes and collects what is wrong with them."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._count = 0
        self._open: list[Any] = []  # the containers around the present node
        self._reported: set[tuple[int, int, str]] = set()
        self.problems: list[Problem] = []

    def build(self, root: Any, path: tuple[str | int, ...]) -> Any:
        """Build the data of a whole document."""
        try:
            return self._build(root, path)
        except _EnoughError:
            if self._count > _MOST_VALUES:
                self._report(root, (), f"the file unfolds to more than {_MOST_VALUES:,} values: use fewer aliases")
            return None

    def _report(self, node: Any, path: tuple[str | int, ...], message: str) -> None:
        problem = Problem(self._name, *_place(node), ".".join(map(str, path)), message, "wrong-yaml")
        seen = (problem.line, problem.column, message)
        if seen not in self._reported:  # an alias leads to the same mistake again
            self._reported.add(seen)
            self.problems.append(problem)

    def _build(self, node: Any, path: tuple[str | int, ...]) -> Any:
        self._count += 1
        if self._count > _MOST_VALUES or len(self.problems) >= _MOST_PROBLEMS:
            raise _EnoughError
        if isinstance(node, yaml.ScalarNode):
            return self._scalar(node, path)
        if any(node is around for around in self._open):
            return self._report(node, path, "this holds an alias of itself: write it out")
        if len(self._open) >= _DEEPEST:
            return self._report(node, path, _too_deep())
        wanted = "map" if isinstance(node, yaml.MappingNode) else "seq"
        if node.tag not in (_UNTAGGED, _CORE + wanted):
            self._report(node, path, f"the tag {_shown(node.tag)} means nothing here: remove it")
        self._open.append(node)
        if isinstance(node, yaml.MappingNode):
            data: Any = self._mapping(node, path)
        else:
            data = [self._build(item, (*path, index)) for index, item in enumerate(node.value)]
        self._open.pop()
        return data

    def _mapping(self, node: Any, path: tuple[str | int, ...]) -> dict[str, Any]:
        data: dict[str, Any] = {}
        first: dict[str, Any] = {}
        for key, value in node.value:
            if not isinstance(key, yaml.ScalarNode):
                self._report(key, path, "a key is one word or text, not a list or mapping")
                continue
            name: str = key.value
            if key.tag not in (_UNTAGGED, _CORE + "str"):
                self._report(key, (*path, name), f"the tag {_shown(key.tag)} means nothing on a key: remove it")
            if found := _CONTROL.search(name):
                self._report(key, path, f"a key with the control character {_code(found[0])}: remove it")
            if name in first:
                line, column = _place(first[name])
                message = f"the key {name!r} stands here twice, first in line {line}, column {column}: keep one"
                self._report(key, (*path, name), message)
            first.setdefault(name, key)
            data[name] = self._build(value, (*path, name))
        return data

    def _scalar(self, node: Any, path: tuple[str | int, ...]) -> Any:
        text: str = node.value
        if found := _CONTROL.search(text):
            return self._report(node, path, f"a text with the control character {_code(found[0])}: remove it")
        if node.tag == _CORE + "str" or (node.tag == _UNTAGGED and node.style):  # only plain scalars have no style
            return text
        kind, value = _resolve(text)
        if kind == "refused":
            return self._report(node, path, value)
        if node.tag != _UNTAGGED and _SCALAR_TAGS.get(node.tag) != kind:
            return self._report(node, path, f"the tag {_shown(node.tag)} means nothing here: remove it")
        return value


def _resolve(text: str) -> tuple[str, Any]:
    """Give the kind and the value of a plain scalar by the core schema; kind "refused" comes with a message."""
    if _NULL.fullmatch(text):
        return "null", None
    if _BOOL.fullmatch(text):
        return "bool", text[0] in "tT"
    if _INT.fullmatch(text):
        if len(text) > _MOST_DIGITS:
            return "refused", f"a number of {len(text)} digits: at most {_MOST_DIGITS}, or put it in quotes for a text"
        return "int", int(text, 0) if text[:2] in ("0o", "0x") else int(text)
    if _NOT_FINITE.fullmatch(text):
        return "refused", f"{text} is not a finite number: write a number, or put it in quotes for a text"
    if _FLOAT.fullmatch(text):
        number = float(text)
        if math.isfinite(number):
            return "float", number
        return "refused", f"{text[:40]} is not a finite number: it is too large"
    return "str", text


def _shown(tag: str) -> str:
    return tag.replace(_CORE, "!!", 1)
