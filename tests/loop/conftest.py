"""What the tests of the virtual loop share: running a coroutine on a loop of its own, debug mode off and on."""

import asyncio
import gc
import logging
import selectors
from collections.abc import Callable, Coroutine, Iterator
from heapq import heappush
from itertools import count
from typing import Any

import pytest

from emulator.timeline import VirtualLoop

Run = Callable[..., Any]


class _Jumping(selectors.DefaultSelector):
    """Moves its clock where a selector would wait, and hears nothing."""

    now = 0.0

    def select(self, timeout: float | None = None) -> list[Any]:
        assert timeout is not None, "nothing is left that could happen"
        self.now += max(timeout, 0)
        return []


class _InOrder(asyncio.TimerHandle):
    """A timer that is told apart from others of its time: the stock heap leaves their order to chance."""

    __slots__ = ("number",)
    number: int
    _when: float

    def __lt__(self, other: Any) -> bool:
        return (self._when, self.number) < (other._when, other.number)


class StockLoop(asyncio.SelectorEventLoop):
    """The stock loop, turn by turn, but on a clock that no busy host can disturb; equal timers are in order."""

    def __init__(self) -> None:
        self.selector = _Jumping()
        super().__init__(self.selector)
        self.numbers = count()

    def time(self) -> float:
        return self.selector.now

    def call_at(self, when: Any, callback: Any, *args: Any, context: Any = None) -> Any:
        timer = _InOrder(when, callback, args, self, context)
        timer.number = next(self.numbers)
        heappush(self._scheduled, timer)  # type: ignore[attr-defined]
        timer._scheduled = True  # type: ignore[attr-defined]
        return timer


@pytest.fixture(scope="session")
def stock_loop() -> type[StockLoop]:
    """Give the maker of a stock loop whose timing is that of the scenario alone."""
    return StockLoop


@pytest.fixture(params=[False, True], ids=["plain", "debug"])
def debug(request: pytest.FixtureRequest) -> bool:
    """Debug mode of asyncio: each test that asks for it runs with both."""
    return bool(request.param)


@pytest.fixture
def run(debug: bool) -> Run:
    """Give ``run(main, **options of the loop)``, which runs ``main(loop)`` on a fresh virtual loop and closes it."""

    def runs(main: Callable[[VirtualLoop], Coroutine[Any, Any, Any]], **options: Any) -> Any:
        made: list[VirtualLoop] = []

        def factory() -> VirtualLoop:
            made.append(VirtualLoop(**options))
            return made[0]

        with asyncio.Runner(loop_factory=factory, debug=debug) as runner:
            runner.get_loop()
            return runner.run(main(made[0]))

    return runs


@pytest.fixture
def no_noise(caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    """Fail if asyncio logged anything by the end of the test, after all garbage was collected.

    That debug mode found a callback slow, in real time, says how busy the machine is: it is no noise.
    """
    gc.collect()  # what earlier tests left is not this one's noise
    caplog.clear()
    caplog.set_level(logging.WARNING, logger="asyncio")
    yield
    gc.collect()
    messages = [record.getMessage() for record in caplog.records if record.name == "asyncio"]
    assert [message for message in messages if not message.startswith("Executing <")] == []
