"""Which measured times does a file hold, from which a distribution draws?

``{from_file: times.csv}`` stands for ``{one_of: [...]}`` with the times of the file. A line is a duration such as
``90s``, or a number of seconds; what follows a comma, a semicolon or a tab is not read; a first line that is no time is
a heading; blank lines are passed over.
"""

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from emulator.errors import InputError
from emulator.scenario.durations import parse_duration
from emulator.scenario.files import Folders, open_regular, read_once
from emulator.scenario.messages import Found

__all__ = ["times_files", "with_times"]

Loc = tuple[str | int, ...]

_HOLDERS: Final = (dict, list)
_MOST: Final = 100_000
_LARGEST: Final = 10_000_000
_NUMBER: Final = re.compile(r"\d{1,9}(?:\.\d{1,9})?")


def with_times(data: Any, folders: Folders) -> tuple[Any, list[Found]]:
    """Put the times of every file that is named in the place of its name; what cannot be read is told, and stays."""
    found: list[Found] = []
    return _walked(data, folders, (), found), found


def times_files(data: Any) -> Iterator[str]:
    """List the files of times that plain data names."""
    if isinstance(data, Mapping):
        if isinstance(name := data.get("from_file"), str):
            yield name
        for value in data.values():
            if isinstance(value, _HOLDERS):
                yield from times_files(value)
    elif isinstance(data, list):
        for item in data:
            if isinstance(item, _HOLDERS):
                yield from times_files(item)


def _walked(data: Any, folders: Folders, loc: Loc, found: list[Found]) -> Any:
    if isinstance(data, list):
        return [_walked(item, folders, (*loc, place), found) for place, item in enumerate(data)]
    if not isinstance(data, dict) or (not loc and not any(times_files(data))):
        return data
    name = data.get("from_file")
    if isinstance(name, str) and name and loc[:1] != ("variants",):
        if wrong := folders.check(name):
            found.append(Found((*loc, "from_file"), wrong))
            return data
        try:
            times = _times(folders.own / name)
        except InputError as error:
            found.append(Found((*loc, "from_file"), str(error)))
            return data
        return {**{key: value for key, value in data.items() if key != "from_file"}, "one_of": list(times)}
    return {key: _walked(value, folders, (*loc, key), found) for key, value in data.items()}


@read_once
def _times(path: Path) -> tuple[str, ...]:
    """Read the times of a file.

    Raises:
        InputError: it cannot be read, holds no time or too many, or a line is none.
    """
    try:
        with open_regular(path) as file:
            raw = file.read(_LARGEST + 1)
        text = raw.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path.name}: cannot be read as a file of times: {error}") from error
    times = []
    for line, whole in enumerate(text.splitlines(), 1):
        cell = re.split("[,;\t]", whole, maxsplit=1)[0].strip()
        if not cell:
            continue
        said = f"{cell}s" if _NUMBER.fullmatch(cell) else cell
        try:
            parse_duration(said)
        except ValueError as error:
            if line == 1:
                continue
            raise InputError(f"{path.name}:{line}: {cell[:40]!r} is no time: {error}") from error
        times.append(said)
    if not times or len(times) > _MOST or len(raw) > _LARGEST:
        raise InputError(f"{path.name}: holds {len(times)} times: give from 1 to {_MOST}, a line each")
    return tuple(times)
