"""How is an entry made to bring more jobs tonight, and which can be?"""

from collections.abc import Callable
from typing import Any

from emulator.scenario.growing import grown
from emulator.scenario.load import Loaded

__all__ = ["Patch", "growing_entries"]

Patch = Callable[[float, float], dict[str, Any]]
"""Gives what a scenario changes to with so many times as many jobs, for a night at a place among its like."""


def growing_entries(loaded: Loaded) -> list[tuple[str, Patch]]:
    """List the entries that can bring more jobs, in file order, each with what it takes.

    Those by `at`, `per_hour`, `again_after` and by a recurrence bring more at once or an hour; those by `every` and
    `gaps` come at shorter gaps. A trace is as it was recorded, and a drawn `batch` stays as it is.

    >>> import emulator
    >>> loaded = emulator.from_settings({
    ...     "title": "Copies", "starts": "2026-06-12T21:30:00", "lasts": "6h", "queues": {"night": {}},
    ...     "pools": {"dome": {"count": 1, "serves": ["night"]}},
    ...     "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "4m"}]}},
    ...     "arrivals": [{"name": "nightly", "routine": "copy", "count": 12, "at": "21:30"}],
    ... })
    >>> [(entry, more(1.5, 0.5)) for entry, more in growing_entries(loaded)]
    [('nightly', {'arrivals.0.count': 18})]
    """
    found: list[tuple[str, Patch]] = []
    for place, (entry, said) in enumerate(zip(loaded.scenario.arrivals, loaded.data["arrivals"], strict=True)):
        path = f"arrivals.{place}"
        if entry.way in ("at", "again_after"):
            found.append((entry.label, _more(f"{path}.count", said.get("count", 1))))
        elif entry.way == "per_hour":
            found.append((entry.label, _more(f"{path}.per_hour", said["per_hour"])))
        elif entry.way == "recurs" and isinstance(said.get("batch", 1), int):
            found.append((entry.label, _more(f"{path}.batch", said.get("batch", 1))))
        elif entry.way in ("every", "gaps") and grown(said[entry.way], 2.0) is not None:
            found.append((entry.label, _sooner(f"{path}.{entry.way}", said[entry.way])))
    return found


def _more(path: str, value: Any) -> Patch:
    # a rate is a number with decimals, whatever it was written as
    plain = float(value) if path.endswith("per_hour") and isinstance(value, int) else value
    return lambda factor, place: {path: grown(plain, factor, place)}


def _sooner(path: str, value: Any) -> Patch:
    return lambda factor, place: {path: grown(value, 1 / factor, place)}
