"""Where each value of a scenario was written: in which file, at which line and column, or on the command line.

A scenario has layers: the file (or settings made in Python), the files that it is based on, and what was set on the
command line. The last layers are not files: what is set has a text, and no lines.
"""

import shlex
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple, Protocol

from emulator.records import field, record
from emulator.scenario import provenance
from emulator.scenario.messages import path_in
from emulator.scenario.provenance import Provenance
from emulator.scenario.woven import Loc, Origin

__all__ = ["Change", "Layer", "Place", "Settings", "Source", "Written", "settled"]


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
        return self.place_in(layer, provenance.original(where, self.layers[layer].said), at_key and parts == tuple(loc))

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
