"""Races between handlers on emulated workers: with a seed their steps are held back, and lost updates show."""

import asyncio
from typing import Any

import pytest

from emulator import Emulator, InputError, Work
from emulator.timeline import VirtualLoop


async def _night(apart: int, **options: Any) -> int:
    """Let two jobs that end their work at one instant count plates, the second some turns later; give the count."""
    box = {"plates": 0}

    async def count(work: Work) -> None:
        await work.spend(60)
        for _ in range(apart * (work.job == 2)):
            await asyncio.sleep(0)
        seen = box["plates"]
        await asyncio.sleep(0)
        box["plates"] = seen + 1

    async with Emulator(handlers={"count": count}, pools={"dome": {"count": 1, "slots": 2}}, **options) as emu:
        jobs = [emu.submit("count") for _ in range(2)]
        assert [(await job).state for job in jobs] == ["done", "done"]
        assert emu.time == 60
    assert VirtualLoop.of().interleave is None
    return box["plates"]


def test_handlers_that_meet_lose_updates_as_on_the_stock_loop(go: Any) -> None:
    """Both read 0 before either writes."""
    assert go(_night(0)) == 1


@pytest.mark.slow
def test_a_race_some_turns_apart_shows_with_a_seed_and_the_seed_repeats_it(go: Any) -> None:
    """In asyncio's own order the second comes too late to be lost; some of fifty seeds lose it, each time the same."""
    assert go(_night(4)) == 2
    counts = [go(_night(4, interleave=seed)) for seed in range(50)]
    assert set(counts) == {1, 2}
    assert [go(_night(4, interleave=seed)) for seed in range(50)] == counts


def test_a_seed_of_the_emulator_on_a_loop_that_has_one_is_refused(go: Any) -> None:
    """Which of the two would hold is nobody's guess; what is no seed is refused at once."""

    async def test() -> None:
        VirtualLoop.of().interleave = 3
        async with Emulator(handlers={"count": asyncio.sleep}, interleave=4):
            pass

    with pytest.raises(InputError, match="interleave=4: the steps on this loop are held back by the seed 3 already"):
        go(test())
    with pytest.raises(InputError, match=r"interleave: found .*: give a whole number"):
        Emulator(handlers={"count": asyncio.sleep}, interleave="x")  # type: ignore[arg-type]
