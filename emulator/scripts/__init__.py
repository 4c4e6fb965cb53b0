"""Runs people's own scripts on emulated workers: real processes, in virtual time, with stand-ins for what they call.

Says whether own scripts can be run on this system; loads nothing that another system lacks.
"""

import sys

from emulator.errors import InputError

__all__ = [
    "needs_linux",
]


def needs_linux() -> None:
    """Refuse to run scripts where processes cannot be kept together.

    Raises:
        InputError: on another system than Linux.
    """
    if sys.platform != "linux":
        raise InputError(
            f"own scripts need Linux: processes are kept together by means that {sys.platform} does not have"
        )
