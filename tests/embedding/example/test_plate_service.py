"""What finds the mistakes of a service: each test is run on the service as it should be, and on one with a mistake.

The service itself knows nothing of virtual time. Beside the package it takes pytest, pytest-asyncio and tenacity.
"""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from plate_service import (
    ComesAgainAtOnce,
    ForgetsTheChecks,
    LogsInForEachPlate,
    NotesTwice,
    PlateService,
    handler,
)

from emulator import Emulated, Emulator, EmulatorOptions, sweep

Service = type[PlateService]


def options(service: Service) -> EmulatorOptions:
    """Give two workers, an archive, and the service."""
    return {
        "handlers": {"copy": handler(service)},
        "outside": ["aiosqlite"],
        "pools": {"dome": {"count": 2}},
        "systems": {"archive": {"answers_in": "2m"}},
        "never": ["effect after job ended", {"calls": "archive", "more_than": 10, "within": "1s"}],
    }


def noted(store: str) -> list[str]:
    """Read which plates are noted."""
    with closing(sqlite3.connect(store)) as connection:
        return [plate for (plate,) in connection.execute("SELECT plate FROM plates")]


def and_with(mistake: Service) -> pytest.MarkDecorator:
    """Run a test on the service, and on one with a mistake, where it is to fail."""
    fails = pytest.mark.xfail(strict=True, raises=AssertionError, reason="this test finds the mistake")
    return pytest.mark.parametrize("service", [PlateService, pytest.param(mistake, marks=fails)])


@pytest.mark.slow
@and_with(NotesTwice)
def test_the_store_has_each_plate_once_wherever_a_worker_fails(service: Service, tmp_path: Path) -> None:
    """A store: a worker that is cut off goes on, beside the one that has the job now."""
    runs = iter(range(1_000))

    async def test() -> None:
        box: dict[str, Any] = {"plates": ["a"], "store": str(tmp_path / f"{next(runs)}.db")}
        async with Emulator(**options(service)) as emu:
            await emu.submit("copy", **box)
            await emu.settle()
        assert noted(box["store"]) == ["a"]

    sweep(test, job="copy#1", fault=["power_off", "freeze", "cut_link"], limit=25).assert_safe()


@and_with(LogsInForEachPlate)
@pytest.mark.asyncio
@pytest.mark.virtual_time
async def test_a_worker_logs_in_once(emulated: Emulated, tmp_path: Path, service: Service) -> None:
    """A lock: three plates are copied at once, and the first of them logs in for all."""
    async with emulated(**options(service)) as emu:
        await emu.submit("copy", plates=["a", "b", "c"], store=str(tmp_path / "plates.db"))
        assert len(emu.recorded("call_ended")) == 1 + 3


@and_with(ForgetsTheChecks)
@pytest.mark.asyncio
@pytest.mark.virtual_time
async def test_a_job_is_done_when_its_checks_are(emulated: Emulated, tmp_path: Path, service: Service) -> None:
    """A group of tasks: whoever loses power after the end of the job must not have had anything left to do."""
    async with emulated(**options(service)) as emu:
        await emu.submit("copy", plates=["a", "b"], store=str(tmp_path / "plates.db"))
        emu.power_off("dome-1")
        assert [effect.details["target"] for effect in emu.recorded("effect_landed")].count("a") == 2


@and_with(ComesAgainAtOnce)
@pytest.mark.asyncio
@pytest.mark.virtual_time
async def test_an_archive_that_is_down_is_left_in_peace(emulated: Emulated, tmp_path: Path, service: Service) -> None:
    """A library of retries: the archive comes back after 5 min, and is asked seldom until then."""
    async with emulated(**options(service)) as emu:
        job = emu.submit("copy", plates=["a"], store=str(tmp_path / "plates.db"))
        await emu.advance(minutes=3)
        emu.system_outage("archive", lasts="5m")
        assert ((await job).state, (await job).attempts) == ("done", 1)
