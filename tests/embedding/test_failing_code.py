"""Code under test that fails in odd ways: nothing of it is swallowed, and no attempt goes on for ever because of it."""

import asyncio
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from emulator import Emulator, InputError, PermanentError, TransientError, Work
from emulator.record.events import Event, reason_in
from emulator.testing.stream import Stream

pytestmark = pytest.mark.virtual_time

TWICE: dict[str, Any] = {"night": {"retry": {"attempts_in_all": 2, "pause": "constant", "first": "1m"}}}


class Unspeakable(Exception):
    """Cannot be put in words."""

    def __str__(self) -> str:
        raise RuntimeError("no words")


async def run(fails: Callable[[], BaseException], **settings: Any) -> tuple[str, list[str], float, list[str]]:
    """Run a job whose handler raises; give its state, why its attempts ended, the time, and its failures."""

    async def copy(work: Work) -> None:
        raise fails()

    async with Emulator(handlers={"copy": copy}, **settings) as emu:
        ending = await emu.submit("copy")
        whys = [reason_in(event).values["said"] for event in emu.recorded("attempt_ended")]
        return ending.state, whys, emu.time, [type(failure).__name__ for failure in emu.failures]


# -- handlers ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("hint", ["5m", 300, timedelta(minutes=5)])
async def test_a_hint_may_be_any_duration(hint: object) -> None:
    """The next attempt waits for five minutes, however they are given."""
    assert await run(lambda: TransientError("tape busy", retry_after=hint), queues=TWICE) == (
        "failed",
        ["tape busy", "tape busy"],
        300.0,
        [],
    )


@pytest.mark.parametrize(
    ("hint", "said"),
    [
        ("2 minutes", "its retry_after: '2 minutes' is not a duration"),
        (-1, "its retry_after: -1 is negative: give a duration of 0 or more"),
        (True, "its retry_after: True is not a duration: give '90s', seconds, or a timedelta"),
        (float("nan"), "its retry_after: nan is not a duration: give '90s', seconds, or a timedelta"),
    ],
)
async def test_a_hint_that_is_no_duration_ends_the_attempt_and_is_told(hint: object, said: str) -> None:
    """The attempt ends with an error, without a pause of the hint's, and the mistake is among the failures."""
    state, whys, time, failures = await run(lambda: TransientError("tape busy", retry_after=hint), queues=TWICE)
    assert (state, time, failures) == ("failed", 60.0, ["InputError", "InputError"])
    assert [why.startswith(f"tape busy; {said}") for why in whys] == [True, True]


@pytest.mark.parametrize(
    ("fails", "why"),
    [
        (Unspeakable, "Unspeakable: its text cannot be had: RuntimeError"),
        (lambda: pytest.fail.Exception("not so"), "Failed: not so"),
        (lambda: BaseExceptionGroup("two", [ValueError("a"), pytest.fail.Exception("b")]), "ValueError: a; Failed: b"),
    ],
)
async def test_whatever_a_handler_raises_ends_its_attempt(fails: Callable[[], BaseException], why: str) -> None:
    """An error that has no words, and what a test framework raises to fail, end each attempt like any other error."""
    state, whys, time, failures = await run(fails, queues=TWICE)
    assert (state, whys, time, len(failures)) == ("failed", [why, why], 60.0, 2)


async def test_an_ending_tells_what_was_said_last() -> None:
    """Why a job is over is the broker's; what its last attempt said stands beside it, "" where that went well."""

    async def copy(work: Work) -> None:
        if work.parameters["plate"] == "plate-7":
            raise PermanentError("the plate is broken")

    async with Emulator(handlers={"copy": copy}) as emu:
        broken, whole = await asyncio.gather(emu.submit("copy", plate="plate-7"), emu.submit("copy", plate="plate-8"))
    assert (broken.why, broken.said) == ("the outcome permanent error is not retried", "the plate is broken")
    assert (whole.why, whole.said) == ("", "")


async def test_each_attempt_has_parameters_of_its_own() -> None:
    """What an attempt does to its parameters is gone with it, and never reaches the caller's."""
    seen: list[tuple[str, ...]] = []
    plates = ["a", "b", "c"]

    async def copy(work: Work) -> None:
        todo = work.parameters["plates"]
        seen.append(tuple(todo))
        while todo:
            await work.spend("10m")
            todo.pop(0)

    async with Emulator(handlers={"copy": copy}) as emu:
        job = emu.submit("copy", plates=plates, nested={"deep": [plates]})
        plates.append("d")
        await emu.advance(minutes=25)
        emu.power_off("workers-1", back_after="1m")
        assert (await job).attempts == 2
    assert seen == [("a", "b", "c"), ("a", "b", "c")]
    assert plates == ["a", "b", "c", "d"]


CALLS: dict[str, tuple[Callable[[Any], Any], str]] = {
    "a misspelt time of landing": (
        lambda work: work.call("archive", effect="sent", lands="remote"),
        "there is no lands='remote': did you mean 'remotely'?",
    ),
    "a misspelt answer to own work": (
        lambda work: work.call("archive", effect="sent", if_already_in_progress="OK"),
        "there is no if_already_in_progress='OK'",
    ),
    "a word for a flag": (
        lambda work: work.call("archive", effect="sent", repeatable="no"),
        "repeatable: found 'no': give True or False",
    ),
    "an effect that is a number": (lambda work: work.call("archive", effect=3), "effect: found 3: give a text"),
    "a system that is a number": (lambda work: work.call(3), "system: found 3: give a text"),
    "an effect without a name": (
        lambda work: work.effect(""),
        "effect: found '': name what was done, such as 'copied'",
    ),
    "an effect left that is a number": (lambda work: work.effect(3), "effect: found 3: give a text"),
    "a part that is a number": (lambda work: work.part(3).__enter__(), "name: found 3: give a text"),
}


@pytest.mark.parametrize("slip", CALLS)
async def test_a_slip_in_what_a_handler_asks_for_is_told(slip: str) -> None:
    """An argument of another kind, or a word that there is not, is an error at its line: no effect is lost unseen."""
    asks, message = CALLS[slip]
    caught: list[InputError] = []

    async def send(work: Work) -> None:
        try:
            asked = asks(work)
            if asyncio.iscoroutine(asked):
                await asked
        except InputError as wrong:
            caught.append(wrong)

    systems = {"archive": {"answers_in": "1s"}}
    async with Emulator(handlers={"send": send}, systems=systems) as emu:
        await emu.submit("send")
        assert emu.figure("effects_landed").value == 0
    assert [str(wrong)[: len(message)] for wrong in caught] == [message]


# -- those who look on -------------------------------------------------------------------------------------------------


async def work_a_while(work: Work) -> None:
    await work.spend("10m")


async def test_what_a_subscriber_raises_fails_the_test_when_the_emulation_is_left() -> None:
    """It is told of nothing more, everybody else is, and who waits is woken."""
    told: list[str] = []

    def look(event: Event) -> None:
        told.append(event.kind)
        assert event.kind != "handed_out", "handed out"

    with pytest.raises(AssertionError, match="handed out"):
        async with Emulator(handlers={"copy": work_a_while}) as emu:
            emu.subscribe(look)
            others: list[str] = []
            emu.subscribe(lambda event: others.append(event.kind))
            assert (await emu.submit("copy")).state == "done"
            assert others[-1] == "finished"
            assert [str(failure).splitlines()[0] for failure in emu.failures] == ["handed out"]
    assert told == ["submitted", "handed_out"]


async def test_what_a_subscriber_raised_stands_beside_what_went_wrong_after_it() -> None:
    """An error of the test itself goes first; what a subscriber raised before is a note of it."""

    def look(event: Event) -> None:
        pytest.fail("seen too much")

    with pytest.raises(LookupError) as caught:
        async with Emulator(handlers={"copy": work_a_while}) as emu:
            emu.subscribe(look)
            await emu.submit("copy")
            raise LookupError("no such plate")
    assert caught.value.__notes__ == ["before that, a subscriber to the events raised Failed: seen too much"]


async def test_a_subscriber_is_no_async_function() -> None:
    """It could never run."""

    async def look(event: Event) -> None: ...

    async with Emulator(handlers={"copy": work_a_while}) as emu:
        with pytest.raises(InputError, match="found an async function: give a plain one"):
            emu.subscribe(look)


@pytest.mark.parametrize("jobs", [10, 40])
async def test_who_waits_for_a_job_is_woken_by_that_job_alone(jobs: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many jobs are waited for at once, each wait begins anew at most once for each event of its own job."""
    waits: list[int] = []
    change = Stream.change

    async def counted(self: Stream, what_for: Callable[[], str], job: int = 0) -> None:
        waits.append(job)
        await change(self, what_for, job)

    monkeypatch.setattr(Stream, "change", counted)
    async with Emulator(handlers={"copy": work_a_while}) as emu:
        handles = [emu.submit("copy") for _ in range(jobs)]
        endings = await asyncio.gather(*handles)
        of_job = [len(emu.stream.of_job[handle.number]) for handle in handles]
    assert {ending.state for ending in endings} == {"done"}
    assert 0 < len(waits) <= sum(of_job)
    assert 0 not in waits


# -- faults and actions at a time --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("share", "times"), [(0, 0), (1, 1)])
async def test_a_fault_that_is_scheduled_may_be_there_in_some_nights(share: float, times: int) -> None:
    async with Emulator(handlers={"copy": work_a_while}, pools={"workers": {"count": 2}}) as emu:
        emu.schedule([{"freeze": "workers-1", "at": "+1m", "lasts": "1m", "share_of_nights": share}])
        await emu.advance("5m")
        assert len(emu.recorded("fault_began")) == times


async def test_what_begins_now_takes_no_time() -> None:
    """``fault`` and ``action`` begin at once: a time given to them is refused and not passed over."""
    async with Emulator(handlers={"copy": work_a_while}) as emu:
        job = emu.submit("copy")
        with pytest.raises(InputError, match="at: it begins now: leave `at` out, or let it begin later by `schedule"):
            emu.fault(power_off="workers-1", at="+5m")
        with pytest.raises(InputError, match="at: it is done now: leave `at` out"):
            emu.action(withdraw=job.name, at="+5m")
        for key, value in (("late_by", "5m"), ("share_of_nights", 0.5)):
            with pytest.raises(InputError, match=f"{key}: it begins now: leave `{key}` out"):
                emu.fault(power_off="workers-1", **{key: value})
            with pytest.raises(InputError, match=f"{key}: it is done now: leave `{key}` out"):
                emu.action(withdraw=job.name, **{key: value})
        with pytest.raises(InputError, match="skew_clock: by how much"):
            emu.skew_clock("workers-1")
        emu.action(lasts="1m", hold_queue="night")  # the order of keys says nothing
        assert emu.recorded("fault_began") == []
        assert (await job).attempts == 1


async def test_a_submission_that_is_wrong_uses_no_name_up() -> None:
    """After a submission that was refused for an argument, the first job is the first."""
    async with Emulator(handlers={"copy": work_a_while}) as emu:
        with pytest.raises(InputError, match="is not a duration"):
            emu.submit("copy", not_before="soon")
        assert emu.submit("copy").name == "copy#1"


async def test_a_subscriber_is_told_of_nothing_before_it_began_or_after_it_ended() -> None:
    async with Emulator(handlers={"copy": work_a_while}) as emu:
        first: list[int] = []
        second: list[int] = []
        emu.subscribe(lambda event: first.append(event.number))
        job = emu.submit("copy")
        before = len(emu.recorded())
        emu.subscribe(lambda event: (first.append(-event.number), end_third()))
        end_third = emu.subscribe(lambda event: second.append(event.number))
        await job
        assert first[0] == before
        assert -before not in first
        assert second == []
