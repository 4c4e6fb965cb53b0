"""Writes a result to a file; a failure leaves what was there before.

The law: what is to be written is whole before it takes the place of anything. It goes to a file beside the one that is
named, and that is put in its place at the end; what fails before, on a full disk or by Ctrl-C, leaves the old file.
"""

import os
from contextlib import suppress
from pathlib import Path

__all__ = [
    "same_file",
    "write_whole",
]


def same_file(one: str | os.PathLike[str], other: str | os.PathLike[str]) -> bool:
    """Say whether two paths lead to one file, by whichever names; where one is missing, whether they are one path."""
    try:
        return os.path.samefile(one, other)
    except OSError:
        return os.path.realpath(one) == os.path.realpath(other)


def write_whole(path: str | os.PathLike[str], text: str) -> None:
    """Write a text to a file, the lines as they are; what was there stays until the text is written.

    Whatever is no regular file takes the text itself, and so does a file in a folder that takes no other.

    Raises:
        OSError: when it cannot be written.
    """
    place, there = Path(path), os.path.exists(path)
    if not there or place.is_file():
        place = Path(os.path.realpath(path))  # a link stays what it is
        beside = place.with_name(f".queuedrill-{os.urandom(8).hex()}")
        try:
            with open(beside, "x", encoding="utf-8", newline="") as file:
                file.write(text)
            if there:
                beside.chmod(place.stat().st_mode & 0o7777)
            os.replace(beside, place)
            return
        except PermissionError:
            if not there:
                raise
        finally:
            with suppress(OSError):
                beside.unlink(missing_ok=True)
    place.write_text(text, "utf-8", newline="")
