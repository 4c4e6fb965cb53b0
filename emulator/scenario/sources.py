"""How many of a scenario's values were measured, how many guessed, and how many say nothing of where they come from?

What counts is what could be measured: numbers and durations below the sections that describe the world. What is asked
of the night, names, texts, times of day and choices do not count. A value with a source counts once, whatever it holds.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any, Final

from emulator.scenario.durations import parse_duration
from emulator.scenario.load import Loaded
from emulator.scenario.provenance import SOURCES

__all__ = ["WITHOUT", "measurable", "old_sources", "source_counts"]

Loc = tuple[str | int, ...]

WITHOUT: Final = "without a source"
"""Under which name values are counted that say nothing of where they come from."""

_OF_THE_WORLD: Final = ("queues", "pools", "systems", "access", "routines", "arrivals", "faults")


def source_counts(loaded: Loaded) -> dict[str, int]:
    """Count the stated values of a scenario by their source, in the order of ``SOURCES``; those without one come last.

    >>> import emulator
    >>> source_counts(emulator.from_settings({
    ...     "title": "Copies", "starts": "2026-06-12T21:30:00", "lasts": "6h", "queues": {"night": {"lease": "90s"}},
    ...     "pools": {"dome": {"count": 2, "serves": ["night"]}}, "routines": {"copy": {"queue": "night", "parts": [
    ...         {"name": "copy", "takes": {"value": {"median": "4m", "p95": "9m"}, "from": "guess"}}]}},
    ...     "arrivals": [{"routine": "copy", "count": 10, "at": "21:30"}],
    ... }))
    {'guess': 1, 'without a source': 3}
    """
    counts = Counter(told.source for told in loaded.said.values())
    world = [key for key in _OF_THE_WORLD if key in loaded.data]
    without = sum(1 for key in world for _ in _bare(loaded.data[key], (key,), loaded.said))
    found = {source: counts[source] for source in SOURCES if counts[source]}
    return {**found, WITHOUT: without} if without else found


def _bare(value: Any, loc: Loc, said: Mapping[Loc, Any]) -> Iterator[Loc]:
    """List the numbers and durations at and below a path that stand under no source."""
    if loc in said:
        return
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield from _bare(item, (*loc, key), said)
    elif isinstance(value, list | tuple):
        for place, item in enumerate(value):
            yield from _bare(item, (*loc, place), said)
    elif measurable(value):
        yield loc


def measurable(value: Any) -> bool:
    """Say whether a value is one that could be measured: a number or a duration.

    >>> measurable(3), measurable("90s"), measurable("21:30"), measurable(True)
    (True, True, False, False)
    """
    return _is_number(value) or (isinstance(value, str) and _is_duration(value))


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _is_duration(text: str) -> bool:
    if not text[:1].isdigit() and not text.startswith("P"):
        return False
    try:
        parse_duration(text)
    except ValueError:
        return False
    return True


def old_sources(loaded: Loaded, before: date) -> list[tuple[Loc, str, date]]:
    """List the values whose source is of an earlier day, in file order: path, kind of source, day."""
    return [
        (loc, told.source, told.on) for loc, told in loaded.said.items() if told.on is not None and told.on < before
    ]
