"""Refuses, by name, the calls of an asyncio loop that do real I/O, unless a clock stop is open.

Outside a stop nothing listens to sockets either: what is still open when a stop ends stays open and is silent until the
next one.
"""

import asyncio
from collections.abc import Callable
from functools import wraps
from typing import Any, Final, NoReturn

from emulator.errors import InputError

__all__ = ["REAL_IO", "GuardedLoop", "refuse_other_loop"]

REAL_IO: Final = (
    "add_reader",
    "add_writer",
    "connect_accepted_socket",
    "connect_read_pipe",
    "connect_write_pipe",
    "create_connection",
    "create_datagram_endpoint",
    "create_server",
    "create_unix_connection",
    "create_unix_server",
    "getaddrinfo",
    "getnameinfo",
    "sendfile",
    "sock_accept",
    "sock_connect",
    "sock_recv",
    "sock_recv_into",
    "sock_recvfrom",
    "sock_recvfrom_into",
    "sock_sendall",
    "sock_sendfile",
    "sock_sendto",
    "start_tls",
    "subprocess_exec",
    "subprocess_shell",
)


class GuardedLoop(asyncio.SelectorEventLoop):
    """The stock loop, with every call that does real I/O behind ``require_stop``."""

    def require_stop(self, what: str) -> None:
        """Refuse ``what`` unless a clock stop is open.

        Raises:
            OutsideWorkError: with the way out.
        """
        if not self.is_open_to_outside():
            self._refuse(
                f"loop.{what}()",
                f"loop.{what}() is real I/O, which takes no virtual time and which the virtual clock would not wait "
                f"for: do it inside `async with emulator.clock_stop('what for'):`, where the clock stands still",
            )

    def _refuse(self, what: str, why: str) -> NoReturn:
        """Refuse something outside a clock stop, and keep in mind that it was.

        Args:
            what: what was called.
            why: why it is refused, and what to do instead.

        Raises:
            OutsideWorkError: always.
        """
        raise NotImplementedError

    def is_open_to_outside(self) -> bool:
        """Say whether a clock stop is open."""
        raise NotImplementedError


def _guarded(name: str) -> Callable[..., Any]:
    stock = getattr(asyncio.SelectorEventLoop, name)

    @wraps(stock)
    def guarded(self: GuardedLoop, *args: Any, **options: Any) -> Any:
        self.require_stop(name)
        return stock(self, *args, **options)

    return guarded


for _name in REAL_IO:
    setattr(GuardedLoop, _name, _guarded(_name))


def refuse_other_loop(loop: asyncio.AbstractEventLoop) -> InputError:
    """Give the error for a loop that is not the virtual one."""
    kind = f"{type(loop).__module__}.{type(loop).__qualname__}"
    return InputError(
        f"the emulator needs its own event loop, and {kind} is another one: its clock cannot be set and its timers "
        "cannot be put in order; mark a test with @pytest.mark.virtual_time, elsewhere call "
        "`emulator.run_in_virtual_time(main)`"
    )
