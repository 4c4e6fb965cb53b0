"""What a scenario says together with the files that it is based on, and where each value of it was written.

A scenario may be based on other files, be changed on the command line, and is changed by its variants. Whatever changes
it is a layer with a number; the data that comes first is layer 0. ``Woven.origin`` leads from a path in what came of it
to the layer and the path in that layer where the value was written, so that a mistake is told where it was made.

A scenario has layers: the file (or settings made in Python), the files that it is based on, and what was set on the
command line. The last layers are not files: what is set has a text, and no lines.

``based_on: base.yaml`` at the top of a file names another, which may be based on one itself. Mappings merge key by key,
what stands in the file that names the other going before it; a list is replaced, or changed by a mapping with ``add``
and ``remove``; null takes a value back to its default. A distribution, and whom a fault is aimed at, are one value.
Paths of files count from the file that they stand in; which files may be read is said by ``files``.
"""

import os
import shlex
from collections.abc import Callable, Iterator, Mapping, Sequence
from copy import deepcopy
from pathlib import Path
from typing import Any, Final, NamedTuple, Protocol

from emulator.errors import Problem, ScenarioError
from emulator.records import field, record
from emulator.scenario import text
from emulator.scenario.files import Folders
from emulator.scenario.messages import (
    Found,
    Loc,
    Provenance,
    has_free_keys,
    is_one_value,
    keys_at,
    node_at,
    original,
    path_in,
    resolve,
    shown,
    unwrap,
)
from emulator.scenario.spelling import advise

__all__ = [
    "COMPARING",
    "LIST_KEYS",
    "MOST_DEEP",
    "Change",
    "Layer",
    "Origin",
    "Place",
    "Settings",
    "Source",
    "Whole",
    "Woven",
    "Written",
    "_led",
    "changed",
    "is_list_change",
    "patched",
    "place_of",
    "settled",
    "takes_a_list",
    "value_at",
    "with_bases",
]


LIST_KEYS: Final = ("add", "remove")
"""The keys of what changes a list, in place of a list."""

_SHOWN: Final = 20


class Origin(NamedTuple):
    """Where a value was written: the number of the layer, and the path in it."""

    layer: int
    loc: Loc


class Woven:
    """Plain data under change; ``data`` is a copy, and no layer is changed itself."""

    def __init__(self, data: Mapping[str, Any]) -> None:
        self.data: dict[str, Any] = deepcopy(dict(data))
        # by the id of a mapping or list: itself, so that the id stays its own, and where what stands in it was written
        self._known: dict[int, tuple[Any, dict[str | int, Origin]]] = {}

    def origin(self, loc: Sequence[str | int]) -> Origin:
        """Give where the value at a path was written; of what is not there, where it would have been."""
        layer, path = 0, Loc()
        inner: Any = self.data
        for part in loc:
            known = self._known.get(id(inner))
            if known is not None and part in known[1]:
                layer, path = known[1][part]
            else:
                path = (*path, part)
            if part in inner if isinstance(inner, dict) else isinstance(inner, list) and part in range(len(inner)):
                inner = inner[part]  # else it is the tag of a union, or a key that is missing
        return Origin(layer, path)

    def at(self, loc: Loc) -> Any:
        """Give what stands at a path that leads somewhere."""
        inner: Any = self.data
        for part in loc:
            inner = inner[part]
        return inner

    def put(self, loc: Loc, value: Any, origin: Origin) -> None:
        """Let a value stand at a path, in place of what stood there."""
        holder = self.at(loc[:-1])
        holder[loc[-1]] = deepcopy(value)
        self._written(holder)[loc[-1]] = origin

    def take_back(self, loc: Loc) -> None:
        """Take a key out of its mapping, so that its default holds."""
        holder = self.at(loc[:-1])
        holder.pop(loc[-1], None)
        self._written(holder).pop(loc[-1], None)

    def change_list(self, loc: Loc, change: Mapping[str, Any], origin: Origin) -> list[tuple[Loc, str]]:
        """Take items out of a list and put others behind it: what is wrong with that, by path in the change.

        Args:
            loc: the path of the list; nothing need stand there yet.
            change: what ``is_list_change`` takes for one.
            origin: where the change was written.
        """
        holder = self.at(loc[:-1])
        items = list((holder.get(loc[-1]) if isinstance(holder, dict) else holder[loc[-1]]) or ())
        wrong: list[tuple[Loc, str]] = []
        for key in LIST_KEYS:
            if not isinstance(change.get(key, []), list):
                wrong.append(((key,), f"found {shown(change[key])}: a list is wanted"))
        if wrong:
            return wrong
        gone = set()
        for number, word in enumerate(change.get("remove", ())):
            place = place_of(items, word)
            if place is None:
                wrong.append((("remove", number), _not_there(items, word, ".".join(map(str, loc)))))
            else:
                gone.add(place)
        kept = [place for place in range(len(items)) if place not in gone]
        written = [self.origin((*loc, place)) for place in kept]
        added = change.get("add", [])
        made = holder[loc[-1]] = [*(items[place] for place in kept), *deepcopy(added)]
        of_layer = [Origin(origin.layer, (*origin.loc, "add", number)) for number in range(len(added))]
        self._written(made).update(enumerate([*written, *of_layer]))
        return wrong

    def _written(self, holder: Any) -> dict[str | int, Origin]:
        return self._known.setdefault(id(holder), (holder, {}))[1]


def is_list_change(value: Any) -> bool:
    """Say whether a value is one that changes a list: a mapping with `add` or `remove`, and no other key."""
    return isinstance(value, Mapping) and bool(value) and set(value) <= set(LIST_KEYS)


def takes_a_list(loc: Loc, stands: Any) -> bool:
    """Say whether a list stands at a path, or is what may stand there."""
    if isinstance(stands, list):
        return True
    node = resolve(node_at(loc))
    choices = [resolve(choice) for choice in node.get("anyOf", (node,)) if choice.get("type") != "null"]
    return len(choices) == 1 and choices[0].get("type") == "array" and stands is None


def place_of(items: Sequence[Any], word: Any) -> int | None:
    """Give the place of an item in a list: of one that is named so, else by its number from 0; a word by itself.

    >>> place_of([{"name": "blackout"}, {"freeze": "dome-1"}], "blackout"), place_of(["tape", "lamp"], "lamp")
    (0, 1)
    """
    for place, item in enumerate(items):
        if (item.get("name") if isinstance(item, dict) else item) == word:
            return place
    number = str(word)
    if number.isdecimal() and number.isascii() and int(number) < len(items):
        return int(number)
    return None


def _not_there(items: Sequence[Any], word: Any, where: str) -> str:
    names = [str(item.get("name", "")) if isinstance(item, dict) else str(item) for item in items]
    named = [name for name in names if name][:_SHOWN]
    many = f"{where} has {len(items)} item{'' if len(items) == 1 else 's'}"
    return f"{many}, and none is called {shown(word)}" + (f": {advise(str(word), named)}" if named else "")


class Source(Protocol):
    """Something that a scenario was written in, and the place of each value in it."""

    @property
    def name(self) -> str: ...
    @property
    def data(self) -> dict[str, Any]: ...
    def place(self, loc: Sequence[str | int]) -> tuple[int, int]: ...
    def key_place(self, loc: Sequence[str | int]) -> tuple[int, int]: ...


@record
class Settings:
    """Settings made in Python, or set on the command line: they have no lines."""

    name: str
    data: dict[str, Any]

    def place(self, loc: Sequence[str | int]) -> tuple[int, int]:
        return 0, 0

    key_place = place


class Change(NamedTuple):
    """One thing that was set on the command line: the option (``change`` or ``add``), and the text behind it."""

    option: str
    text: str

    def __str__(self) -> str:
        return f"--{self.option} {shlex.quote(self.text)}"


class Layer(NamedTuple):
    """A source, and where its values come from, by path."""

    source: Source
    said: Mapping[Loc, Provenance]


class Place(NamedTuple):
    """The number of a layer, the name of its source, and a line and column in it (0: it has none)."""

    layer: int
    name: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.name}:{self.line}:{self.column}" if self.line else self.name


@record
class Written:
    """The layers of a scenario, and which of them each of its values is from.

    Attributes:
        layers: the file first.
        origins: for each path whose value is from elsewhere than the value around it: from where.
    """

    layers: tuple[Layer, ...]
    origins: Mapping[Loc, Origin] = field(default_factory=dict)

    def origin(self, loc: Loc) -> Origin:
        """Give the layer in which the value at a path was written, and the path there."""
        for end in range(len(loc), -1, -1) if self.origins else ():
            if loc[:end] in self.origins:
                layer, where = self.origins[loc[:end]]
                return Origin(layer, (*where, *loc[end:]))
        return Origin(0, loc)

    def place(self, data: Mapping[str, Any], loc: Sequence[str | int], *, at_key: bool = False) -> Place:
        """Give the place of a value of the whole scenario, or of its key; the nearest one if it is not written."""
        parts = path_in(data, loc)
        layer, where = self.origin(parts)
        return self.place_in(layer, original(where, self.layers[layer].said), at_key and parts == tuple(loc))

    def place_in(self, layer: int, loc: Loc, at_key: bool) -> Place:
        """Give the place of a value, or of its key, by its path in one layer as that was written."""
        source = self.layers[layer].source
        there = path_in(source.data, loc)
        whole = len(there) == len(loc)
        return Place(layer, source.name, *(source.key_place(there) if at_key and whole else source.place(there)))

    def said(self, data: Mapping[str, Any]) -> Mapping[Loc, Provenance]:
        """Give where the values of the whole scenario come from, by path."""
        if not self.origins:
            return self.layers[0].said
        found = {}
        for loc in _paths(data, ()):
            layer, where = self.origin(loc)
            if where in self.layers[layer].said:
                found[loc] = self.layers[layer].said[where]
        return found


def _paths(data: Any, loc: Loc) -> Iterator[Loc]:
    yield loc
    for key, value in data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ():
        yield from _paths(value, (*loc, key))


def settled(data: Any, origin: Callable[[Loc], Origin]) -> dict[Loc, Origin]:
    """Give for each path of some data whose value is from elsewhere than the value around it, from where it is."""
    found: dict[Loc, Origin] = {}
    expected: dict[Loc, Origin] = {(): Origin(0, ())}
    for loc in _paths(data, ()):
        if loc:
            around = expected[loc[:-1]]
            expected[loc] = Origin(around.layer, (*around.loc, loc[-1]))
        actual = origin(loc)
        if actual != expected[loc]:
            found[loc] = expected[loc] = actual
    return found


MOST_DEEP: Final = 8
"""So many files may a scenario be based on, one on the other."""

_KEY: Final = "based_on"
_NAMES_A_FILE: Final = ("trace", "from_file", "one_of_nights")


class Whole(NamedTuple):
    """A scenario's plain data, where they were written, what is wrong so far, and the texts of its base files by path.

    The paths of base files count from the scenario's folder.
    """

    data: dict[str, Any]
    written: Written
    wrong: list[tuple[Place, Found]]
    bases: Mapping[str, str]


class _Base(NamedTuple):
    """A file in the row: what was read from it, and its real path."""

    source: Source
    path: str


def with_bases(top: Source, folders: Folders, known: Mapping[str, str] | None = None) -> Whole:
    """Read the files that a scenario is based on, and put all of it together.

    Args:
        top: what the scenario itself was read from.
        folders: where its files may lie.
        known: the texts of its base files, by their path from the scenario's folder; then no file is read.

    Raises:
        ScenarioError: when a base file may not be read, is none, or is no YAML: what the rest lacks is not told then.
    """
    row, bases, wrong_base = _row(top, folders, known)
    if wrong_base:
        source = row[-1].source
        raise ScenarioError([Problem(source.name, *source.place((_KEY,)), _KEY, wrong_base, "wrong-reference")])
    layers, wrong, plain = [], [], []
    for place, (source, _) in enumerate(row):
        data, said, found = unwrap(source.data)
        plain.append(data)
        layers.append(Layer(source, said))
        wrong += [(place, it.loc, it) for it in found]
    if len(row) == 1:
        plain[0].pop(_KEY, None)
        written = Written(tuple(layers))
        return Whole(plain[0], written, [(written.place_in(0, loc, it.at_key), it) for _, loc, it in wrong], bases)
    own = os.path.realpath(folders.own)
    for data, base in zip(plain[1:], row[1:], strict=True):
        _move_files(data, os.path.dirname(base.path), own)
    last = len(row) - 1
    woven = Woven(plain[last])
    for place in range(last - 1, -1, -1):
        found = _merge(woven, (), plain[place], Origin(last - place, ()))
        wrong += [(place, original(it.loc, layers[place].said), it) for it in found]
    woven.data.pop(_KEY)

    def origin(loc: Loc) -> Origin:
        layer, where = woven.origin(loc)
        return Origin(last - layer, where)

    written = Written(tuple(layers), settled(woven.data, origin))
    placed = [(written.place_in(layer, loc, it.at_key), it) for layer, loc, it in wrong]
    return Whole(woven.data, written, placed, bases)


def _row(top: Source, folders: Folders, known: Mapping[str, str] | None) -> tuple[list[_Base], dict[str, str], str]:
    """Give the scenario and the files that it is based on, each on the next, and what is wrong with the last."""
    own = os.path.realpath(folders.own)
    row = [_Base(top, os.path.realpath(os.path.join(own, os.path.basename(top.name))))]
    bases: dict[str, str] = {}
    roots = (folders.own, *folders.allowed) if folders.trusted else folders.allowed
    while _KEY in (source := row[-1].source).data:
        name = source.data[_KEY]
        if not isinstance(name, str) or not name or "\0" in name:
            return row, bases, f"found {shown(name)}: the path of another scenario file is wanted"
        folder = os.path.dirname(row[-1].path) if len(row) > 1 else own
        path = os.path.realpath(os.path.join(folder, name))
        within = os.path.relpath(path, own)
        called = os.path.normpath(os.path.join(os.path.dirname(source.name), name))
        paths = [base.path for base in row]
        wrong = ""
        if path in paths:
            circle = [*(base.source.name for base in row[paths.index(path) :]), called]
            wrong = f"files would be based on themselves: {' on '.join(circle)}"
        elif len(row) > MOST_DEEP:
            wrong = f"this would be the base number {len(row)}, one on the other: {MOST_DEEP} are read"
        elif known is None:
            wrong = Folders(Path(folder), roots, folders.trusted).check(name)
        elif within not in known:
            wrong = f"what {name!r} said is not known"
        if wrong:
            return row, bases, wrong
        read = text.read(Path(path), called) if known is None else text.read_bytes(known[within].encode(), called)
        bases[within] = read.text
        row.append(_Base(read, path))
    return row, bases, ""


def _merge(woven: Woven, loc: Loc, over: Mapping[str, Any], origin: Origin) -> list[Found]:
    """Put one file's mapping over what stands at a path: what is wrong with its changes of lists, by path in it."""
    wrong: list[Found] = []
    for key, value in over.items():
        here, where = (*loc, key), Origin(origin.layer, (*origin.loc, key))
        stands = woven.at(loc).get(key)
        if value is None:
            woven.take_back(here)
        elif is_list_change(value) and takes_a_list(here, stands):
            found = woven.change_list(here, value, where)
            wrong += [Found((*where.loc, *inside), what) for inside, what in found]
        elif isinstance(value, Mapping) and isinstance(stands, Mapping) and not _is_one(here):
            wrong += _merge(woven, here, value, where)
        else:
            woven.put(here, value, where)
    return wrong


def _is_one(loc: Loc) -> bool:
    """Say whether a mapping is one value, of which two do not merge; what a variant sets a path to is one too."""
    return (loc[0] == "variants" and len(loc) > 2) or is_one_value(loc)


def _move_files(data: Any, folder: str, own: str, loc: Loc = ()) -> None:
    """Let the paths of other files count from the scenario's folder, where they counted from that of a base file."""
    if "parameters" in loc:
        return
    for key, value in data.items() if isinstance(data, dict) else enumerate(data):
        if isinstance(value, dict | list):
            _move_files(value, folder, own, (*loc, key))
        elif isinstance(value, str) and str(key).rpartition(".")[2] in _NAMES_A_FILE and loc:
            data[key] = os.path.relpath(os.path.join(folder, value), own)


COMPARING: Final = ("variants", "combine", "baseline", "questions", "based_on")
"""The keys that are about variants, or about files: no variant changes them."""


def patched(data: Mapping[str, Any], patch: Mapping[str, Any]) -> tuple[dict[str, Any], list[Found]]:
    """Give plain data with some values changed, and what is wrong with the patch, told by the paths in it.

    The changed data has no variants of its own, and nothing that is about them.
    """
    woven = Woven({key: value for key, value in data.items() if key not in COMPARING})
    found = changed(woven, patch)
    return woven.data, found


def changed(woven: Woven, patch: Mapping[str, Any], layer: int = 1) -> list[Found]:
    """Change some values, each where its dotted path leads: what is wrong with the patch, told by the paths in it."""
    found: list[Found] = []
    for path, value in patch.items():
        loc, wrong = _led(woven, path, value is None)
        if wrong:
            found.append(Found((path,), wrong, True, code="unknown-key"))
        elif loc is None:
            continue  # what has its default already
        else:
            found += _at_the_end(woven, loc, path, value, layer)
    return found


def value_at(data: Mapping[str, Any], path: str) -> Any:
    """Give the value that a dotted path leads to in plain data; None if it is not stated, or leads nowhere."""
    woven = Woven({key: value for key, value in data.items() if key not in COMPARING})
    loc, _ = _led(woven, path, True)
    if loc is None:
        return None
    holder = woven.at(loc[:-1])
    return holder.get(loc[-1]) if isinstance(holder, dict) else holder[loc[-1]]


def _at_the_end(woven: Woven, loc: Loc, path: str, value: Any, layer: int) -> list[Found]:
    """Change the one value to which a path leads."""
    holder, key = woven.at(loc[:-1]), loc[-1]
    of_list = isinstance(holder, list)
    stands = holder[key] if of_list else holder.get(key)
    if value is None:
        if of_list:
            what = f"an item of a list has no default: to take it out, write {{remove: [{path.rpartition('.')[2]}]}}"
            return [Found((path,), what)]
        woven.take_back(loc)
        return []
    may_replace = bool(keys_at(loc)) and not is_list_change(value)  # a mapping may stand in place of the list
    if isinstance(value, Mapping) and takes_a_list(loc, stands) and not may_replace:
        if not is_list_change(value):
            return [Found((path,), "found a mapping: a list is wanted, or a mapping with `add`, `remove` or both")]
        wrong = woven.change_list(loc, value, Origin(layer, (path,)))
        return [Found((path, *where), what) for where, what in wrong]
    if is_list_change(value) and all(isinstance(items, list) for items in value.values()):
        return [Found((path,), "`add` and `remove` change a list, and none stands here")]
    woven.put(loc, value, Origin(layer, (path,)))
    return []


def _led(woven: Woven, path: str, taken_back: bool) -> tuple[Loc | None, str]:
    """Follow a path: where it leads (None: a value that is to be taken back is not stated), and what is wrong with it.

    What is not stated on the way is made.
    """
    inner: Any = woven.data
    loc: Loc = ()
    parts = path.split(".")
    for place, part in enumerate(parts):
        last = place == len(parts) - 1
        known = keys_at(loc)
        before = ".".join(parts[:place]) or "the scenario"
        if isinstance(inner, list):
            number = place_of(inner, part)
            if number is None:
                return None, f"{before} has {len(inner)} items, counted from 0, and none is called {part!r}"
            loc = (*loc, number)
        elif isinstance(inner, dict) and known:
            if part not in known or path.split(".")[0] in COMPARING:
                allowed = [key for key in known if key not in COMPARING or loc]
                return None, f"there is no {part!r} in {before}: {advise(part, allowed)}"
            loc = (*loc, part)
            if not last and inner.get(part) is None:
                if taken_back:
                    return None, ""
                inner[part] = [] if "items" in _plain_node(loc) else {}
        elif isinstance(inner, dict) and has_free_keys(resolve(node_at(loc))):
            if not last and part not in inner:
                return None, f"there is no {part!r} in {before}: {advise(part, inner) if inner else 'it is empty'}"
            loc = (*loc, part)
        else:
            return None, f"{before} is one value, nothing lies below it"
        if not last:
            inner = inner[loc[-1]]
    return loc, ""


def _plain_node(loc: Loc) -> Mapping[str, Any]:
    node = resolve(node_at(loc))
    for choice in node.get("anyOf", ()):
        if choice.get("type") != "null":
            return resolve(choice)
    return node
