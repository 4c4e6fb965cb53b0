"""An example of a team's own test suite: it needs the package, pytest and pytest-asyncio, and nothing else."""

import asyncio
from typing import Literal

import pytest
from plate_copies import copy_plates

from emulator import Emulated, EmulatorOptions

OPTIONS: EmulatorOptions = {
    "pools": {"dome": {"count": 2}},
    "systems": {"archive": {"answers_in": "1s", "fenced": "highest_token"}},
    "handlers": {"copy": copy_plates},
    "never": ["unrepeatable effect twice", "job left unfinished"],
}


@pytest.mark.asyncio
@pytest.mark.virtual_time
async def test_all_plates_are_copied(emulated: Emulated) -> None:
    """Undisturbed, three plates take six minutes."""
    async with emulated(**OPTIONS) as emu:
        await emu.submit("copy", plates=["a", "b", "c"])
        assert (emu.time, emu.figure("effects_landed").value) == (360, 3)


@pytest.mark.asyncio
@pytest.mark.virtual_time
@pytest.mark.parametrize("fault", ["power_off", "freeze", "cut_link"])
async def test_whatever_happens_to_a_worker_each_plate_is_copied_once(
    emulated: Emulated, fault: Literal["power_off", "freeze", "cut_link"]
) -> None:
    """The other worker goes on after the last finished plate, and nothing is written twice."""
    async with emulated(**OPTIONS) as emu:
        job = emu.submit("copy", plates=["a", "b", "c"])
        await emu.advance(minutes=3)
        emu.strike(fault, "dome-1", lasts="20m")
        assert (await job).state == "done"
        await emu.settle()
        assert emu.figure("effects_landed").value == 3


@pytest.mark.asyncio
async def test_other_tests_stay_on_the_real_clock() -> None:
    """A test without the marker is left alone."""
    before = asyncio.get_running_loop().time()
    await asyncio.sleep(0.01)
    assert 0.005 < asyncio.get_running_loop().time() - before < 5
