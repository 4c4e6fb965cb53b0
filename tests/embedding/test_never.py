"""What must never happen in an emulation: effects after a job's end, and bursts of calls, each with its figure."""

import asyncio
from typing import Any

import pytest

from emulator import Emulator, InputError, InvariantError, Work, run_in_virtual_time

ARCHIVE: Any = {"archive": {"answers_in": "1m"}}


def test_an_effect_that_a_straggler_leaves_after_its_job_has_ended_is_told() -> None:
    """A task that the handler has left running writes after the job is done."""

    async def copy(work: Work) -> None:
        async def straggler() -> None:
            await asyncio.sleep(60)
            work.effect("copied", "plate-7")

        stragglers.append(asyncio.create_task(straggler()))

    stragglers: list[Any] = []

    async def test(never: Any) -> Any:
        async with Emulator(handlers={"copy": copy}, never=never) as emu:
            await emu.submit("copy")
            await emu.advance(minutes=2)
            return emu.figure("effects_after_end").value, emu.figure("late_effects").value

    assert run_in_virtual_time(lambda: test([])) == (1, 1)
    with pytest.raises(InvariantError, match="in attempt 1 of job 1, which was done at"):
        run_in_virtual_time(lambda: test(["effect after job ended"]))


@pytest.mark.parametrize("patience", [None, "own", "of the call"])
def test_a_burst_of_calls_is_told_however_their_callers_end(patience: str | None) -> None:
    """Twenty-one jobs call at one instant; it counts whether they wait, or give up in one way or the other."""

    async def copy(work: Work) -> None:
        if patience == "own":
            async with asyncio.timeout(5):
                await work.call("archive")
        await work.call("archive", patience=None if patience is None else 5)

    async def test(jobs: int) -> Any:
        async with Emulator(
            handlers={"copy": copy},
            pools={"dome": {"count": 30}},
            queues={"night": {"retry": {"attempts_in_all": 1}}},
            systems=ARCHIVE,
            never=[{"calls": "archive", "more_than": 20, "within": "1s"}],
        ) as emu:
            for _ in range(jobs):
                emu.submit("copy")
            await emu.settle()
            return emu.figure("calls_per_second_peak").value, emu.time

    assert run_in_virtual_time(lambda: test(20)) == (20, 60.0 if patience is None else 5.0)
    with pytest.raises(InvariantError) as caught:
        run_in_virtual_time(lambda: test(21))
    assert str(caught.value).endswith("it ends the first of 21 calls to archive that began within 1s, from 0s on")


def test_a_call_whose_handler_gave_up_is_told_as_abandoned_and_then_as_served_late() -> None:
    """As when a modelled caller's patience ends; the call stays with the system, which finishes it."""

    async def copy(work: Work) -> None:
        async with asyncio.timeout(5):
            await work.call("archive")

    async def test() -> Any:
        queues = {"night": {"retry": {"attempts_in_all": 1}}}
        async with Emulator(handlers={"copy": copy}, queues=queues, systems=ARCHIVE) as emu:
            await emu.submit("copy")
            await emu.advance(minutes=2)
            [ended], [late] = emu.recorded("call_ended"), emu.recorded("call_served_late")
            return (
                ended.seconds,
                ended.details["outcome"],
                ended.details["took"],
                late.seconds,
                late.cause == ended.number,
            )

    assert run_in_virtual_time(test) == (5.0, "abandoned", 5_000_000, 60.0, True)


@pytest.mark.parametrize(
    ("never", "said"),
    [
        ([{"calls": "archiv", "more_than": 1, "within": "1s"}], "there is no system 'archiv': did you mean 'archive'"),
        ([{"calls": "archive", "more_than": -1, "within": "1s"}], "more_than=-1: give a whole number of calls"),
        ([{"calls": "archive", "more_than": 1, "within": 0}], "within is 0: give a stretch of time above 0"),
        ([{"call": "archive"}], "found the keys 'call': give "),
        ([7], "found a value of type int in the list: give texts, or "),
        (["effect after job"], "'effect after job' cannot be watched for: "),
    ],
)
def test_what_cannot_be_watched_for_is_refused_before_anything_runs(never: Any, said: str) -> None:
    """The error says what to write."""

    async def copy(work: Work) -> None:
        pass

    with pytest.raises(InputError) as caught:
        Emulator(handlers={"copy": copy}, systems=ARCHIVE, never=never)
    assert said in str(caught.value)
