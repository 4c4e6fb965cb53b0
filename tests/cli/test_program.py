"""The program as a whole: help, how it is interrupted, and that its pages know its commands."""

import errno
import os
import re
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from importlib import metadata
from pathlib import Path

import click
import pytest

from emulator.cli.main import COMMANDS, program
from emulator.cli.progress import Progress, progress
from emulator.version import VERSION

Call = Callable[..., tuple[int, str, str]]
ROOT = Path(__file__).parent.parent.parent
PAGES = "".join(page.read_text("utf-8") for page in (ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))))
PROGRAM = [sys.executable, "-m", "emulator"]


def test_help_names_every_command(queuedrill: Call) -> None:
    """``--help`` lists the commands, each with one line."""
    code, out, err = queuedrill("--help")
    listed = re.findall(r"^  (\w+)  +\S.*[^.]\.$", out.partition("Commands:\n")[2], re.MULTILINE)
    assert (code, err, listed) == (0, "", sorted(COMMANDS))


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_and_option_has_help_and_is_on_a_page(name: str) -> None:
    """Each command and each of its options says what it does, and stands in the pages."""
    command = program.get_command(click.Context(program), name)
    assert command is not None
    options = [it for it in command.params if isinstance(it, click.Option)]
    assert command.help
    assert [it.name for it in options if not it.help] == []
    assert f"queuedrill {name}" in PAGES
    assert [it.opts[0] for it in options if f"{it.opts[0]}" not in PAGES] == []


def test_an_unknown_command_is_refused(queuedrill: Call) -> None:
    """A command that does not exist ends with 2 and says so."""
    code, out, err = queuedrill("rnu")
    assert (code, out, err.splitlines()[-1]) == (2, "", "Error: No such command 'rnu'. Did you mean 'run'?")


def test_the_version_is_told(queuedrill: Call) -> None:
    """``--version`` names the program and its version."""
    assert queuedrill("--version") == (0, "queuedrill 0.1.0\n", "")
    assert metadata.version("queuedrill") == VERSION


def once_read(pipe: Path) -> int:
    """Wait until a program reads from a pipe, and give the other end of it."""
    end = time.monotonic() + 60
    while True:
        try:
            return os.open(pipe, os.O_WRONLY | os.O_NONBLOCK)
        except OSError as error:
            assert (error.errno, time.monotonic() < end) == (errno.ENXIO, True)
        time.sleep(0.02)


@pytest.mark.slow
@pytest.mark.parametrize("more", [[], ["--log", "a.qdlog"]])
def test_ctrl_c_ends_a_run_in_one_line(place: Path, more: list[str]) -> None:
    """Ctrl-C in the middle of a run ends it with 130 and one line, without a traceback."""
    scenario = place / "fits.yaml"
    text = scenario.read_text()
    scenario.unlink()
    os.mkfifo(scenario)
    command = [*PROGRAM, "run", "fits.yaml", "--pace", "1", *more]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
        with os.fdopen(once_read(scenario), "w") as file:
            file.write(text)
        time.sleep(0.5)
        running.send_signal(signal.SIGINT)
        out, err = running.communicate(timeout=60)
    assert (running.returncode, out, err) == (130, "", "queuedrill: stopped by Ctrl-C\n")


@pytest.mark.slow
def test_nobody_reading_ends_a_run_quietly(place: Path) -> None:
    """When whoever read the output has gone, the program ends with 141 and says nothing."""
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run([*PROGRAM, "run", "fits.yaml"], stdout=writing, stderr=subprocess.PIPE, text=True)
    os.close(writing)
    assert (done.returncode, done.stderr) == (141, "")


FULL = "queuedrill: the output cannot be written: No space left on device: send it to another place\n"
needs_full = pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full, a disk that is full")


@pytest.mark.slow
@needs_full
@pytest.mark.parametrize("arguments", [["schema"], ["--help"], ["run", "fits.yaml", "misses.yaml"]])
def test_a_full_disk_is_no_defect(place: Path, arguments: list[str]) -> None:
    """Output that cannot be written ends with 2 and one line; where that cannot be written either, it is 2 as well."""
    with open("/dev/full", "w") as full:
        done = subprocess.run([*PROGRAM, *arguments], stdout=full, stderr=subprocess.PIPE, text=True)
        silent = subprocess.run([*PROGRAM, *arguments], stdout=full, stderr=full, text=True)
    assert (done.returncode, done.stderr, silent.returncode) == (2, FULL, 2)


@pytest.mark.slow
@needs_full
@pytest.mark.parametrize("arguments", [["run", "nowhere.yaml"], ["run", "fits.yaml", "--sede", "3"]])
def test_complaints_that_cannot_be_written_change_no_exit_code(place: Path, arguments: list[str]) -> None:
    with open("/dev/full", "w") as full:
        assert subprocess.run([*PROGRAM, *arguments], stdout=subprocess.PIPE, stderr=full).returncode == 2


@pytest.mark.slow
@pytest.mark.parametrize("closed", ["1>&-", "2>&-", "0<&- 1>&- 2>&-"])
def test_a_closed_stream_takes_everything(place: Path, closed: str) -> None:
    """The exit code is that of the run, and no file of the run gets what was to be written there."""
    command = f"{shlex.join(PROGRAM)} run misses.yaml --log a.qdlog {closed}"
    done = subprocess.run(["/bin/sh", "-c", command], capture_output=True, text=True)
    assert (done.returncode, "Traceback" in done.stderr, "defect" in done.stderr) == (1, False, False)
    assert subprocess.run([*PROGRAM, "reproduce", "a.qdlog"], stdout=subprocess.PIPE).returncode == 0


@pytest.mark.slow
def test_nobody_reading_the_help_ends_quietly(place: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run([*PROGRAM, "--help"], stdout=writing, stderr=subprocess.PIPE, text=True)
    os.close(writing)
    assert (done.returncode, done.stderr) == (141, "")


class Terminal:
    """A file that says it is a terminal."""

    def __init__(self) -> None:
        self.text = ""

    def isatty(self) -> bool:
        return True

    def write(self, text: str) -> int:
        self.text += text
        return len(text)

    def flush(self) -> None: ...


def test_progress_is_silent_at_first_and_leaves_no_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is said in the first second, then a share at most five times a second, and in the end it is wiped out."""
    now = [100.0]
    monkeypatch.setattr("emulator.cli.progress.monotonic", lambda: now[0])
    file = Terminal()
    told = Progress(file, "a.yaml")  # type: ignore[arg-type]  # as much of a file as it needs
    for second, share in ((0.5, 0.1), (1.1, 0.25), (1.2, 0.3), (1.4, 1.0)):
        now[0] = 100.0 + second
        told(share)
    told.clear()
    first, second = "a.yaml: 25 % of the night, 3 s left", "a.yaml: 100 % of the night, 0 s left"
    assert file.text == f"\r{first}\r{second}\r{' ' * len(second)}\r"


def test_progress_is_told_only_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where standard error is no terminal, or quiet was asked for, there is nobody to tell."""
    with progress("a.yaml") as told:
        assert told is None
    monkeypatch.setattr(sys, "stderr", Terminal())
    with progress("a.yaml", quiet=True) as told:
        assert told is None
    with progress("a.yaml") as told:
        assert told is not None
