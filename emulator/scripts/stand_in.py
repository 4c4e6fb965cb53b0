"""Stands in for a command where there is no Perl: the same program as ``stand_in.pl``, which explains its frames.

It imports only what the interpreter has built in: each import costs some milliseconds, and a script may call a
thousand times.
"""

import _socket
import posix
import sys

_UNIX, _STREAM = 1, 1
_GONE, _BROKEN_PIPE = 125, 13
_ENVIRONMENT = posix.environ

_socket_to_emulator = _socket.socket(_UNIX, _STREAM)
_buffer = b""


def _die_by(number: int) -> None:
    import signal

    signal.signal(number, signal.SIG_DFL)
    posix.kill(posix.getpid(), number)
    posix._exit(128 + number)


def _lost() -> None:
    posix.write(2, b"stand-in: the emulator is gone\n")
    posix._exit(_GONE)


def _take(count: int) -> bytes:
    global _buffer
    while len(_buffer) < count:
        piece = _socket_to_emulator.recv(262144)
        if not piece:
            _lost()
        _buffer += piece
    taken, _buffer = _buffer[:count], _buffer[count:]
    return taken


def _put(descriptor: int, data: bytes) -> None:
    left = memoryview(data)
    try:
        while left:
            left = left[posix.write(descriptor, left) :]
    except BrokenPipeError:
        raise
    except OSError:  # the script has closed that stream: what is printed goes nowhere
        pass


def _say(kind: bytes, data: bytes) -> None:
    _socket_to_emulator.sendall(kind + len(data).to_bytes(4, "big") + data)


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "surrogateescape")


def _run_limited(number: int, command: list[bytes]) -> None:
    """Run a command under a limit of time, below this process; tell of its end, and end as it did."""
    import select
    import signal

    read, write = posix.pipe()
    posix.set_blocking(write, False)
    signal.set_wakeup_fd(write, warn_on_full_buffer=False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    child = posix.fork()
    if child == 0:
        signal.signal(signal.SIGPIPE, signal.SIG_DFL)
        code = 126
        try:
            import os

            _socket_to_emulator.close()
            os.execvp(command[0], command)
        except FileNotFoundError:
            code = 127
        except OSError:
            pass
        posix.write(2, b"timeout: " + command[0] + b": it cannot be run\n")
        posix._exit(code)
    late = False
    while True:
        ready, _, _ = select.select([read] if late else [read, _socket_to_emulator.fileno()], [], [])
        if not late and _socket_to_emulator.fileno() in ready:
            _take(5)
            late = True
            posix.kill(child, number)
            posix.kill(child, signal.SIGCONT)
        if read in ready:
            posix.read(read, 64)
            ended, status = posix.waitpid(child, posix.WNOHANG)
            if ended == child:
                break
    code = posix.waitstatus_to_exitcode(status)
    code = (137 if number == signal.SIGKILL else 124) if late else code if code >= 0 else 128 - code
    _say(b"D", bytes([code]))
    posix._exit(code)


def main() -> None:
    """Tell the emulator of the call, and do what it answers until it says how to end."""
    try:
        _socket_to_emulator.connect(_ENVIRONMENT[b"QUEUEDRILL_SOCKET"])
    except (OSError, KeyError):
        posix.write(2, b"stand-in: the emulator is not there\n")
        posix._exit(_GONE)
    name = _bytes(sys.argv[0].rpartition("/")[2])
    line = _ENVIRONMENT.get(b"QUEUEDRILL_LINE", b"")
    _say(b"A", b"\0".join([posix.getcwdb(), line, name, *map(_bytes, sys.argv[1:])]))
    try:
        while True:
            head = _take(5)
            data = _take(int.from_bytes(head[1:], "big"))
            kind = head[:1]
            if kind == b"O":
                _put(1, data)
            elif kind == b"F":
                _put(2, data)
            elif kind == b"R":
                piece = b"x"
                while piece:
                    piece = posix.read(0, 65536)
                    _say(b"I", piece)
            elif kind == b"L":
                first, *command = data.split(b"\0")
                _run_limited(int(first), command)
            elif kind == b"K":
                _die_by(data[0])
            else:
                posix._exit(data[0])
    except BrokenPipeError:
        _die_by(_BROKEN_PIPE)


if __name__ == "__main__":
    main()
