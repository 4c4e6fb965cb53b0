"""Says that a script will really be run, and asks, before the first run of each version of its file."""

import os
import sys
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from emulator.errors import InputError
from emulator.scripts.hiding import hidden
from emulator.scripts.load import LoadedScripts
from emulator.scripts.matching import fill, in_text

__all__ = ["ask"]

_MOST_KEPT: Final = 1000


def ask(loaded: LoadedScripts, name: str | None, values: Mapping[str, Any], *, yes: bool) -> None:
    """Ask on the terminal whether to run a version of a file for the first time; ``yes`` answers for a build.

    Without a name all scripts of the file are named.

    Raises:
        InputError: when the answer is no, or there is no terminal to ask on.
    """
    if yes or loaded.digest in _agreed():
        return
    names = [name] if name in loaded.scripts.scripts else list(loaded.scripts.scripts)
    shown = in_text(hidden(loaded.scripts, values))
    said = (
        "".join(
            f"{loaded.name}: the script {one!r} will really be run, many times, with your rights: "
            f"{' '.join(fill(it, shown) for it in loaded.scripts.scripts[one].argv)}\n"
            for one in names
        )
        + "It runs in a folder of its own with stand-ins first on its PATH. What it does by absolute paths is not held "
        "back.\nTry it on copies first; your organisation's change control decides.\n"
    )
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise InputError(said + "There is no terminal to ask on: give --yes if you know what the script does.")
    sys.stderr.write(said + "Run it? [y/N] ")
    sys.stderr.flush()
    if sys.stdin.readline().strip().lower() not in ("y", "yes"):
        raise InputError("not run: nothing was started")
    _remember(loaded.digest)


def _place() -> Path:
    home = os.environ.get("XDG_STATE_HOME") or os.path.expanduser("~/.local/state")
    return Path(home) / "queuedrill" / "agreed-scripts"


def _agreed() -> list[str]:
    try:
        return _place().read_text("utf-8").split()
    except (OSError, UnicodeDecodeError):
        return []


def _remember(digest: str) -> None:
    with suppress(OSError):  # then it is asked again
        place = _place()
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text("\n".join([*_agreed(), digest][-_MOST_KEPT:]) + "\n", "utf-8")
