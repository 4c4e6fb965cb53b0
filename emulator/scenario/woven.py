"""Plain data that is put together from several places, with where each value of it was written.

A scenario may be based on other files, be changed on the command line, and is changed by its variants. Whatever changes
it is a layer with a number; the data that comes first is layer 0. ``Woven.origin`` leads from a path in what came of it
to the layer and the path in that layer where the value was written, so that a mistake is told where it was made.
"""

from collections.abc import Mapping, Sequence
from copy import deepcopy
from typing import Any, Final, NamedTuple

from emulator.scenario.shape import node_at, resolve, shown
from emulator.scenario.spelling import advise

__all__ = ["LIST_KEYS", "Loc", "Origin", "Woven", "is_list_change", "place_of", "takes_a_list"]

Loc = tuple[str | int, ...]

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
