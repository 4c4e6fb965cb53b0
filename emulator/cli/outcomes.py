"""The ends of the program: which exit code an ending has, what is told of it, and standard streams that fail.

The law: a stream that was closed takes everything and keeps nothing, as if it had been sent to the null device. Results
that cannot be written are wrong input, as a file is that cannot be written; complaints that cannot be written change
no exit code.
"""

import errno
import os
import platform
import sys
import traceback
from collections.abc import Callable, Iterable
from typing import Any, Final

import click

from emulator.errors import InputError, ScenarioError

__all__ = [
    "DEFECT",
    "INTERRUPTED",
    "MET",
    "MISSED",
    "NOBODY_READS",
    "UNDECIDED",
    "WRONG_INPUT",
    "complain",
    "complain_by",
    "each_file",
    "guarded",
    "is_of_output",
    "let_go",
    "open_closed_streams",
    "page_width",
    "tell",
    "tell_json",
    "worst",
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


MET: Final = 0
MISSED: Final = 1
WRONG_INPUT: Final = 2
DEFECT: Final = 3
UNDECIDED: Final = 4
INTERRUPTED: Final = 130
NOBODY_READS: Final = 141


def guarded(work: Callable[[], int]) -> int:
    """Do some work that gives an exit code; say on standard error what went wrong if it fails, without a traceback."""
    try:
        return work()
    except (click.ClickException, click.exceptions.Exit, click.Abort, BrokenPipeError):
        raise
    except ScenarioError as error:
        complain(str(error))
        return WRONG_INPUT
    except InputError as error:
        complain(str(error))
        return WRONG_INPUT
    except Exception as error:
        if is_of_output(error):
            raise
        complain(_report(error))
        return DEFECT


def each_file(files: Iterable[str], work: Callable[[str], int]) -> int:
    """Do the work for each file, whatever becomes of the others, and give the worst exit code."""
    return worst(guarded(lambda file=file: work(file)) for file in files)  # type: ignore[misc]  # bound now


def worst(codes: Iterable[int]) -> int:
    """Give the worst of several exit codes: a defect, wrong input, missed, undecided, met.

    >>> worst([0, 4, 1]), worst([4, 0]), worst([])
    (1, 4, 0)
    """
    order = (DEFECT, WRONG_INPUT, MISSED, UNDECIDED)
    found = set(codes)
    return next((code for code in order if code in found), MET)


def _report(error: Exception) -> str:
    from emulator.record.meta import program_version
    from emulator.scenario.clock import zone_data_version

    said = " ".join(str(error).split()) or "no more is known"
    lines = [
        f"queuedrill has a defect, your input is not to blame: {type(error).__name__}: {said}",
        f"queuedrill {program_version()}, Python {platform.python_version()}, zone data {zone_data_version()}, "
        f"{sys.platform}",
        "Please report these lines, the command and the scenario to whoever maintains queuedrill.",
    ]
    if os.environ.get("QUEUEDRILL_TRACEBACK") == "1":
        lines.append("".join(traceback.format_exception(error)).rstrip())
    else:
        lines.append("With QUEUEDRILL_TRACEBACK=1 in the environment, where it happened is shown too.")
    return "\n".join(lines)
