"""Libraries whose calls get clock stops of their own: what is patched is given back with the last that asks."""

import asyncio

import aiosqlite

from emulator.timeline import libraries
from emulator.timeline.libraries import each_in_a_stop


def test_the_stock_comes_back_with_the_last_loop_that_asks() -> None:
    """A second loop that asks and leaves changes nothing for the first; outside any loop nobody asks."""
    stock = aiosqlite.Connection._execute
    first, second = asyncio.new_event_loop(), asyncio.new_event_loop()
    try:
        with each_in_a_stop(first, ["aiosqlite"]):
            with each_in_a_stop(second, ["aiosqlite"]):
                pass
            assert aiosqlite.Connection._execute is not stock
            assert libraries._is_asked() is False
        assert aiosqlite.Connection._execute is stock
    finally:
        first.close()
        second.close()
