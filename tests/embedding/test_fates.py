"""What faults do to handlers, beside what a plain cancellation does: each test shows the difference."""

import asyncio
import gc
from typing import Any

import pytest

from emulator.errors import StandstillError
from emulator.testing.emulation import Emulator
from emulator.testing.work import Work

Note = tuple[float, str]


class Diary:
    """A handler that notes what happens to it: it sleeps, and tells of its cancellation and of its cleanup."""

    def __init__(self, sleeps: float = 600) -> None:
        self.notes: list[Note] = []
        self.sleeps = sleeps
        self.emu: Emulator | None = None

    def note(self, what: str) -> None:
        assert self.emu is not None
        self.notes.append((self.emu.time, what))

    async def __call__(self, work: Work) -> None:
        self.note(f"began {work.attempt} on {work.worker}")
        try:
            await asyncio.sleep(self.sleeps)
            self.note(f"slept {work.attempt}")
        except asyncio.CancelledError:
            self.note(f"cancelled {work.attempt}")
            raise
        finally:
            self.note(f"cleaned up {work.attempt}")


def emulator(diary: Diary, **settings: Any) -> Emulator:
    """Make an emulator whose handler is the diary."""
    diary.emu = Emulator(handlers={"copy": diary}, **settings)
    return diary.emu


TWO = {"dome": {"count": 2}}


def test_a_power_off_ends_a_handler_without_its_cleanup(go: Any) -> None:
    """Neither ``except CancelledError`` nor ``finally`` of a handler runs whose worker loses power; the retry does."""
    diary = Diary()

    async def test() -> None:
        async with emulator(diary) as emu:
            job = emu.submit("copy")
            await emu.advance(minutes=1)
            emu.power_off("workers-1", back_after="2m")
            assert (await job).attempts == 2

    go(test())
    assert diary.notes == [
        (0.0, "began 1 on workers-1"),
        (180.0, "began 2 on workers-1"),  # the power is back at 3 min; the lease ran out at 2 min 30 s
        (780.0, "slept 2"),
        (780.0, "cleaned up 2"),
    ]


def test_a_handler_that_is_told_to_stop_is_cancelled_with_a_grace(go: Any) -> None:
    """A withdrawn job's handler gets a plain cancellation at the next heartbeat, and its cleanup runs."""
    diary = Diary()

    async def test() -> None:
        async with emulator(diary) as emu:
            job = emu.submit("copy")
            await emu.advance(seconds=70)
            emu.withdraw(job)
            assert (await job).sub_state == "withdrawn"
            await emu.settle()

    go(test())
    assert diary.notes == [(0.0, "began 1 on workers-1"), (90.0, "cancelled 1"), (90.0, "cleaned up 1")]


def test_a_handler_that_ignores_its_cancellation_is_abandoned_after_the_grace(go: Any) -> None:
    """Thirty seconds after it was told to stop, a handler that goes on regardless never runs again."""
    seen: list[float] = []

    async def stubborn(work: Work) -> None:
        while True:
            try:
                await asyncio.sleep(8)
                seen.append(emu.time)
            except asyncio.CancelledError:
                seen.append(-emu.time)

    async def test() -> None:
        async with emu:
            job = emu.submit("copy")
            await job
            await emu.settle()

    emu = Emulator(queues={"night": {"lease": "90s", "time_limit": {"after": "30s"}}}, handlers={"copy": stubborn})
    go(test())
    assert seen == [8.0, 16.0, 24.0, -30.0, 38.0, 46.0, 54.0]


def test_a_frozen_handler_stands_still_with_all_it_started_and_wakes_late(go: Any) -> None:
    """Child tasks, timers and queues of a frozen worker wait for the thaw; the zombie's write comes before it knows."""
    notes: list[Note] = []

    async def copy(work: Work) -> None:
        queue: asyncio.Queue[str] = asyncio.Queue()
        name = f"{work.attempt}"

        async def feeder() -> None:
            await asyncio.sleep(100)
            notes.append((emu.time, f"feeder {name}"))
            queue.put_nowait("plate-7")

        async with asyncio.TaskGroup() as group:
            group.create_task(feeder())
            plate = await queue.get()
        work.effect("copied", plate, repeatable=False)
        notes.append((emu.time, f"left {name}"))

    async def test() -> Any:
        async with emu:
            job = emu.submit("copy")
            await emu.advance(minutes=1)
            emu.freeze("dome-1", lasts="10m")
            ending = await job
            await emu.settle()
            return ending.attempts, job.outcomes, emu.figure("unsafe_repeats").value

    emu = Emulator(pools=TWO, handlers={"copy": copy})
    assert go(test()) == (2, ["lease_lost", "ok"], 1)
    assert notes == [(250.0, "feeder 2"), (250.0, "left 2"), (660.0, "feeder 1"), (660.0, "left 1")]


def test_a_fence_keeps_the_frozen_writer_out(go: Any) -> None:
    """With a system that is fenced the zombie's write at its thaw is refused, and the handler is told."""
    refused: list[str] = []

    async def copy(work: Work) -> None:
        await asyncio.sleep(100)
        try:
            work.effect("copied", "plate-7", system="archive", repeatable=False)
        except Exception as error:
            refused.append(f"{type(error).__name__}: {error}")
            raise

    async def test() -> Any:
        async with Emulator(
            pools=TWO,
            systems={"archive": {"answers_in": "1s", "fenced": "highest_token"}},
            handlers={"copy": copy},
        ) as emu:
            job = emu.submit("copy")
            await emu.advance(minutes=1)
            emu.freeze("dome-1", lasts="10m")
            await job
            await emu.settle()
            return [emu.figure(name).value for name in ("effects_landed", "effects_refused", "unsafe_repeats")]

    assert go(test()) == [1, 1, 0]
    assert refused == [
        "StaleTokenError: archive refused 'copied' on plate-7: it has seen a higher token than 1, which attempt 1 of "
        "copy#1 on dome-1 holds"
    ]


def test_a_slowed_worker_stretches_sleeps_and_not_deadlines(go: Any) -> None:
    """``timeout(60)`` around ``sleep(50)`` on a worker of half speed times out; at full speed it does not."""
    once = {"night": {"retry": {"attempts_in_all": 1}}}

    async def copy(work: Work) -> None:
        async with asyncio.timeout(60):
            await asyncio.sleep(50)

    async def test(slow: bool) -> Any:
        async with Emulator(queues=once, handlers={"copy": copy}) as emu:
            if slow:
                emu.slow_down("workers-1", to=0.5)
            job = emu.submit("copy")
            return (await job).why, emu.time

    assert go(test(False)) == ("", 50.0)
    assert go(test(True)) == ("attempts in all: 1", 60.0)


def test_what_is_spent_stretches_and_only_the_rest_is_rescaled(go: Any) -> None:
    """Ten minutes of work, slowed to a half after four and back to full speed after eight more: sixteen in all..."""
    ends: list[float] = []

    async def copy(work: Work) -> None:
        await work.spend("10m")
        ends.append(emu.time)

    async def test() -> None:
        async with emu:
            job = emu.submit("copy")
            await emu.advance(minutes=4)
            slow = emu.slow_down("workers-1", to=0.5)
            await emu.advance(minutes=8)  # which do four minutes of work
            slow.end()
            await job

    emu = Emulator(handlers={"copy": copy})
    go(test())
    assert ends == [14 * 60.0]


def test_what_is_spent_stands_still_with_its_worker_and_a_timer_does_not(go: Any) -> None:
    """Frozen for three minutes, work of ten ends three minutes late; a sleep of ten ends on time."""
    ends: dict[str, float] = {}

    async def copy(work: Work) -> None:
        async def spend() -> None:
            await work.spend("10m")
            ends["spent"] = emu.time

        async def sleep() -> None:
            await asyncio.sleep(600)
            ends["slept"] = emu.time

        async with asyncio.TaskGroup() as group:
            group.create_task(spend())
            group.create_task(sleep())

    async def test() -> None:
        async with emu:
            job = emu.submit("copy")
            await emu.advance(minutes=1)
            emu.freeze("workers-1", lasts="3m")
            await job

    emu = Emulator(queues={"night": {"lease": "10m"}}, handlers={"copy": copy})
    go(test())
    assert ends == {"spent": 780.0, "slept": 600.0}


def test_a_cut_link_lets_a_handler_work_on_and_its_outcome_arrive_late(go: Any) -> None:
    """Cut off, it works to its end and keeps its outcome; another worker has done the job by then."""
    diary = Diary(sleeps=200)

    async def test() -> Any:
        async with emulator(diary, pools=TWO) as emu:
            job = emu.submit("copy")
            await emu.advance(minutes=1)
            emu.cut_link("dome-1", lasts="10m")
            await job
            await emu.settle()
            return job.outcomes, emu.figure("stale_refused").value

    outcomes, stale = go(test())
    assert outcomes == ["lease_lost", "ok"]
    assert stale == 1
    assert diary.notes == [
        (0.0, "began 1 on dome-1"),
        (150.0, "began 2 on dome-2"),  # last renewed at 60 s
        (200.0, "slept 1"),
        (200.0, "cleaned up 1"),
        (350.0, "slept 2"),
        (350.0, "cleaned up 2"),
    ]


def test_a_skewed_clock_shows_in_what_a_handler_reads_and_not_in_the_loop(go: Any) -> None:
    """``work.now()`` is off by the offset; the loop's own time is not."""

    async def copy(work: Work) -> None:
        seen.append((work.now().strftime("%H:%M:%S"), asyncio.get_running_loop().time()))

    seen: list[Any] = []

    async def test() -> None:
        async with Emulator(handlers={"copy": copy}) as emu:
            emu.skew_clock("workers-1", offset="5m", behind=True)
            await emu.advance(minutes=10)
            await emu.submit("copy")

    go(test())
    assert seen == [("00:05:00", 600.0)]


def test_the_lease_that_is_left_is_the_workers_view(go: Any) -> None:
    """It shrinks between heartbeats and is renewed by their answers; with the way back cut it only shrinks."""
    seen: list[tuple[float, float]] = []

    async def copy(work: Work) -> None:
        for _ in range(5):
            seen.append((emu.time, work.lease_left()))
            await asyncio.sleep(25)

    async def test() -> None:
        async with emu:
            job = emu.submit("copy")
            await emu.advance(seconds=55)
            emu.cut_link("workers-1", direction="back", lasts="60s")
            await job

    emu = Emulator(handlers={"copy": copy})
    go(test())
    assert seen == [(0.0, 90.0), (25.0, 65.0), (50.0, 70.0), (75.0, 45.0), (100.0, 20.0)]


def test_a_suspended_handler_stands_still_until_it_is_resumed(go: Any) -> None:
    """It learns of both at its heartbeats; its lease goes on meanwhile."""
    ends: list[float] = []

    async def copy(work: Work) -> None:
        await work.spend("100s")
        ends.append(emu.time)

    async def test() -> Any:
        async with emu:
            job = emu.submit("copy")
            await emu.advance(seconds=50)
            emu.suspend(job)
            await job.reaches("suspended")
            at = emu.time
            await emu.advance(minutes=5)
            emu.resume(job)
            await job
            return at, job.outcomes

    emu = Emulator(handlers={"copy": copy})
    assert go(test()) == (60.0, ["ok"])
    assert ends == [430.0]  # 60 s done, told at 390 s to go on, 40 s left


def test_what_a_handler_leaves_running_shares_the_fate_of_its_worker(go: Any) -> None:
    """A background task outlives its handler on the worker, and dies with the worker's power."""
    beats: list[float] = []

    async def copy(work: Work) -> None:
        async def background() -> None:
            while True:
                beats.append(emu.time)
                await asyncio.sleep(60)

        kept.append(asyncio.create_task(background()))

    kept: list[Any] = []

    async def test() -> None:
        async with emu:
            await emu.submit("copy")
            await emu.advance(minutes=2, seconds=30)
            emu.power_off("workers-1")
            await emu.advance(minutes=10)

    emu = Emulator(handlers={"copy": copy})
    go(test())
    assert beats == [0.0, 60.0, 120.0]


def test_every_kind_of_world_event_survives_the_worker_in_whose_call_it_was_armed(go: Any) -> None:
    """What a handler's own call makes the world schedule happens although the worker is powered off right after."""

    async def copy(work: Work) -> None:
        if (work.job, work.attempt) == (1, 1):
            emu.submit("copy", not_before="5m")
            emu.broker_outage(lasts="1m")
            emu.freeze("dome-2", lasts="2m")
            emu.slow_down("dome-2", to=0.5, lasts="3m")
            emu.brown_out("archive", factor=2, lasts="3m")
            waiting.append(asyncio.ensure_future(work.call("archive", effect="copied", lands="remotely")))
            await asyncio.sleep(0)
            emu.power_off(work.worker, back_after="1m")
            await asyncio.sleep(1)
            raise AssertionError("its worker has no power")

    waiting: list[Any] = []

    async def test() -> Any:
        async with emu:
            emu.submit("copy")
            await emu.settle()
            kinds = [event.kind for event in emu.recorded()]
            return tuple(kinds.count(kind) for kind in ("fault_began", "fault_ended", "effect_landed"))

    emu = Emulator(pools=TWO, systems={"archive": {"answers_in": "10s"}}, handlers={"copy": copy})
    assert go(test()) == (5, 5, 1)


def test_a_lock_shared_between_workers_is_told_when_its_holder_is_gone(go: Any) -> None:
    """Objects of asyncio that workers share are not emulated: the error for standing still names the dead holder."""
    lock = asyncio.Lock()

    async def copy(work: Work) -> None:
        async with lock:
            await asyncio.sleep(50)

    async def test() -> None:
        async with Emulator(handlers={"copy": copy}, lasts="1h") as emu:
            emu.submit("copy")
            await emu.advance(seconds=10)
            emu.power_off("workers-1")
        await lock.acquire()

    with pytest.raises(StandstillError, match=r"workers-1, attempt 1 of copy#1 \(its power is off\) cannot run"):
        go(test())


@pytest.mark.parametrize("kind", [SystemExit, KeyboardInterrupt])
def test_what_ends_a_process_ends_the_run(go: Any, caplog: pytest.LogCaptureFixture, kind: type[BaseException]) -> None:
    """Raised by a handler it leaves the loop as with stock asyncio, once: nothing more is told of it later."""

    async def copy(work: Work) -> None:
        await asyncio.sleep(1)
        raise kind(3)

    async def test() -> None:
        async with Emulator(handlers={"copy": copy}) as emu:
            await emu.submit("copy")

    with pytest.raises(kind) as caught:
        go(test())
    assert caught.value.args == (3,)
    del caught
    gc.collect()
    assert [record.getMessage() for record in caplog.records] == []
