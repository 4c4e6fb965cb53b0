"""Keeps a picture in place in a terminal while keys are pressed, and restores the terminal's settings.

The law: whoever leaves gets the terminal as it was: at the end, after any error, at Ctrl-C, at Ctrl-Z (and back again),
and when the process is told to end. Signals only leave a note; it is read between two pictures, a twentieth of a second
later at most, because a handler that writes to the terminal could do so in the middle of a picture. SIGINT stays with
asyncio, which ends the run in order.
"""

import errno
import os
import signal
import sys
import termios
import tty
from collections.abc import Iterable, Iterator
from contextlib import suppress
from select import select
from time import monotonic_ns
from types import FrameType, TracebackType
from typing import Any, Final

from rich.console import Console, Group
from rich.live import Live

from emulator.show.layout import Span, in_colour
from emulator.show.watch import Sight, picture

__all__ = ["Terminal", "has_terminal", "keys_in", "size_of"]

_ENDING: Final = (signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT)
_NOTED: Final = (*_ENDING, signal.SIGTSTP, signal.SIGCONT)
_ARROWS: Final = {b"A": "+", b"B": "-", b"C": "n"}
"""Up and down change the speed, to the right steps."""


def has_terminal() -> bool:
    """Say whether there is a terminal on both sides that can move its cursor."""
    return (
        sys.stdin is not None
        and sys.stdin.isatty()
        and sys.stdout.isatty()
        and os.environ.get("TERM", "").lower() not in ("", "dumb", "unknown")
    )


def keys_in(typed: bytes) -> Iterator[str]:
    """Give the keys that were typed; an escape sequence is one key, and none if it means nothing here.

    >>> list(keys_in(b"n +\\x1b[A\\x1b[15~\\x1bOC\\xc3\\xa9q"))
    ['n', ' ', '+', '+', 'n', 'q']
    """
    place = 0
    while place < len(typed):
        if typed[place : place + 1] == b"\x1b" and typed[place + 1 : place + 2] in (b"[", b"O"):
            place += 2
            while place < len(typed) and not 0x40 <= typed[place] <= 0x7E:
                place += 1
            if final := _ARROWS.get(typed[place : place + 1]):
                yield final
        elif 0x20 <= typed[place] < 0x7F:
            yield chr(typed[place])
        place += 1


def size_of(file: int) -> tuple[int, int]:
    """Give width and height of a terminal; 80 and 24 where it does not know them."""
    try:
        width, height = os.get_terminal_size(file)
    except OSError:
        width = height = 0
    return width or 80, height or 24


class Terminal:
    """The terminal of this process, as long as a night is watched in it: a context."""

    def __init__(self) -> None:
        self._in, self._out = sys.stdin.fileno(), sys.stdout.fileno()
        self._blocks = (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"
        self._console = Console(file=sys.stdout, highlight=False, force_terminal=True)
        self._live: Live | None = None
        self._kept: list[Any] = []
        self._handlers: dict[signal.Signals, Any] = {}
        self._noted: dict[int, None] = {}
        self._shown: tuple[tuple[int, int], list[list[Span]]] | None = None

    def __enter__(self) -> "Terminal":
        for number in _NOTED:
            self._handlers[number] = signal.signal(number, self._note)
        try:
            self._take()
        except BaseException:
            self._leave()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._leave()

    # -- what a viewer does -------------------------------------------------------------------------------------------

    def clock(self) -> int:
        """Give real time in microseconds."""
        return monotonic_ns() // 1000

    def keys(self, seconds: float) -> Iterable[str]:
        """Wait so long for keys, and give those that were pressed; a terminal that has gone away presses ``q``."""
        self._heed()
        try:
            if not select([self._in], [], [], seconds)[0]:
                return []
            typed = os.read(self._in, 1024)
        except OSError:
            typed = b""
        self._heed()
        return list(keys_in(typed)) if typed else ["q"]

    def show(self, sight: Sight) -> None:
        """Show the night as it is, if that looks different from what is shown."""
        size = size_of(self._out)
        lines = picture(sight, *size, blocks=self._blocks)
        if self._live is None or self._shown == (size, lines):
            return
        self._shown = (size, lines)
        self._console.size = size
        self._live.update(Group(*map(in_colour, lines)), refresh=True)

    # -- the terminal's own ways --------------------------------------------------------------------------------------

    def _take(self) -> None:
        self._kept = termios.tcgetattr(self._in)
        _unbroken(lambda: tty.setcbreak(self._in, termios.TCSADRAIN))
        self._console.size = size_of(self._out)
        self._live = Live(
            console=self._console, screen=True, auto_refresh=False, redirect_stdout=False, redirect_stderr=False
        )
        self._shown = None
        self._live.start()

    def _give_back(self, *, typed: int = termios.TCSAFLUSH) -> None:  # no key that came late is for the shell
        live, self._live = self._live, None
        with suppress(OSError, termios.error):  # it may be gone, and then nobody needs it
            if live is not None:
                live.stop()
        with suppress(termios.error):
            if self._kept:
                _unbroken(lambda: termios.tcsetattr(self._in, typed, self._kept))

    def _leave(self) -> None:
        self._give_back()
        for number, handler in self._handlers.items():
            signal.signal(number, handler)
        for noted in self._noted:
            if noted in _ENDING:
                os.kill(os.getpid(), noted)  # it came while nobody looked

    def _note(self, number: int, frame: FrameType | None) -> None:
        self._noted[number] = None

    def _heed(self) -> None:
        """Do what signals have asked for."""
        while self._noted:
            number = next(iter(self._noted))
            del self._noted[number]
            if number in _ENDING:
                self._give_back()
                signal.signal(number, signal.SIG_DFL)
                os.kill(os.getpid(), number)
            elif number == signal.SIGTSTP:
                self._give_back()
                signal.signal(number, signal.SIG_DFL)
                os.kill(os.getpid(), number)  # here the process stands still, until it is continued
                signal.signal(number, self._note)
                self._noted.pop(signal.SIGCONT, None)
                self._take()
            else:  # it was stopped in a way that nobody can see coming; the shell has had the terminal since
                self._give_back(typed=termios.TCSADRAIN)
                self._take()


def _unbroken(work: Any) -> None:
    """Do it again when a signal came in between: that a process is continued is one."""
    while True:
        try:
            work()
            return
        except termios.error as error:
            if error.args[0] != errno.EINTR:
                raise
