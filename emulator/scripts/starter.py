"""Starts scripts: the consent to really run them, the process that does it, the folder that is their PATH."""

import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from emulator.errors import InputError
from emulator.scripts import keeper, needs_linux
from emulator.scripts.load import LoadedScripts
from emulator.scripts.stand_ins import fill, hidden, in_text

__all__ = [
    "Paths",
    "Starter",
    "ask",
    "can_use_namespaces",
    "sweep",
    "waits",
]


_HERE: Final = Path(__file__).parent
_PREFIX: Final = "queuedrill-scripts-"


class Starter:
    """The process that starts scripts: one for as many attempts as are wanted, closed at the end.

    Args:
        namespaces: keep each script in a PID namespace; None for wherever the system allows it.
    """

    def __init__(self, namespaces: bool | None = None) -> None:
        needs_linux()
        self.namespaces = can_use_namespaces() if namespaces is None else namespaces
        sweep()
        self.folder = Path(tempfile.mkdtemp(prefix=_PREFIX))
        self._lock = _locked(self.folder)
        self._processes = 0
        self._control, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._program = subprocess.Popen(
            [os.path.realpath(sys.executable), "-IS", keeper.__file__, str(theirs.fileno())], pass_fds=[theirs.fileno()]
        )
        theirs.close()
        self.sees_waiting = _sees_waiting(self._program.pid)
        self.first_line = _perl_or_python()

    def start(self, request: Mapping[str, Any], descriptors: Sequence[int]) -> None:
        """Have a script started; its keeper answers over the first of the descriptors."""
        # Each attempt has numbers of its own, as a machine that has run on since would have given them.
        self._processes = (self._processes + 1000) % 30000
        whole = {**request, "namespace": self.namespaces, "first_process": 300 + self._processes}
        socket.send_fds(self._control, [json.dumps(whole).encode()], list(descriptors))

    def close(self) -> None:
        """End the process, and take away the folder in which attempts keep their files."""
        self._control.close()
        self._program.wait()
        shutil.rmtree(self.folder, ignore_errors=True)
        os.close(self._lock)

    def __enter__(self) -> "Starter":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _sees_waiting(process: int) -> bool:
    """Say whether the kernel tells what a process of ours waits in; the one that starts scripts waits all the time."""
    for _ in range(1000):
        if waits(process, process) is not False:
            return True
        time.sleep(0.001)
    return False


def waits(process: int, thread: int) -> bool | None:
    """Say whether a thread is off the run queue; None where that is kept from us, as of a program of another user."""
    try:
        with open(f"/proc/{process}/task/{thread}/wchan", "rb") as file:
            return file.read() != b"0"
    except PermissionError:
        return None


def _locked(folder: Path) -> int:
    """Lock a folder for as long as this process lives: the lock goes with it, however it ends."""
    import fcntl  # not on every system: nothing is started there

    lock = os.open(folder / ".lock", os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    return lock


def sweep() -> list[Path]:
    """Take away the folders that emulators left which were killed: those of this user that nobody has locked."""
    import fcntl

    swept = []
    for folder in Path(tempfile.gettempdir()).glob(_PREFIX + "*"):
        try:
            if folder.is_symlink() or folder.stat().st_uid != os.getuid():
                continue
            lock = os.open(folder / ".lock", os.O_RDWR | os.O_NOFOLLOW)
        except OSError:  # not ours, being made, or gone already
            continue
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(folder, ignore_errors=True)
            swept.append(folder)
        except BlockingIOError:
            pass
        finally:
            os.close(lock)
    return swept


def can_use_namespaces() -> bool:
    """Say whether this system lets this user make a PID namespace."""
    tried = "import ctypes,os,sys; l=ctypes.CDLL(None); sys.exit(l.unshare(0x30000000) or (os.fork() and 0))"
    done = subprocess.run([os.path.realpath(sys.executable), "-IS", "-c", tried], capture_output=True, check=False)
    return done.returncode == 0


def _perl_or_python() -> bytes:
    """Give the program that stands in for commands: Perl's where there is Perl, which starts in a third of the time."""
    perl = shutil.which("perl", path="/usr/bin:/bin:/usr/local/bin")
    if perl:
        return (_HERE / "stand_in.pl").read_bytes().replace(b"#!PERL", b"#!" + os.path.realpath(perl).encode(), 1)
    interpreter = os.path.realpath(sys.executable).encode()
    return b"#!" + interpreter + b" -ISE\n" + (_HERE / "stand_in.py").read_bytes()


class Paths:
    """The only folder on a script's PATH: stand-ins for commands, and links to what else it may use.

    Args:
        folder: where to make it.
        program: the text of the stand-in (``Starter.first_line``).
        commands: the names for which a stand-in is put there.
        basics: the names of what else the script may use, looked for on this machine.

    Attributes:
        missing: the basics that this machine does not have.
    """

    def __init__(self, folder: Path, program: bytes, commands: Sequence[str], basics: Sequence[str]) -> None:
        self.folder = folder
        self.missing: list[str] = []
        folder.mkdir(parents=True)
        stand_in = folder / ".stand-in"
        stand_in.write_bytes(program)
        stand_in.chmod(0o755)
        for name in basics:
            if name not in commands:
                found = _real_program(name)
                if found is None:
                    self.missing.append(name)
                else:
                    (folder / name).symlink_to(found)
        for name in commands:
            (folder / name).symlink_to(".stand-in")


def _real_program(name: str) -> str | None:
    """Find a program itself: a link to a version manager's shim, or into a virtual environment, works nowhere else."""
    if name in ("python", "python3"):
        return os.path.realpath(sys.executable)
    path = os.pathsep.join(it for it in os.environ.get("PATH", os.defpath).split(os.pathsep) if "shims" not in it)
    found = shutil.which(name, path=path + os.pathsep + "/usr/local/bin:/usr/bin:/bin")
    return None if found is None else os.path.realpath(found)


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
