"""``queuedrill watch``: in a real pseudo-terminal with keys, and in plain lines without one."""

import errno
import fcntl
import os
import pty
import re
import shlex
import signal
import struct
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from small_place import SCENARIO, Ended

from emulator.cli.main import answer
from emulator.cli.terminal import Terminal, keys_in
from emulator.record.log_reader import open_log

FAULTY = SCENARIO.replace("20m}]", "40m}]") + 'faults: [{power_off: dome-1, at: "21:37", back_after: 5m}]\n'

HALF_A_MINUTE = 30.0


class Watched:
    """``queuedrill watch`` in a pseudo-terminal of its own, of 80 by 24."""

    def __init__(self, *arguments: str, in_shell: str = "", **environment: str) -> None:
        self.master, self.slave = pty.openpty()
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.before = termios.tcgetattr(self.slave)
        self.seen = ""
        self.pid = os.fork()
        if self.pid == 0:  # pragma: no cover  # the child is another program at once
            os.setsid()
            fcntl.ioctl(self.slave, termios.TIOCSCTTY, 0)
            for file in range(3):
                os.dup2(self.slave, file)
            os.environ.update({"TERM": "xterm", "PYTHONUTF8": "1", **environment})
            command = [sys.executable, "-m", "emulator", "watch", *arguments]
            if in_shell:
                command = ["bash", "-c", in_shell.replace("WATCH", shlex.join(command))]
            os.execvp(command[0], command)
        self.status: int | None = None

    def until(self, words: str) -> str:
        """Read until the words have been shown, and give everything since the last time."""
        end = time.monotonic() + HALF_A_MINUTE
        while words not in plain(self.seen):
            assert time.monotonic() < end, f"{words!r} never came: {plain(self.seen)[-3000:]}"
            self._read(0.2)
        seen, self.seen = plain(self.seen), ""
        return seen

    def press(self, keys: str) -> None:
        os.write(self.master, keys.encode())

    def ended(self) -> int:
        """Wait for the end, and give the exit code as shells have it."""
        end = time.monotonic() + HALF_A_MINUTE
        while self.status is None:
            assert time.monotonic() < end, plain(self.seen)[-3000:]
            self._read(0.05)
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.status = status
        while self._read(0.05):  # a read gives a part of what is there
            pass
        return os.WEXITSTATUS(self.status) if os.WIFEXITED(self.status) else 128 + os.WTERMSIG(self.status)

    def settings(self) -> list[object]:
        return termios.tcgetattr(self.slave)

    def close(self) -> None:
        if self.status is None:
            os.kill(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)
        os.close(self.master)
        os.close(self.slave)

    def _read(self, seconds: float) -> bool:
        """Read once, and say whether there was anything."""
        from select import select

        if not select([self.master], [], [], seconds)[0]:
            return False
        try:
            self.seen += os.read(self.master, 65_536).decode("utf-8", "replace")
        except OSError as error:  # pragma: no cover  # Linux says so when nobody holds the other side
            assert error.errno == errno.EIO
            return False
        return True


def plain(text: str) -> str:
    """Leave out what moves the cursor and gives colours."""
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text).replace("\r", "")


@pytest.fixture
def watch(place: Path) -> Iterator[Callable[..., Watched]]:
    """Start ``queuedrill watch``; whatever becomes of the test, it is ended and waited for."""
    (place / "faulty.yaml").write_text(FAULTY)
    started: list[Watched] = []

    def start(*arguments: str, **environment: str) -> Watched:
        started.append(Watched(*arguments, **environment))
        return started[-1]

    yield start
    for one in started:
        one.close()


@pytest.mark.slow
def test_keys_in_a_terminal(watch: Callable[..., Watched], place: Path, queuedrill: Callable[..., Ended]) -> None:
    """Pause, faster, jump to the fault, step and end do what they say; then the summary follows, as after run."""
    seen = watch("faulty.yaml", "--log", "seen.db", "--speed", "1")
    seen.until("1 times real time")
    seen.press(" ")
    seen.until("PAUSED (1 times real time)")
    seen.press("+")
    seen.until("PAUSED (2 times real time)")
    seen.press("f")
    shown = seen.until("A fault began: power off of dome-1")
    assert f"21:37:00 America/Santiago{' ' * 18}PAUSED (2 times real time)" in shown
    seen.press("n")
    assert "21:38:10 America/Santiago" in seen.until("ended: lease lost")
    assert seen.settings() != seen.before  # keys come at once, and are not echoed
    seen.press("e")
    assert seen.ended() == 0
    assert seen.settings() == seen.before
    ran = queuedrill("run", "--log", "ran.db", "faulty.yaml")
    after = plain(seen.seen.split("\x1b[?1049l")[1])
    assert after.startswith(ran.out)
    assert open_log(place / "seen.db").digest == open_log(place / "ran.db").digest


@pytest.mark.slow
@pytest.mark.parametrize(
    ("how", "code", "said"),
    [
        ("q", 130, "queuedrill: stopped at 21:37:00, before the night was over: nothing is judged\n"),
        ("\x03", 130, "queuedrill: stopped by Ctrl-C\n"),
        (signal.SIGTERM, 143, ""),
    ],
)
def test_the_terminal_is_as_it_was(watch: Callable[..., Watched], how: str | int, code: int, said: str) -> None:
    """After q, Ctrl-C and a signal to end, the settings are those of before, the cursor shows, the picture is gone."""
    seen = watch("faulty.yaml")
    seen.until("space pause")
    seen.press("f")
    seen.until("PAUSED")
    if isinstance(how, str):
        seen.press(how)
    else:
        os.kill(seen.pid, how)
    assert (seen.ended(), seen.settings()) == (code, seen.before)
    left = seen.seen
    assert left.count("\x1b[?1049l") == 1
    assert "\x1b[?25h" in left
    assert plain(left.split("\x1b[?1049l")[1]).replace("^C", "") == said


@pytest.mark.slow
def test_the_shell_gets_its_terminal_back_for_a_while(watch: Callable[..., Watched]) -> None:
    """Ctrl-Z gives the terminal back as it was; when the night is continued, picture and keys are there again."""
    seen = watch("faulty.yaml", in_shell="set -m; WATCH; read word; echo back $word; fg; exit $?")
    seen.until("space pause")
    seen.press("f")
    seen.until("PAUSED")
    seen.press("\x1a")
    seen.until("Stopped")
    assert seen.settings() == seen.before
    seen.press("again\n")
    seen.until("back again")
    assert "21:37:00 America" in seen.until("space go on")
    seen.press("q")
    assert (seen.ended(), seen.settings()) == (130, seen.before)


@pytest.mark.slow
def test_a_stop_that_nobody_can_see_coming(watch: Callable[..., Watched]) -> None:
    """After a stop from outside, and in another size, the picture is drawn anew as soon as the night goes on."""
    seen = watch("faulty.yaml")
    seen.until("space pause")
    seen.press(" ")
    seen.until("PAUSED")
    fcntl.ioctl(seen.slave, termios.TIOCSWINSZ, struct.pack("HHHH", 12, 60, 0, 0))
    os.kill(seen.pid, signal.SIGSTOP)
    os.kill(seen.pid, signal.SIGCONT)
    seen.until("space go on")
    seen.press("q")
    assert (seen.ended(), seen.settings()) == (130, seen.before)


@pytest.mark.slow
def test_no_colour_where_none_is_wanted(watch: Callable[..., Watched]) -> None:
    """With NO_COLOR in the environment no colour is written, and every state stands in words."""
    seen = watch("faulty.yaml", NO_COLOR="1")
    seen.until("space pause")
    seen.press("f")
    end = time.monotonic() + HALF_A_MINUTE
    while "power lost" not in seen.seen or "dome-1  off" not in plain(seen.seen):
        assert time.monotonic() < end
        seen._read(0.2)
    assert "38;" not in seen.seen
    seen.press("q")
    assert seen.ended() == 130


@pytest.mark.slow
def test_a_terminal_that_cannot_move_its_cursor_gets_lines(watch: Callable[..., Watched]) -> None:
    """On a terminal called dumb each notable event is a line."""
    seen = watch("faulty.yaml", TERM="dumb")
    assert "21:37:00  A fault began: power off of dome-1\n" in seen.until("change control.")
    assert seen.ended() == 0


def test_without_a_terminal_there_are_lines(place: Path, queuedrill: Callable[..., Ended]) -> None:
    """Each notable event is a line, then comes the summary of run, and its exit code."""
    ended, ran = queuedrill("watch", "misses.yaml"), queuedrill("run", "misses.yaml")
    assert (ended.code, ended.err) == (ran.code, "") == (1, "")
    assert ended.out == (
        "2026-06-12, America/Santiago (UTC-04:00)\n"
        "21:30:00  The run began, with seed 1\n"
        "21:35:00  copy at 5m#1 was submitted to the queue night (routine copy)\n"
        "21:35:00  copy at 5m#2 was submitted to the queue night (routine copy)\n"
        "21:35:00  dome-1 took copy at 5m#1, attempt 1\n"
        "21:45:00  copy at 5m#1 was done after 1 attempt\n"
        "21:45:00  dome-1 took copy at 5m#2, attempt 1\n"
        "21:55:00  copy at 5m#2 was done after 1 attempt\n"
        "23:30:00  The run ended\n"
        "\n" + ran.out
    )


def test_plain_lines_keep_to_a_speed(queuedrill: Callable[..., Ended]) -> None:
    """With a speed the lines come as they are due: two hours at 36,000 times real time take a fifth of a second."""
    began = time.monotonic()
    assert queuedrill("watch", "fits.yaml", "--plain", "--speed", "36000").code == 0
    assert 0.2 <= time.monotonic() - began < 5


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("watch", "none.yaml"), "none.yaml: unreadable: cannot be read: No such file or directory\n"),
        (("watch", "fits.yaml", "--speed", "0"), "0 is out of range: give seconds of virtual time a second, above 0."),
        (("watch", "fits.yaml", "--speed", "nan"), "is out of range"),
        (("watch", "fits.yaml", "--overwrite"), "give --log too"),
        (("watch", "fits.yaml", "--variant", "other"), "there is no variant 'other'"),
    ],
)
def test_mistakes_are_told(queuedrill: Callable[..., Ended], arguments: tuple[str, ...], said: str) -> None:
    """Wrong arguments end with 2 and say what to write."""
    ended = queuedrill(*arguments)
    assert (ended.code, ended.out) == (2, "")
    assert said in ended.err


def test_keys_are_read_from_bytes() -> None:
    """Letters are keys; an arrow is one key; other sequences, control characters and other alphabets are none."""
    assert list(keys_in(b"nq +\x1b[A\x1b[B\x1b[C\x1b[D\x1b[15~\x1bOA\t\xc3\xa9\x1b[")) == list("nq ++-n+")


@pytest.mark.slow
@pytest.mark.parametrize(("keys", "code"), [("e", 0), ("q", 130)])
def test_in_this_process_too(place: Path, monkeypatch: pytest.MonkeyPatch, keys: str, code: int) -> None:
    """Called from Python the command gives its code, and leaves terminal and signals as they were, continued or not."""
    (place / "faulty.yaml").write_text(FAULTY)
    master, slave = pty.openpty()
    read: list[bytes] = []

    def until_the_end() -> None:
        while b"the end of what is shown" not in b"".join(read):
            read.append(os.read(master, 65_536))

    reader = threading.Thread(target=until_the_end, daemon=True)
    handlers = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGTSTP, signal.SIGCONT)}
    with open(slave, encoding="utf-8", closefd=False) as keyboard, open(slave, "w", encoding="utf-8") as screen:
        before = termios.tcgetattr(slave)
        monkeypatch.setenv("TERM", "xterm")
        monkeypatch.setattr("sys.stdin", keyboard)
        monkeypatch.setattr("sys.stdout", screen)
        os.write(master, b" ")
        with Terminal() as terminal:
            os.kill(os.getpid(), signal.SIGCONT)
            assert list(terminal.keys(HALF_A_MINUTE)) == [" "]
            assert list(terminal.keys(0)) == []
        os.write(master, keys.encode())
        reader.start()
        assert answer(["watch", "faulty.yaml"]) == code
        assert termios.tcgetattr(slave) == before
        assert {number: signal.getsignal(number) for number in handlers} == handlers
        screen.write("\nthe end of what is shown\n")
        screen.flush()
        reader.join(HALF_A_MINUTE)
    os.close(master)
    shown = b"".join(read).decode()
    assert "One copy" in plain(shown)
    assert ("One night (seed" in shown) is (code == 0)
