"""Does a variant change a setting, or the world? What changes the world is a what-if: nobody can choose it.

The law: a variant is held against the scenario as written, key by key. It is a what-if when a key that differs is about
faults, about how much work comes, how long it takes or how often it fails, or about how systems answer. Whoever writes
the file may say otherwise: ``candidate: true`` or ``candidate: false`` in the variant.
"""

from collections.abc import Iterator
from typing import Any, Final

from emulator.scenario.models.scenario import Scenario

__all__ = ["changed_keys", "changes_the_world"]

Key = tuple[str | int, ...]

_COMING: Final = frozenset(
    ("count", "per_hour", "every", "gaps", "again_after", "trace", "parameters", "batch", "late_by")
)
"""Keys of an arrival entry that say how much comes."""
_ANYWHERE: Final = frozenset(("takes", "error_share", "permanent_error_share", "fails_after", "answers_in", "outages"))
"""Keys that say how long work takes, how often it fails, and how systems answer, wherever they stand."""
_NOT_COMPARED: Final = frozenset(
    ("title", "about", "brief", "variants", "combine", "baseline", "prefer", "meant_to_miss")
)
"""Keys of a scenario of which no variant is a change."""


def changed_keys(base: Scenario, other: Scenario) -> tuple[Key, ...]:
    """Give the keys in which two scenarios differ; a list of another length is one key."""
    return tuple(_differ(_plain(base), _plain(other), ()))


def _plain(scenario: Scenario) -> dict[str, Any]:
    return {key: value for key, value in scenario.model_dump().items() if key not in _NOT_COMPARED}


def _differ(one: Any, other: Any, loc: Key) -> Iterator[Key]:
    if one == other:
        return
    if isinstance(one, dict) and isinstance(other, dict):
        for key in dict.fromkeys([*one, *other]):
            if key not in one or key not in other:
                yield (*loc, key)
            else:
                yield from _differ(one[key], other[key], (*loc, key))
    elif isinstance(one, tuple | list) and isinstance(other, tuple | list) and len(one) == len(other):
        for place, (item, its) in enumerate(zip(one, other, strict=True)):
            yield from _differ(item, its, (*loc, place))
    else:
        yield loc


def changes_the_world(key: Key) -> bool:
    """Say whether a key is about the world, which nobody chooses.

    >>> changes_the_world(("queues", "night", "lease")), changes_the_world(("faults", 0, "how"))
    (False, True)
    >>> changes_the_world(("arrivals", 0, "count")), changes_the_world(("pools", "dome", "count"))
    (True, False)
    """
    if key[0] == "faults":
        return True
    if key[0] == "arrivals" and (len(key) < 3 or key[2] in _COMING):
        return True
    return any(part in _ANYWHERE for part in key[1:])
