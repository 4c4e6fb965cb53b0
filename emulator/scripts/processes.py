"""Runs one script: starts it, waits until all its processes sleep, answers its calls, stops, continues and kills it.

**The quiet rule.** Nothing that a script asks is answered before all its processes sleep; then its calls go in the
order of birth in the process tree, then of their arguments. Which of two helpers reached us first depends on the
machine; who waits when everybody waits does not. Asleep is: no thread runs or is ready to run in two looks at
/proc, between which no thread has been switched (the counts of context switches are equal). A thread that is about to
sleep is called sleeping already, and may be held up there for long on a busy machine: what it waits in (wchan) tells
that it really sleeps, because the kernel names that only for what is not ready to run.

All that stands here takes real time and no virtual time, and reads the real clock only to end what stands still.
"""

import json
import os
import re
import select
import shutil
import socket
import struct
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from emulator.errors import QueuedrillError
from emulator.scripts import keeper
from emulator.scripts.stand_ins import Connection, Request
from emulator.scripts.starter import Starter, waits

__all__ = ["Call", "Process", "ScriptStandsStillError", "Stretch", "unknown_commands"]

_LISTEN: Final = 256
_LOOK_AGAIN: Final = 0.0005  # seconds between looks while something still runs
_LISTEN_FOR: Final = 0.02  # seconds to wait for a call once everything sleeps
_MOST_PROCESSES: Final = 500
_FIRST_PORT: Final = 8080
_PEER: Final = struct.Struct("3i")
_MEBIBYTE: Final = 1 << 20
_LIMITS: Final = {
    "RLIMIT_FSIZE": 256 * _MEBIBYTE,
    "RLIMIT_AS": 8192 * _MEBIBYTE,
    "RLIMIT_CORE": 0,
    "RLIMIT_NOFILE": 1024,
}


class ScriptStandsStillError(QueuedrillError):
    """A script neither called, nor ended, nor computed within its limit of real time, or it ran on for longer."""


def _now() -> float:
    """Read the real monotonic clock, whatever virtual time a handler's clocks show."""
    return time.clock_gettime(time.CLOCK_MONOTONIC)


@dataclass(eq=False, slots=True)
class Call:
    """One call of a stand-in that waits for its answer.

    Attributes:
        argv: the command's name and its arguments, as text (bytes that are no UTF-8 as surrogates, as ``os.fsdecode``).
        folder: where it was called.
        line: the script's line as far as it is known, such as ``copy.sh:2``; "" if not.
        input: what it was given on standard input; None if it was not asked for.
        is_gone: whether the caller no longer waits: it has ended, was killed, or its time limit is over.
        code: the exit code of the command under a limit of time, once it has ended.
    """

    argv: list[str]
    folder: str
    line: str
    process: int
    _socket: socket.socket
    input: bytes | None = None
    is_gone: bool = False
    code: int | None = None
    is_reading: bool = False
    is_answered: bool = False
    place: tuple[int, ...] = ()
    _received: bytearray = field(default_factory=bytearray)

    def answer(self, code: int = 0, output: bytes = b"", error: bytes = b"") -> None:
        """Have it print, and end with an exit code."""
        for kind, data in ((b"O", output), (b"F", error)):
            if data:
                self._say(kind, data)
        self._say(b"X", bytes([code]))
        self._close()

    def die(self, number: int, output: bytes = b"", error: bytes = b"") -> None:
        """Have it print, and die by a signal."""
        for kind, data in ((b"O", output), (b"F", error)):
            if data:
                self._say(kind, data)
        self._say(b"K", bytes([number]))
        self._close()

    def run_limited(self, number: int, command: Sequence[str]) -> None:
        """Have it run a command below itself, to which it sends a signal when the limit is over (``end_limit``)."""
        self._say(b"L", b"\0".join([str(number).encode(), *map(os.fsencode, command)]))

    def end_limit(self) -> None:
        """Tell it that the limit of time is over."""
        self._say(b"T", b"")

    @property
    def has_left(self) -> bool:
        """Whether the caller has left without an answer, or the command under its limit has ended."""
        return not self.is_answered and (self.is_gone or self.code is not None)

    def _say(self, kind: bytes, data: bytes) -> None:
        try:
            self._socket.sendall(kind + len(data).to_bytes(4, "big") + data)
        except OSError:  # the caller has died meanwhile
            self.is_gone = True

    def _close(self) -> None:
        self.is_answered = True
        self._socket.close()

    def _receive(self) -> bool:
        """Take what has come on its socket; False when nobody is at the other end."""
        try:
            piece = self._socket.recv(1 << 18)
        except OSError:
            piece = b""
        if not piece:
            self.is_gone = True
            self._socket.close()
            return False
        self._received += piece
        while len(self._received) >= 5:
            size = int.from_bytes(self._received[1:5], "big")
            if len(self._received) < 5 + size:
                break
            kind, data = bytes(self._received[:1]), bytes(self._received[5 : 5 + size])
            del self._received[: 5 + size]
            if kind == b"I":
                self.input = (self.input or b"") + data
                self.is_reading = bool(data)
            elif kind == b"D":
                self.code = data[0]
                self._socket.close()
                return True
        return True


@dataclass(frozen=True, slots=True)
class Stretch:
    """What a script has done between two quiet moments.

    Attributes:
        calls: the calls that wait for an answer and were not given before, in order.
        gone: calls that were given before and whose caller no longer waits.
        exit: the exit code once the script has ended (negative: the signal that ended it), else None.
        left_running: how many processes it left behind when it ended; they are killed.
        waited: whether it went on by itself after all its processes slept: by a timer of its own, in real time.
    """

    calls: list[Call | Request]
    gone: list[Call | Request]
    exit: int | None
    left_running: int = 0
    waited: bool = False


class Process:
    """One script that runs, with everything that it has started.

    Args:
        starter: what starts it.
        argv: the program, looked for in ``paths``, and its arguments.
        folder: where it runs.
        paths: the folder of its PATH.
        environment: more variables of its environment.
        wants_input: says for a call's arguments whether its standard input is to be read.
        real_limit: real seconds for one stretch without a call or an end.
        bases: the variables of the environment that hold base addresses of stand-ins over HTTP.
    """

    def __init__(
        self,
        starter: Starter,
        argv: Sequence[str],
        folder: Path,
        paths: Path,
        *,
        environment: Mapping[str, str] | None = None,
        wants_input: Callable[[list[str]], bool] = lambda _: False,
        real_limit: float = 60.0,
        bases: Sequence[str] = (),
    ) -> None:
        self.notes: list[str] = []
        self.output = b""
        self.error = b""
        self._listening: list[tuple[str, socket.socket]] = []
        self._connections: list[Connection] = []
        self._wants_input = wants_input
        self._real_limit = real_limit
        self._waiting: list[Call | Request] = []  # calls that came and were not given yet
        self._given: list[Call | Request] = []
        self._exit: int | None = None
        self._is_killed = False
        self._lines = b""
        self._received: list[int] = []
        self._folder = Path(tempfile.mkdtemp(dir=starter.folder))
        self._sees_waiting = starter.sees_waiting
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(self._folder / "calls"))
        self._listener.listen(_LISTEN)
        self._channel, theirs = socket.socketpair()
        ports = self._ports(starter, bases)
        program = paths / argv[0] if "/" not in argv[0] else folder / argv[0]
        request = {
            "argv": list(argv),
            "program": str(program),
            "folder": str(folder),
            "ports": list(ports.values()),
            "limits": _LIMITS,
            "environment": {
                "PATH": str(paths),
                "HOME": str(folder),
                "LANG": "C.UTF-8",
                "TZ": "UTC",
                **(environment or {}),
                **{name: f"http://127.0.0.1:{port}" for name, port in ports.items()},
                "QUEUEDRILL_SOCKET": str(self._folder / "calls"),
            },
        }
        with (
            open(os.devnull, "rb") as nothing,
            open(self._folder / "output", "wb") as output,
            open(self._folder / "error", "wb") as error,
            theirs,
        ):
            starter.start(request, [it.fileno() for it in (theirs, nothing, output, error)])
        told: dict[str, Any] = {}
        while not {"started", "keeper"} <= told.keys():
            told.update(self._message())
            if "error" in told:
                raise QueuedrillError(f"{argv[0]} could not be started: {told['error']}")
            if "note" in told:
                self.notes.append(told.pop("note"))
        self._keeper = int(told["keeper"])
        for name, number in zip(ports, self._received, strict=False):
            self._listening.append((name, socket.socket(fileno=number)))
        self._exit = told.get("exit")

    def _ports(self, starter: Starter, bases: Sequence[str]) -> dict[str, int]:
        """Give each base address its port: fixed ones in a network of its own, else free ones of this machine."""
        if starter.namespaces:
            return {name: _FIRST_PORT + place for place, name in enumerate(bases)}
        self._listening = [(name, socket.create_server(("127.0.0.1", 0))) for name in bases]
        return {name: listener.getsockname()[1] for name, listener in self._listening}

    # -- until it is quiet --------------------------------------------------------------------------------------------

    def run(self) -> Stretch:
        """Let it run until all its processes sleep and something is to be answered, or until it has ended.

        Raises:
            ScriptStandsStillError: when neither happens within the limit of real time.
        """
        began = _now()
        slept = False
        while True:
            while self._take(0):
                pass
            found, places = self._look()
            if self._exit is not None and not found:
                return self._stretch(places, slept)
            if not found:  # its keeper is about to tell of its end
                self._take(_LISTEN_FOR)
            elif all(state in b"ST" for state, _ in found.values()) and self._look()[0] == found and not self._take(0):
                if self._is_someones_turn():
                    return self._stretch(places, slept)
                if self._exit is not None:
                    self.kill()
                    return self._stretch(places, slept, len(found))
                if not self._take(_LISTEN_FOR):
                    slept = True
            else:
                self._take(_LOOK_AGAIN)
            if _now() - began > self._real_limit:
                raise ScriptStandsStillError(self._why_it_stands_still(found))

    def _is_someones_turn(self) -> bool:
        """Whether it waits for us: a call has come, a caller has left, or a call that was given has no answer yet."""
        return any(not it.is_reading for it in self._waiting) or any(not it.is_answered for it in self._given)

    def _stretch(self, places: Mapping[int, tuple[int, ...]], waited: bool, left_running: int = 0) -> Stretch:
        ready = [it for it in self._waiting if not it.is_reading]
        for call in ready:
            call.place = places.get(call.process, ())
        ready.sort(key=lambda it: (it.place, it.argv))
        gone = [it for it in self._given if it.has_left]
        self._waiting = [it for it in self._waiting if it.is_reading]
        self._given = [it for it in [*self._given, *ready] if not it.is_answered and not it.has_left]
        ended = self._exit if not ready else None
        return Stretch([it for it in ready if not it.is_gone], gone, ended, left_running, waited)

    def _look(self) -> tuple[dict[tuple[int, int], tuple[bytes, bytes]], dict[int, tuple[int, ...]]]:
        """Look at every thread below the keeper: its state and its context switches; and where in the tree it is."""
        found: dict[tuple[int, int], tuple[bytes, bytes]] = {}
        places: dict[int, tuple[int, ...]] = {self._keeper: ()}
        todo = [self._keeper]
        while todo:
            process = todo.pop()
            children: list[int] = []
            try:
                for thread in os.listdir(f"/proc/{process}/task"):
                    with open(f"/proc/{process}/task/{thread}/status", "rb") as file:
                        status = file.read()
                    state = status[status.index(b"State:") + 7 :][:1]
                    if state == b"S" and self._sees_waiting and waits(process, int(thread)) is False:
                        state = b"R"
                    if state not in b"ZX" and process != self._keeper:
                        found[process, int(thread)] = (state, status[status.index(b"voluntary_ctxt") :])
                    with open(f"/proc/{process}/task/{thread}/children", "rb") as file:
                        children += [int(it) for it in file.read().split()]
            except (OSError, ValueError):  # it ended while it was looked at: not quiet
                found[process, 0] = (b"?", os.urandom(8))
            for number, child in enumerate(children):
                places[child] = (*places[process], number)
            todo += children
            if len(places) > _MOST_PROCESSES:
                self.kill()
                raise ScriptStandsStillError(f"it has more than {_MOST_PROCESSES} processes at once; all were ended")
        return found, places

    def _take(self, wait: float) -> bool:
        """Take what has come from stand-ins and from the keeper; say whether anything has."""
        open_calls = {
            it._socket: it
            for it in [*self._waiting, *self._given]
            if isinstance(it, Call) and not (it.is_answered or it.has_left)
        }
        listening = {listener: name for name, listener in self._listening}
        connections = {it.socket: it for it in self._connections if not it.is_closed}
        watched: list[Any] = [self._listener, self._channel, *open_calls, *listening, *connections]
        ready, _, _ = select.select(watched, [], [], wait)
        for it in ready:
            if it is self._listener:
                self._accept()
            elif it is self._channel:
                self._note(self._message())
            elif it in listening:
                self._connections.append(Connection(listening[it], it.accept()[0]))
            elif it in connections:
                self._waiting += connections[it].receive()
            else:
                open_calls[it]._receive()
        while b"\n" in self._lines:
            self._note(self._message())
        return bool(ready)

    def _accept(self) -> None:
        accepted, _ = self._listener.accept()
        process = _PEER.unpack(accepted.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _PEER.size))[0]
        received = bytearray()
        while len(received) < 5 or len(received) < 5 + int.from_bytes(received[1:5], "big"):
            piece = accepted.recv(1 << 18)
            if not piece:  # killed while it was calling
                accepted.close()
                return
            received += piece
        folder, line, *argv = map(os.fsdecode, bytes(received[5:]).split(b"\0"))
        call = Call(argv, folder, line, process, accepted)
        if self._wants_input(argv):
            call.is_reading = True
            call._say(b"R", b"")
        self._waiting.append(call)

    def _note(self, message: Mapping[str, Any]) -> None:
        if "exit" in message:
            self._exit = int(message["exit"])

    def _message(self) -> dict[str, Any]:
        while b"\n" not in self._lines:
            data, descriptors, _, _ = socket.recv_fds(self._channel, 4096, 4)
            self._received += descriptors
            if not data:
                raise QueuedrillError("the process that keeps a script together has ended unasked")
            self._lines += data
        line, self._lines = self._lines.split(b"\n", 1)
        message: dict[str, Any] = json.loads(line)
        return message

    def _why_it_stands_still(self, found: Mapping[tuple[int, int], tuple[bytes, bytes]]) -> str:
        names = []
        for process, _ in found:
            try:
                with open(f"/proc/{process}/cmdline", "rb") as file:
                    names.append(os.fsdecode(file.read()).replace("\0", " ").strip()[:80])
            except OSError:
                pass
        running = "; ".join(dict.fromkeys(names)) or "no process"
        return f"after {self._real_limit:g} s of real time it has neither called nor ended; there is: {running}"

    # -- stopping, continuing, killing --------------------------------------------------------------------------------

    def freeze(self) -> None:
        """Stop every process; a call under way stays under way."""
        self._ask(keeper.STOP)

    def thaw(self) -> None:
        """Let every process go on."""
        self._ask(keeper.CONTINUE)

    def kill(self) -> None:
        """Kill every process at once, and wait until there is none; what was printed so far stays readable."""
        if self._is_killed:
            return
        self._is_killed = True
        self._ask(keeper.KILL)
        for call in [*self._waiting, *self._given]:
            if isinstance(call, Call):
                call._close()
        for connection in self._connections:
            connection.close()
        self._listener.close()
        self._channel.close()
        for _, listener in self._listening:
            listener.close()
        self.output = (self._folder / "output").read_bytes()
        self.error = (self._folder / "error").read_bytes()
        shutil.rmtree(self._folder, ignore_errors=True)

    close = kill

    def __enter__(self) -> "Process":
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    def _ask(self, what: bytes) -> None:
        self._channel.sendall(what)
        while True:
            message = self._message()
            if message.keys() & {"done", "gone"}:
                return
            self._note(message)


def unknown_commands(error: bytes) -> list[str]:
    """Read from what shells print which commands a script looked for and did not find.

    >>> unknown_commands(b"copy.sh: line 2: rsync: command not found\\nsh: 1: scp: not found\\n")
    ['rsync', 'scp']
    """
    found = re.findall(rb"^.*?([^\s:]+): (?:command )?not found$", error, re.MULTILINE)
    return list(dict.fromkeys(os.fsdecode(it) for it in found))
