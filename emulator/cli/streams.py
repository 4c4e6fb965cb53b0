"""What becomes of the program where a standard stream is closed, on a full disk, or read by nobody any more?

The law: a stream that was closed takes everything and keeps nothing, as if it had been sent to the null device. Results
that cannot be written are wrong input, as a file is that cannot be written; complaints that cannot be written change
no exit code.
"""

import errno
import os
import sys
from collections.abc import Callable
from typing import Any, Final

import click

__all__ = [
    "complain",
    "complain_by",
    "is_of_output",
    "let_go",
    "open_closed_streams",
    "page_width",
    "tell",
    "tell_json",
]

_UNWRITABLE: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF)


def open_closed_streams() -> None:
    """Open what was closed when the program began, before a file of its own could get that number and be written to."""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.set_inheritable(os.open(os.devnull, os.O_RDWR), True)  # it gets the lowest number that is free: this one
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115  # it stays open to the end


def let_go(number: int) -> None:
    """Let a standard stream that failed take everything from now on, or the interpreter fails on it at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), number)


def is_of_output(error: BaseException) -> bool:
    """Say whether an error tells that a stream cannot be written; those of files of the program's own name the file."""
    return isinstance(error, OSError) and error.errno in _UNWRITABLE and error.filename is None


def page_width() -> int:
    """Say how wide tables may be: ``WIDE`` where the terminal is as wide, or COLUMNS in the environment says so."""
    from emulator.show.layout import WIDE, WIDTH

    given = os.environ.get("COLUMNS", "")
    try:
        wide = int(given) if given.isascii() and given.isdecimal() else os.get_terminal_size(1).columns
    except OSError:
        return WIDTH
    return WIDE if wide >= WIDE else WIDTH


def tell(text: str, *, err: bool = False) -> None:
    """Write lines, without what a terminal would take for a command or for a change of direction."""
    from emulator.show.layout import clean

    click.echo("\n".join(map(clean, text.split("\n"))), err=err)


def tell_json(value: Any) -> None:
    """Write a line of JSON, with escapes for what a terminal would not simply show."""
    import json

    from emulator.show.trail import escaped

    click.echo(escaped(json.dumps(value, ensure_ascii=False), for_json=True))


def complain(text: str) -> None:
    """Write to standard error, if that can be done."""
    complain_by(lambda: tell(text, err=True))


def complain_by(write: Callable[[], object]) -> None:
    """Do what writes to standard error, if that can be done."""
    try:
        write()
    except OSError:
        let_go(2)
