"""Starts scripts and keeps the processes of each together; it runs as a program of its own, beside the emulator.

The emulator starts this file once (``main``). For each attempt it forks a keeper, and the keeper starts the script. All
that the script ever starts stays below its keeper: in a PID namespace whose first process is the keeper, or, where
namespaces are forbidden, by making the keeper the subreaper of its descendants. A process group would not do: a
daemon leaves it. The keeper is told by single bytes what to do (``STOP``, ``CONTINUE``, ``KILL``) and answers in lines
of JSON. When the emulator is gone, its end of the socket closes, and every keeper kills what it keeps.

It imports little, because it is started often in tests, and nothing of the package, because it is started with ``-IS``.
"""

import contextlib
import ctypes
import json
import os
import resource
import select
import signal
import socket
import struct
import sys
from typing import Any, NoReturn

STOP, CONTINUE, KILL = b"S", b"C", b"K"

_NEW_NAMESPACE, _NEW_USER, _NEW_PID, _NEW_NET = 0x20000, 0x10000000, 0x20000000, 0x40000000  # linux/sched.h
_SET_CHILD_SUBREAPER = 36  # linux/prctl.h
_MS_REC_PRIVATE = 0x4000 | 0x40000  # linux/mount.h
_SET_FLAGS, _UP_AND_RUNNING = 0x8914, 0x41  # linux/sockios.h, linux/if.h
_COULD_NOT_START = 126  # as a shell says it (POSIX, 2.8.2)

_libc = ctypes.CDLL(None, use_errno=True)


def _system(result: int, what: str) -> None:
    if result:
        raise OSError(ctypes.get_errno(), what)


def _say(channel: socket.socket, descriptors: list[int] | None = None, **message: object) -> None:
    socket.send_fds(channel, [json.dumps(message).encode() + b"\n"], descriptors or [])


def _descendants(process: int) -> list[int]:
    found, todo = [], [process]
    while todo:
        parent = todo.pop()
        try:
            for thread in os.listdir(f"/proc/{parent}/task"):
                with open(f"/proc/{parent}/task/{thread}/children") as children:
                    below = [int(number) for number in children.read().split()]
                found += below
                todo += below
        except OSError:  # it has just ended
            pass
    return found


def _start_network(ports: list[int]) -> list[socket.socket]:
    """Bring up the loopback of the new network namespace, and listen there for the stand-ins over HTTP."""
    import fcntl

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as plain:
        fcntl.ioctl(plain, _SET_FLAGS, struct.pack("16sH14s", b"lo", _UP_AND_RUNNING, b""))
    return [socket.create_server(("127.0.0.1", port)) for port in ports]


def _become_script(request: dict[str, Any], descriptors: list[int]) -> NoReturn:
    try:
        os.setsid()
        for number, descriptor in enumerate(descriptors):
            os.dup2(descriptor, number)
        os.closerange(3, 1024)
        for number in (signal.SIGPIPE, signal.SIGXFSZ, signal.SIGINT):
            signal.signal(number, signal.SIG_DFL)
        for name, most in request["limits"].items():
            resource.setrlimit(getattr(resource, name), (most, most))
        os.umask(0o022)
        os.chdir(request["folder"])
        os.execve(request["program"], request["argv"], request["environment"])
    except BaseException as error:
        os.write(2, f"{request['argv'][0]}: {error}\n".encode())
        os._exit(_COULD_NOT_START)


class _Keeper:
    """What keeps the processes of one attempt."""

    def __init__(self, channel: socket.socket, request: dict[str, Any], descriptors: list[int]) -> None:
        self.channel, self.request, self.in_namespace = channel, request, request["namespace"]
        _system(_libc.prctl(_SET_CHILD_SUBREAPER, 1, 0, 0, 0), "prctl")
        listening = _start_network(request["ports"]) if request["namespace"] else []
        if self.in_namespace and request["first_process"]:
            # Numbers of processes go on from attempt to attempt: else each script has number 2, and what it reads of
            # itself in a lock file of an earlier attempt looks alive.
            try:
                with open("/proc/sys/kernel/ns_last_pid", "w") as last:
                    last.write(str(request["first_process"]))
            except OSError as error:
                _say(channel, note=f"the numbers of processes start again: {error}")
        read, write = os.pipe()
        os.set_blocking(read, False)
        os.set_blocking(write, False)
        signal.set_wakeup_fd(write, warn_on_full_buffer=False)
        signal.signal(signal.SIGCHLD, lambda *_: None)
        self.woken = read
        self.script = os.fork()
        if self.script == 0:
            _become_script(request, descriptors)
        for descriptor in descriptors:
            os.close(descriptor)
        _say(channel, [it.fileno() for it in listening], started=self.script)
        self.is_told = False

    def serve(self) -> NoReturn:
        self.reap()
        while True:
            ready, _, _ = select.select([self.channel.fileno(), self.woken], [], [])
            if self.woken in ready:
                with contextlib.suppress(BlockingIOError):
                    os.read(self.woken, 4096)
                self.reap()
            if self.channel.fileno() in ready:
                try:
                    asked = self.channel.recv(1)
                except OSError:  # the emulator was killed with something of ours unread
                    asked = KILL
                if asked == STOP:
                    self.signal_all(signal.SIGSTOP)
                    _say(self.channel, done=True)
                elif asked == CONTINUE:
                    self.signal_all(signal.SIGCONT)
                    _say(self.channel, done=True)
                else:  # KILL, or the emulator is gone
                    rounds = self.kill_all()
                    with contextlib.suppress(OSError):
                        _say(self.channel, gone=rounds)
                    os._exit(0)

    def reap(self) -> None:
        while True:
            try:
                ended, status = os.waitpid(-1, os.WNOHANG)
            except ChildProcessError:
                return
            if ended == 0:
                return
            if ended == self.script and not self.is_told:
                self.is_told = True
                _say(self.channel, exit=os.waitstatus_to_exitcode(status))

    def signal_all(self, number: int) -> None:
        if self.in_namespace:
            with contextlib.suppress(ProcessLookupError):
                os.kill(-1, number)  # all in the namespace but its first process, which is this one
            return
        seen: set[int] = set()
        while new := [it for it in _descendants(os.getpid()) if it not in seen]:
            for process in new:
                seen.add(process)
                with contextlib.suppress(ProcessLookupError):
                    os.kill(process, number)

    def kill_all(self) -> int:
        rounds = 0
        while True:
            rounds += 1
            if not self.in_namespace:
                self.signal_all(signal.SIGSTOP)  # so that none forks while others are killed
            self.signal_all(signal.SIGKILL)
            try:
                while os.waitpid(-1, 0 if self.in_namespace else os.WNOHANG)[0]:
                    pass
            except ChildProcessError:
                return rounds


def _map_user(user: int, group: int) -> None:
    for name, text in (("setgroups", "deny"), ("uid_map", f"{user} {user} 1"), ("gid_map", f"{group} {group} 1")):
        with open(f"/proc/self/{name}", "w") as file:
            file.write(text)


def _keep(channel: socket.socket, request: dict[str, Any], descriptors: list[int]) -> NoReturn:
    try:
        user, group = os.getuid(), os.getgid()
        if request["namespace"]:  # processes, files of /proc and network of its own: nothing else is reached
            _system(_libc.unshare(_NEW_PID | _NEW_NET | _NEW_NAMESPACE | _NEW_USER), "unshare")
            _map_user(user, group)
        child = os.fork() if request["namespace"] else 0  # a PID namespace begins with the next child
        if child == 0:
            if request["namespace"]:
                _see_own_processes()
            else:
                _say(channel, keeper=os.getpid())
            keeper = _Keeper(channel, request, descriptors)
            try:
                keeper.serve()
            finally:  # only an error comes here: nothing that was started may outlive its keeper
                keeper.kill_all()
        _say(channel, keeper=child)
    except BaseException as error:
        with contextlib.suppress(OSError):
            _say(channel, error=f"{type(error).__name__}: {error}")
    os._exit(0)


def _see_own_processes() -> None:
    """Mount /proc anew, so that a script finds its own numbers there; where that is forbidden, the outer ones."""
    try:
        _system(_libc.mount(None, b"/", None, _MS_REC_PRIVATE, None), "mount")
        _system(_libc.mount(b"proc", b"/proc", b"proc", 0, None), "mount")
    except OSError:
        pass


def main() -> None:
    """Fork a keeper for each request that comes over the socket whose number is the first argument."""
    control = socket.socket(fileno=int(sys.argv[1]))
    # Keepers whose parent has ended come to this process, and none stays as a zombie.
    _system(_libc.prctl(_SET_CHILD_SUBREAPER, 1, 0, 0, 0), "prctl")
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the emulator's: it tells the keepers
    while True:
        message, descriptors, _, _ = socket.recv_fds(control, 1 << 20, 8)
        if not message:
            return
        if os.fork() == 0:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            control.close()
            _keep(socket.socket(fileno=descriptors[0]), json.loads(message), descriptors[1:])
        for descriptor in descriptors:
            os.close(descriptor)


if __name__ == "__main__":
    main()
