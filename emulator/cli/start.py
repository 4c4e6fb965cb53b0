"""How does the program begin, so that Ctrl-C ends it in one line from the first moment on?

Loading the commands takes a good part of a second: that is done here, under guard. What comes before ``main`` cannot be
guarded: the interpreter starts, looks for packages, and finds this module with ``typing``, which the package needs.
"""

import os
import sys
from contextlib import suppress
from typing import NoReturn

__all__ = ["main"]


def main() -> NoReturn:
    """Run the program as the command line says, and end the process."""
    try:
        from emulator.cli.main import main as begin

        begin()
    except KeyboardInterrupt:
        with suppress(OSError):  # without the streams: what serves them may be half loaded
            os.write(2, b"queuedrill: stopped by Ctrl-C\n")
        sys.exit(130)
