"""What the tests of the embedding share: running a coroutine on a virtual-time loop of its own."""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import pytest

from emulator.timeline import VirtualLoop

Go = Callable[[Coroutine[Any, Any, Any]], Any]


@pytest.fixture
def go() -> Go:
    """Give ``go(coroutine)``, which runs it in virtual time on a fresh loop and closes that."""

    def runs(coroutine: Coroutine[Any, Any, Any]) -> Any:
        with asyncio.Runner(loop_factory=VirtualLoop) as runner:
            return runner.run(coroutine)

    return runs
