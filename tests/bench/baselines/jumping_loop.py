"""The stock event loop of asyncio, whose select jumps: the clock moves on by what it was told to wait for.

FROZEN (see the package). It does not even look at a socket, so it can take no word from a thread: less cannot be done.
"""

import asyncio
import selectors
from typing import Any

__all__ = ["JumpingLoop"]


class _Jump(selectors.DefaultSelector):
    now = 0.0

    def select(self, timeout: float | None = None) -> list[Any]:
        if timeout:
            self.now += timeout
        return []


class JumpingLoop(asyncio.SelectorEventLoop):
    """Its time begins at 0 and passes only while nothing is ready."""

    def __init__(self) -> None:
        self._jump = _Jump()
        super().__init__(self._jump)

    def time(self) -> float:
        """Give the virtual time, in seconds."""
        return self._jump.now
