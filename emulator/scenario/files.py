"""Which files a scenario may name, below its folder or one that somebody allowed; and what a file of past nights says.

The law: a name that stands in a file is not trusted as one that somebody types is. A relative path counts from the file
that it stands in. Where a link leads to is what counts, and nothing is read before it is known to be a regular file: a
device has no end, and a pipe keeps whoever opens it waiting.

Of a file of past nights the first line names the columns; each further line is a night. A factor is read from the
column of its name; what it is for one routine alone from the column ``FACTOR:ROUTINE``, where there is one. What
``sketch`` writes beside a draft is read here too, whatever it is read for.
"""

import csv
import io
import os
import stat
from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache
from io import BufferedReader
from pathlib import Path
from typing import Final, TypeVar

from emulator.errors import InputError
from emulator.records import record
from emulator.scenario.arguments import PATH, listed, must_be

__all__ = [
    "OF_ROUTINE",
    "Folders",
    "PastNights",
    "factor_in",
    "folders_of",
    "open_regular",
    "past_nights",
    "read_once",
]


_AT_ONCE: Final[int] = sum(getattr(os, name, 0) for name in ("O_NONBLOCK", "O_CLOEXEC", "O_BINARY"))
"""Else a pipe would wait for who writes to it; not every system has each of them, and one changes line ends without."""

_ALLOW = "allow its folder by --allow-folder (in Python: allow_folders)"


@record
class Folders:
    """Where the files that a scenario names may lie.

    Attributes:
        own: the scenario's folder, from which relative paths count.
        allowed: other folders below which they may lie.
        trusted: whether they may lie below its own folder too: not if only a log says which folder that is.
    """

    own: Path
    allowed: tuple[Path, ...] = ()
    trusted: bool = True

    def check(self, name: str) -> str:
        """Say why a file that a scenario names may not be read; "" if it may."""
        try:
            path = Path(os.path.realpath(self.own / name, strict=True))
            mode = path.stat().st_mode
        except (FileNotFoundError, NotADirectoryError):
            return f"there is no file {name!r} beside the scenario"
        except OSError as error:
            return f"{name!r} cannot be read: {error.strerror}"
        except ValueError:  # a NUL in the name
            return f"{name!r} is no name of a file"
        if stat.S_ISDIR(mode):
            return f"{name!r} is a folder: name a file in it"
        if not stat.S_ISREG(mode):
            return f"{name!r} is a device, a pipe or a socket: name a regular file"
        roots = (self.own, *self.allowed) if self.trusted else self.allowed
        if any(path.is_relative_to(os.path.realpath(root)) for root in roots):
            return ""
        if not self.trusted:
            return f"{name!r} lies neither below the log's folder nor below the current one: {_ALLOW}"
        return f"{name!r} leads out of the scenario's folder: move it there, or {_ALLOW}"


def folders_of(allow_folders: Iterable[str | os.PathLike[str]]) -> tuple[Path, ...]:
    """Read an argument that names folders.

    Raises:
        InputError: when one of them is not there.

    >>> folders_of(["no-such-folder"])
    Traceback (most recent call last):
    ...
    emulator.errors.InputError: allow_folders: there is no folder no-such-folder
    """
    found = []
    for given in listed("allow_folders", allow_folders):
        must_be(PATH, allow_folders=given)
        if not os.path.isdir(given):
            raise InputError(f"allow_folders: there is no folder {os.fspath(given)}")
        found.append(Path(given).absolute())
    return tuple(found)


_Read = TypeVar("_Read")


def read_once(read: Callable[[Path], _Read]) -> Callable[[Path], _Read]:
    """Let a function that reads a file read it again only when the file has changed: its time or its size."""

    @lru_cache(maxsize=64)
    def kept(path: Path, changed: int, size: int) -> _Read:
        return read(path)

    def given(path: Path) -> _Read:
        try:
            now = path.stat()
        except OSError:
            return read(path)  # which tells what is wrong
        return kept(path, now.st_mtime_ns, now.st_size)

    return given


def open_regular(path: str | os.PathLike[str]) -> BufferedReader:
    """Open a regular file to read its bytes.

    Raises:
        OSError: when it cannot be read, or is no regular file.
    """
    number = os.open(path, os.O_RDONLY | _AT_ONCE)
    if stat.S_ISREG(os.fstat(number).st_mode):
        return os.fdopen(number, "rb")
    os.close(number)
    raise OSError(0, "it is no regular file", os.fspath(path))


OF_ROUTINE: Final = ":"
"""Between a factor and a routine, in the name of a column: ``pace:copy``."""

_MOST_BYTES: Final = 64_000_000
_AGAIN: Final = "make it anew with sketch"


@record
class PastNights:
    """A file of past nights.

    Attributes:
        names: its columns.
        lines: the line on which each night stands.
        rows: each night, by column.
    """

    names: tuple[str, ...]
    lines: tuple[int, ...]
    rows: tuple[Mapping[str, str], ...]


@read_once
def past_nights(path: Path) -> PastNights:
    """Read a file of past nights.

    Raises:
        InputError: it is no such file, with the line and what is wrong there.
    """
    try:
        with open_regular(path) as file:
            raw = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}: name a file that sketch wrote") from error
    if len(raw) > _MOST_BYTES:
        raise InputError(f"{path}: is longer than {_MOST_BYTES:,} bytes: give a file of nights, as sketch writes it")
    try:
        reader = csv.reader(io.StringIO(raw.decode("utf-8-sig"), newline=""))
        told = [(reader.line_num, row) for row in reader if row]
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise InputError(f"{path}:{line}: is not UTF-8: {_AGAIN}") from error
    except csv.Error as error:
        raise InputError(f"{path}:{reader.line_num}: cannot be read as rows: {error}; {_AGAIN}") from error
    names = tuple(told[0][1]) if told else ()
    if twice := [name for name in names if names.count(name) > 1]:
        raise InputError(f"{path}:1: column {twice[0]} stands twice: {_AGAIN}")
    for line, row in told[1:]:
        if len(row) != len(names):
            raise InputError(
                f"{path}:{line}: cannot be read as a night: it has {len(row)} cells, not {len(names)}, "
                "as many as the first line names"
            )
    return PastNights(
        names,
        tuple(line for line, _ in told[1:]),
        tuple(dict(zip(names, row, strict=True)) for _, row in told[1:]),
    )


def factor_in(found: PastNights, night: int, name: str, file: str) -> float:
    """Give a factor of one past night.

    Args:
        found: the file.
        night: the place of the night in it.
        name: of the factor, which is that of its column.
        file: what a message calls the file.

    Raises:
        InputError: the file has no such column, or no number above 0 stands in it.
    """
    if name not in found.names:
        raise InputError(f"{file}: has no column {name!r}, but {', '.join(found.names)}")
    cell = found.rows[night][name]
    try:
        value = float(cell)
    except ValueError:
        value = -1.0
    if not 0 < value < 1e6:
        raise InputError(f"{file}:{found.lines[night]}: {name} is {cell!r} in a night: a factor is a number above 0")
    return value
