"""What is a scenario under each of its variants, and do the variants' dotted paths lead anywhere?

A variant names values by dotted paths (``queues.night.retry.first``; an item of a list by its number from 0, an arrival
entry by its name too) and gives each another value. ``combine`` gives each of several paths a list of values: every
combination of them is a variant too, named by its values (``lease 30s + count 2``), save the one that is the scenario
as it stands. Since the scenario itself is right, whatever is wrong under a
variant is that variant's doing, and is told at the path that made it.
"""

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from copy import deepcopy
from itertools import product
from typing import Any, Final, NamedTuple

from emulator.errors import InputError
from emulator.scenario import load
from emulator.scenario.files import Folders
from emulator.scenario.messages import Found
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.shape import has_free_keys, keys_at, node_at, resolve
from emulator.scenario.spelling import advise

__all__ = ["AS_WRITTEN", "Variants", "chosen", "patched", "variants_of"]

Loc = tuple[str | int, ...]

AS_WRITTEN: Final = "as written"
"""The name of the scenario as it stands, where it is compared with its variants."""

_MOST: Final = 100
_COMPARING: Final = frozenset(("variants", "combine", "baseline"))
"""The keys that are about variants: no variant changes them."""


class Variants(NamedTuple):
    """The variants of a scenario that are right: by name, the scenario under each and the patch that makes it."""

    scenarios: dict[str, Scenario]
    patches: dict[str, Mapping[str, Any]]


def chosen(loaded: "load.Loaded", variant: str) -> str:
    """Give the name of the variant that is asked for; "" for the scenario itself, by its name or by "".

    Raises:
        InputError: when there is no such variant; the message gives the nearest.
    """
    if variant in ("", AS_WRITTEN):
        return ""
    if variant not in loaded.patches:
        known = advise(variant, (AS_WRITTEN, *loaded.patches)) if loaded.patches else "it has none"
        raise InputError(f"{loaded.name}: there is no variant {variant!r}: {known}")
    return variant


def variants_of(data: Mapping[str, Any], scenario: Scenario, folders: Folders) -> tuple[Variants, list[Found]]:
    """Apply every variant to a scenario that is right: what comes of it, and what is wrong with them."""
    right = Variants({}, {})
    wrong: list[Found] = []

    def add(name: str, patch: Mapping[str, Any], place: Callable[[Found], Found]) -> Scenario | None:
        changed, found = patched(dict(data), patch, ())
        under = None
        if not found:
            under, seen = load.checked(changed, folders)
            found = [_at_the_patch(it, patch, ()) for it in seen]
        wrong.extend(place(it) for it in found)
        if found or under is None:
            return None
        right.scenarios[name], right.patches[name] = under, patch
        return under

    for name in scenario.variants:
        add(name, data["variants"][name], lambda it, name=name: Found(("variants", name, *it.loc), *it[1:]))  # type: ignore[misc]
    if AS_WRITTEN in scenario.variants:
        what = f"{AS_WRITTEN!r} is the scenario itself: give the variant another name"
        wrong.append(Found(("variants", AS_WRITTEN), what, True))
    own = scenario.model_copy(update={"variants": {}, "combine": {}, "baseline": None})
    for name, patch, places in _combined(data.get("combine") or {}, wrong, len(scenario.variants)):
        if name in right.scenarios:
            wrong.append(Found(("combine",), f"this makes a variant {name!r}, and there is one of that name already"))
        elif add(name, patch, lambda it, places=places: _in_the_lists(it, places)) == own:  # type: ignore[misc]
            del right.scenarios[name], right.patches[name]
    names = [AS_WRITTEN, *right.scenarios]
    if scenario.baseline is not None and scenario.baseline not in names and not wrong:
        what = f"there is no variant {scenario.baseline!r}: {advise(scenario.baseline, names)}"
        wrong.append(Found(("baseline",), what))
    return right, list(dict.fromkeys(wrong))


def _combined(
    lists: Mapping[str, Any], wrong: list[Found], others: int
) -> Iterator[tuple[str, dict[str, Any], dict[str, int]]]:
    """Give every combination: its name, its patch, and which value of each list it takes."""
    for path, values in lists.items():
        if not values:
            wrong.append(Found(("combine", path), "an empty list makes no combination: give at least one value"))
    if (many := math.prod(map(len, lists.values()))) + others > _MOST:
        wrong.append(Found(("combine",), f"this makes {many:,} combinations: at most {_MOST} variants are compared"))
        return
    short = {path: _told_apart(path, lists) for path in lists}
    for places in product(*(range(len(values)) for values in lists.values())) if lists else ():
        chosen = dict(zip(lists, places, strict=True))
        patch = {path: lists[path][place] for path, place in chosen.items()}
        yield " + ".join(f"{short[path]} {_in_words(value)}" for path, value in patch.items()), patch, chosen


def _told_apart(path: str, paths: Iterable[str]) -> str:
    """Give the shortest end of a path that no other path ends with."""
    parts = path.split(".")
    for many in range(1, len(parts)):
        end = ".".join(parts[-many:])
        if not any(other != path and f".{other}".endswith(f".{end}") for other in paths):
            return end
    return path


def _in_words(value: Any) -> str:
    """Write a value on one line; a mapping by its values, which say most."""
    if isinstance(value, Mapping):
        return "(" + ", ".join(f"{key} {_in_words(item)}" for key, item in value.items()) + ")"
    if isinstance(value, list):
        return "(" + ", ".join(map(_in_words, value)) + ")"
    return "none" if value is None else str(value).lower() if isinstance(value, bool) else str(value)


def _in_the_lists(it: Found, places: Mapping[str, int]) -> Found:
    """Tell a mistake under a combination at the value of the list that made it."""
    path = str(it.loc[0]) if it.loc else ""
    if path not in places or it.at_key:
        return Found(("combine", *it.loc), *it[1:])
    return Found(("combine", path, places[path], *it.loc[1:]), it.told())


def patched(data: dict[str, Any], patch: Mapping[str, Any], here: Loc) -> tuple[dict[str, Any], list[Found]]:
    """Give plain data with some values changed, and what is wrong with the paths; ``here`` is the patch's own path.

    The changed data has no variants of its own, and nothing that is about them.
    """
    changed: dict[str, Any] = deepcopy({key: value for key, value in data.items() if key not in _COMPARING})
    found = []
    for path, value in patch.items():
        if wrong := _set(changed, path, value):
            found.append(Found((*here, path), wrong, True))
    return changed, found


def _set(data: dict[str, Any], path: str, value: Any) -> str | None:
    """Set one value in place; None if the path leads somewhere, else what is wrong with it."""
    inner: Any = data
    loc: Loc = ()
    parts = path.split(".")
    for place, part in enumerate(parts):
        last = place == len(parts) - 1
        known = keys_at(loc)
        before = ".".join(parts[:place]) or "the scenario"
        if isinstance(inner, list):
            number = _number(inner, part)
            if number is None:
                return f"{before} has {len(inner)} items, counted from 0, and none is called {part!r}"
            loc = (*loc, number)
        elif isinstance(inner, dict) and known:
            if part not in known or path.split(".")[0] in _COMPARING:
                allowed = [key for key in known if key not in _COMPARING or loc]
                return f"there is no {part!r} in {before}: {advise(part, allowed)}"
            loc = (*loc, part)
            if not last and inner.get(part) is None:
                inner[part] = [] if "items" in _plain_node(loc) else {}
        elif isinstance(inner, dict) and has_free_keys(resolve(node_at(loc))):
            if not last and part not in inner:
                return f"there is no {part!r} in {before}: {advise(part, inner) if inner else 'it is empty'}"
            loc = (*loc, part)
        else:
            return f"{before} is one value, nothing lies below it"
        key = loc[-1]
        if last:
            inner[key] = deepcopy(value)
        else:
            inner = inner[key]
    return None


def _plain_node(loc: Loc) -> Mapping[str, Any]:
    node = resolve(node_at(loc))
    for choice in node.get("anyOf", ()):
        if choice.get("type") != "null":
            return resolve(choice)
    return node


def _number(items: list[Any], part: str) -> int | None:
    """Give the place of an item in a list, by its number or by its name."""
    if part.isdecimal() and part.isascii() and int(part) < len(items):
        return int(part)
    named = [place for place, item in enumerate(items) if isinstance(item, dict) and item.get("name") == part]
    return named[0] if named else None


def _at_the_patch(it: Found, patch: Mapping[str, Any], here: Loc) -> Found:
    """Tell a mistake under a variant at the path of the variant that is nearest to it."""
    loc = list(map(str, it.loc))

    def shared(path: str) -> int:
        parts = path.split(".")
        alike = 0
        while alike < min(len(parts), len(loc)) and parts[alike] == loc[alike]:
            alike += 1
        return alike

    nearest = max(patch, key=shared, default=None)
    if nearest is None:
        return Found(here, it.told())
    parts = nearest.split(".")
    if shared(nearest) < len(parts):
        return Found((*here, nearest), f"under this variant {'.'.join(loc)} is wrong: {it.told()}")
    return Found((*here, nearest, *it.loc[len(parts) :]), it.told(), it.at_key, False, it.counts)
