"""Which times stand in a file that a distribution names? One duration a line, as a scenario writes them."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from emulator.scenario.durations import parse_duration
from emulator.scenario.files import Folders
from emulator.scenario.messages import Found
from emulator.scenario.models.distribution import Distribution

__all__ = ["read_times"]

_MOST = 1_000_000


def read_times(scenario: Any, data: Mapping[str, Any], folders: Folders) -> list[Found]:
    """Read the files that distributions name, and give each its times; tell what is wrong, where the file is named."""
    times: dict[str, tuple[int, ...]] = {}
    found = []
    for loc, name in _named(data, ()):
        if not isinstance(name, str) or name in times:
            continue
        try:
            times[name] = _times(name, folders)
        except ValueError as error:
            found.append(Found(loc, str(error)))
    if scenario is not None and not found:
        for law in _laws(scenario):
            if law.from_file is not None:
                law.take_times(times.get(law.from_file, ()))
    return found


def _times(name: str, folders: Folders) -> tuple[int, ...]:
    if wrong := folders.check(name):
        raise ValueError(wrong)
    try:
        lines = Path(folders.own / name).read_text("utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ValueError(f"this file cannot be read: {error}") from None
    found = []
    for number, line in enumerate(lines, 1):
        text = line.strip()
        if not text or text.startswith("#"):
            continue
        try:
            found.append(parse_duration(text))
        except ValueError as error:
            raise ValueError(f"{name}:{number}:1: {error}") from None
    if not 1 <= len(found) <= _MOST:
        raise ValueError(f"{name} has {len(found)} times: 1 to {_MOST:,} are wanted, one a line")
    return tuple(found)


def _named(data: Any, loc: tuple[str | int, ...]) -> Iterator[tuple[tuple[str | int, ...], Any]]:
    items = data.items() if isinstance(data, Mapping) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        if key == "from_file":
            yield (*loc, key), value
        elif not loc and key in ("variants", "combine", "questions"):
            continue  # each is read on top of the rest
        elif isinstance(value, dict | list):
            yield from _named(value, (*loc, key))


def _laws(value: Any) -> Iterator[Distribution]:
    if isinstance(value, Distribution):
        yield value
    if isinstance(value, dict):
        value = tuple(value.values())
    if isinstance(value, tuple):
        for item in value:
            yield from _laws(item)
    elif hasattr(type(value), "model_fields"):
        for name in type(value).model_fields:
            yield from _laws(getattr(value, name))
