"""How the public names are used, for the type checker alone: never run."""

from datetime import timedelta
from typing import Any, assert_type

import emulator
from emulator import Client, Emulator, EmulatorOptions, JobHandle, RetryCase, Verdict, Work
from emulator.record.events import EventKind


class Patient:
    """A retry policy of one's own."""

    def decide(self, case: RetryCase) -> Verdict:
        return Verdict(case.attempt < 4, 60_000_000, "enough")


async def copy(work: Work) -> None:
    for plate in work.parameters["plates"]:
        if work.is_finished("copy", plate):
            continue
        with work.part("copy", plate):
            await work.call("archive", plate, effect="copied", repeatable=False, patience="2m")
    if work.lease_left() < 10:
        raise emulator.TransientError("too late", retry_after="5m")
    await work.spend(timedelta(minutes=1))
    total = await work.outside(sum, [1, 2], takes=5)
    assert_type(total, int)
    work.effect("done")


async def main(client: Client) -> None:
    while (lease := await client.take()) is not None:
        await lease.renew()
        await lease.hand_in("ok")


OPTIONS: EmulatorOptions = {
    "pools": {"dome": {"count": 2}},
    "handlers": {"copy": copy},
    "never": ["effect after lease lost", "job left unfinished"],
}


def takes_what_dictionaries_hold(settings: dict[str, Any]) -> None:
    Emulator("night.yaml", **OPTIONS)
    Emulator(**settings)


async def test() -> None:
    policy: emulator.RetryPolicy = Patient()
    async with Emulator(
        pools={"dome": {"count": 2}},
        handlers={"copy": copy},
        programs={"dome-2": main},
        retry={"night": policy},
        seed=7,
    ) as emu:
        job = emu.submit("copy", key="vol-1", plates=["a"])
        assert_type(job, JobHandle)
        fault = emu.power_off("dome-1", back_after="5m")
        assert_type(fault.hit, bool)
        await emu.advance(minutes=5)
        await emu.until(lambda: job.state == "running")
        ending = await job
        assert_type(ending.attempts, int)
        async for event in emu.events(since_start=True):
            assert_type(event.kind, EventKind)
        await emu.settle()


def reads_a_log() -> None:
    log = emulator.open_log("night.qdlog")
    assert_type(emulator.export(log, "otlp"), str)
    assert_type(emulator.export("night.qdlog", "jobs-csv"), str)


def compares() -> None:
    night = emulator.run("night.yaml", seed=3)
    assert_type(night, emulator.NightResult)
    found = emulator.compare("night.yaml", variants={"own": {"queues.night.retry": Patient()}}, nights=50)
    for difference in found.differences:
        assert_type(difference.sentence, str)
    answer = emulator.size("night.yaml", by="pools.dome.count", first=1, last=8)
    assert_type(answer.monotone, bool)
    pairs = emulator.frontier("night.yaml", by=("pools.dome.count", "a.b"), values=([1, 2], ["30s"]))
    assert_type(pairs, emulator.FrontierResult)
    hunted = emulator.hunt(emulator.load("night.yaml"), tries=100)
    assert_type(hunted.fragment(), str)


assert_type(emulator.run_in_virtual_time(test), None)
