"""Begins the program, so that Ctrl-C ends it in one line from the first moment on.

Loading the commands takes a good part of a second: that is done here, under guard. What comes before ``main`` cannot be
guarded: the interpreter starts, looks for packages, and finds this module, which imports nothing that it has not got.

``--help`` and ``--version`` are answered without loading anything: the help stands in ``emulator.cli.help_text``.

The garbage collector looks for cycles among all that is loaded, again and again while it is loaded and three times when
the process ends. There are none to be found, and it would take a quarter of a first run: ``main`` makes it look rarely,
and spares it the end.
"""

import gc
import os
import sys

TYPE_CHECKING = False  # loading `typing` takes as long as the interpreter takes to start
if TYPE_CHECKING:
    from typing import NoReturn

__all__ = ["main"]

_WIDE = 80
"""Columns from which on the help is always broken into the same lines."""

_RARELY = 100_000
"""So many objects are made, and not gone again, before the garbage collector looks: more than a first run makes."""


def main() -> "NoReturn":
    """Run the program as the command line says, and end the process."""
    gc.set_threshold(_RARELY)
    try:
        _answer_at_once(sys.argv[1:])
        from emulator.cli.main import main as begin

        begin()
    except KeyboardInterrupt:
        from contextlib import suppress

        with suppress(OSError):  # without the streams: what serves them may be half loaded
            os.write(2, b"queuedrill: stopped by Ctrl-C\n")
        sys.exit(130)
    finally:
        gc.freeze()  # what is left goes with the process


def _answer_at_once(arguments: list[str]) -> None:
    """Answer what needs no command, and end the process; whatever is in the way is left to the commands to tell."""
    if len(arguments) != 1 or arguments[0] not in ("--help", "-h", "--version"):
        return
    if arguments[0] == "--version":
        from emulator.version import VERSION

        text = f"queuedrill {VERSION}\n"
    elif _columns() < _WIDE:
        return
    else:
        from emulator.cli.help_text import HELP

        text = HELP
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except (OSError, AttributeError, ValueError):  # a full disk, a pipe that nobody reads, a stream that is closed
        return
    sys.exit(0)


def _columns() -> int:
    """Give the width of the terminal as ``click`` finds it."""
    given = os.environ.get("COLUMNS", "")
    if given.isdecimal() and int(given):
        return int(given)
    try:
        return os.get_terminal_size(1).columns or _WIDE
    except OSError:
        return _WIDE
