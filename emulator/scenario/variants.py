"""What is a scenario under each of its variants, and do the variants' dotted paths lead anywhere?

A variant names values by dotted paths (``queues.night.retry.first``; an item of a list by its number from 0, an arrival
entry by its name too) and gives each another value. Since the scenario itself is right, whatever is wrong under a
variant is that variant's doing, and is told at the path that made it.
"""

from collections.abc import Mapping
from copy import deepcopy
from pathlib import Path
from typing import Any

from emulator.scenario import load
from emulator.scenario.messages import Found
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.shape import has_free_keys, keys_at, node_at, resolve
from emulator.scenario.spelling import advise

__all__ = ["patched", "wrong_variants"]

Loc = tuple[str | int, ...]


def wrong_variants(
    data: Mapping[str, Any], scenario: Scenario, folder: Path
) -> tuple[dict[str, Scenario], list[Found]]:
    """Apply every variant to a scenario that is right: the scenario under each, and what is wrong with them."""
    right: dict[str, Scenario] = {}
    wrong: list[Found] = []
    for name in scenario.variants:
        patch = data["variants"][name]
        changed, found = patched(dict(data), patch, ("variants", name))
        if not found:
            under, seen = load.checked(changed, folder)
            found = [_at_the_patch(it, patch, ("variants", name)) for it in seen]
            if under is not None:
                right[name] = under
        wrong += dict.fromkeys(found)
    return right, wrong


def patched(data: dict[str, Any], patch: Mapping[str, Any], here: Loc) -> tuple[dict[str, Any], list[Found]]:
    """Give plain data with some values changed, and what is wrong with the paths; ``here`` is the patch's own path.

    The changed data has no variants of its own.
    """
    changed: dict[str, Any] = deepcopy({key: value for key, value in data.items() if key != "variants"})
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
            if part not in known or path.startswith("variants"):
                allowed = [key for key in known if key != "variants" or loc]
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
        return Found(here, it.message)
    parts = nearest.split(".")
    if shared(nearest) < len(parts):
        return Found((*here, nearest), f"under this variant {'.'.join(loc)} is wrong: {it.message}")
    return Found((*here, nearest, *it.loc[len(parts) :]), it.message, it.at_key)
