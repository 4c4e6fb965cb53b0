"""What a scenario says together with the files that it is based on, and where each value of it was written.

``based_on: base.yaml`` at the top of a file names another, which may be based on one itself. Mappings merge key by key,
what stands in the file that names the other going before it; a list is replaced, or changed by a mapping with ``add``
and ``remove``; null takes a value back to its default. A distribution, and whom a fault is aimed at, are one value.
Paths of files count from the file that they stand in; which files may be read is said by ``files``.
"""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from emulator.errors import Problem, ScenarioError
from emulator.scenario import provenance, text
from emulator.scenario.files import Folders
from emulator.scenario.messages import Found
from emulator.scenario.shape import is_one_value, shown
from emulator.scenario.woven import Loc, Origin, Woven, is_list_change, takes_a_list
from emulator.scenario.written import Layer, Place, Source, Written, settled

__all__ = ["MOST_DEEP", "Whole", "with_bases"]

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
        data, said, found = provenance.unwrap(source.data)
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
        wrong += [(place, provenance.original(it.loc, layers[place].said), it) for it in found]
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
