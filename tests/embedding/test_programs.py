"""A worker program of one's own: what it learns, what it does not, and what becomes of it under faults."""

import asyncio
from typing import Any

import pytest

from emulator import Client, Emulator, InputError, NoAnswerError, StaleTokenError
from emulator.errors import InvariantError

MODELLED = {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "1s"}]}}
AGAIN = {"night": {"lease": "90s", "retry": {"attempts_in_all": 4}}}


def careless(notes: list[Any], beat: float = 30) -> Any:
    """Make a program that renews on time and never asks itself whether it still holds its lease."""

    async def main(client: Client) -> None:
        while True:
            try:
                lease = await client.take()
            except NoAnswerError:
                continue
            if lease is None:
                await asyncio.sleep(10)
                continue
            notes.append((emu_of(client), f"{client.name} began {lease.order.attempt}"))

            async def beats(lease: Any = lease) -> None:
                while True:
                    await asyncio.sleep(beat)
                    try:
                        await lease.renew()
                    except NoAnswerError:
                        notes.append((emu_of(client), f"{client.name} had no answer"))

            heart = asyncio.create_task(beats())
            try:
                await lease.work.spend("5m")
                lease.work.effect("copied", "plate-7", repeatable=False)
                await lease.hand_in()
            except (StaleTokenError, NoAnswerError) as error:
                notes.append((emu_of(client), f"{client.name}: {type(error).__name__}"))
                client.give_up(lease)
            finally:
                heart.cancel()

    def emu_of(client: Client) -> float:
        return asyncio.get_running_loop().time()

    return main


def test_a_program_takes_renews_and_hands_in(go: Any) -> None:
    """Left alone, a program does its job under a lease that its own heartbeats renew."""
    notes: list[Any] = []

    async def test() -> Any:
        async with Emulator(
            queues=AGAIN, pools={"dome": {"count": 1}}, routines=MODELLED, programs={"dome": careless(notes)}
        ) as emu:
            job = emu.submit("copy")
            ending = await job
            renewed = [event.at // 1_000_000 for event in emu.recorded("lease_renewed")]
            return ending.state, emu.time, renewed

    state, at, renewed = go(test())
    assert (state, renewed[:3]) == ("done", [40, 70, 100])  # it asked at 0 s in vain, and again at 10 s
    assert at == 310.0
    assert notes == [(10.0, "dome-1 began 1")]


def test_a_careless_program_that_is_cut_off_writes_after_its_lease_is_lost(go: Any) -> None:
    """What a team wants to find out: the program goes on writing, and the invariants name the event."""
    notes: list[Any] = []

    async def test() -> None:
        async with Emulator(
            queues=AGAIN,
            pools={"dome": {"count": 2}},
            routines=MODELLED,
            programs={"dome": careless(notes)},
            never=["effect after lease lost", "unrepeatable effect twice"],
        ) as emu:
            job = emu.submit("copy")
            await job.reaches("running")
            await emu.advance(minutes=1)
            emu.cut_link("dome-1", lasts="5m")
            await job
            await emu.settle()
            notes.append(emu.time)

    with pytest.raises(
        InvariantError, match=r"(?s)effect after lease lost: .*dome-1 left.*unrepeatable effect twice: "
    ):
        go(test())
    settled = notes.pop()  # dome-1 renewed last at 70 s, for 90 s; dome-2 works from 160 s on, for 300 s
    assert (notes[0][1], "dome-1 had no answer" in [note for _, note in notes]) == ("dome-1 began 1", True)
    assert settled == 460.0


def test_a_program_begins_anew_with_nothing_in_its_memory_when_the_power_is_back(go: Any) -> None:
    """The old program never runs again, not its cleanup either; the new one is another incarnation."""
    notes: list[str] = []

    async def main(client: Client) -> None:
        notes.append("began")
        try:
            await client.take()
            await asyncio.sleep(3600)
        finally:
            notes.append("cleaned up")

    async def test() -> Any:
        async with Emulator(
            queues=AGAIN, pools={"dome": {"count": 1}}, routines=MODELLED, programs={"dome": main}
        ) as emu:
            job = emu.submit("copy")
            await emu.advance(minutes=1)
            emu.power_off("dome-1", back_after="1m")
            await emu.advance(minutes=5)
            return (
                list(notes),
                job.outcomes,
                [event.details["incarnation"] for event in emu.recorded("worker_registered")],
            )

    assert go(test()) == (["began", "began"], ["lease_lost"], [1, 2])
    assert notes == ["began", "began", "cleaned up"]  # what still runs when the emulation is left is cancelled


def test_a_test_speaks_for_a_worker_by_hand(go: Any) -> None:
    """Take, renew, hand in, each by itself: the lease holds as long as it is renewed, a lost answer is not known."""

    async def test() -> Any:
        async with Emulator(queues=AGAIN, pools={"dome": {"count": 1}}, routines=MODELLED, by_hand=["dome"]) as emu:
            job, client = emu.submit("copy"), emu.client("dome-1")
            lease = await client.take()
            assert lease is not None
            assert (lease.token, lease.left(), await client.take()) == (1, 90.0, None)
            await emu.advance(50)
            assert lease.left() == 40.0
            await lease.renew()
            assert lease.left() == 90.0
            lost = emu.lose_results("dome-1")
            with pytest.raises(NoAnswerError, match="dome-1 had no answer to its outcome within 10s, at 1m"):
                await lease.hand_in()
            lost.end()
            assert job.state == "running"
            await lease.hand_in()
            assert (job.state, client.leases) == ("done", [])
            with pytest.raises(InputError, match="the outcome of copy#1 was answered before"):
                await lease.hand_in()
            return emu.time

    assert go(test()) == 60.0


def test_a_lease_that_was_lost_is_refused_by_its_token(go: Any) -> None:
    """Renewing and handing in too late are refused as stale, and the worker knows then that nothing is left."""

    async def test() -> None:
        async with Emulator(queues=AGAIN, pools={"dome": {"count": 2}}, routines=MODELLED, by_hand=["dome"]) as emu:
            emu.submit("copy")
            one, other = emu.client("dome-1"), emu.client("dome-2")
            lease = await one.take()
            assert lease is not None
            await emu.advance(90)
            second = await other.take()
            assert second is not None
            assert second.token > lease.token
            with pytest.raises(StaleTokenError, match=r"refused token 1 of copy#1 on dome-1: the lease is lost"):
                await lease.renew()
            assert (lease.left(), await one.renew()) == (0.0, (lease,))
            with pytest.raises(StaleTokenError, match="the broker refused the outcome of copy#1: token 1"):
                await lease.hand_in()
            await second.hand_in("error", "tape busy", retry_after="5m")
            assert emu.figure("stale_refused").value == 3

    go(test())


def test_a_repeated_take_after_a_lost_answer_leaves_a_lease_to_run_out(go: Any) -> None:
    """With the way back cut the broker grants a lease of which the worker knows nothing."""

    async def test() -> Any:
        async with Emulator(queues=AGAIN, pools={"dome": {"count": 1}}, routines=MODELLED, by_hand=["dome"]) as emu:
            job, client = emu.submit("copy"), emu.client("dome-1")
            cut = emu.cut_link("dome-1", direction="back")
            with pytest.raises(NoAnswerError):
                await client.take()
            cut.end()
            assert job.state == "running"
            assert await client.take() is None
            await job.reaches("requeued")
            return emu.time, job.outcomes

    assert go(test()) == (90.0, ["lease_lost"])


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"by_hand": ["dom"]}, "there is no worker or pool 'dom': did you mean 'dome'?"),
        ({"by_hand": ["dome", "dome-1"]}, "dome-1 is driven twice: name it once, among the programs or by hand"),
    ],
)
def test_workers_that_are_driven_are_named_once_and_exist(go: Any, options: Any, message: str) -> None:
    """A wrong name is told when the emulator is entered."""

    async def test() -> None:
        async with Emulator(pools={"dome": {"count": 1}}, routines=MODELLED, **options):
            pass

    with pytest.raises(InputError) as caught:
        go(test())
    assert message in str(caught.value)


def test_nobody_speaks_for_a_worker_that_is_off(go: Any) -> None:
    """A client of a worker without power says so; after the restart it speaks for the new incarnation."""

    async def test() -> None:
        async with Emulator(queues=AGAIN, pools={"dome": {"count": 1}}, routines=MODELLED, by_hand=["dome"]) as emu:
            emu.submit("copy")
            client = emu.client("dome-1")
            assert await client.take() is not None
            emu.power_off("dome-1", back_after="1m")
            with pytest.raises(InputError, match="dome-1 is off at 0s: nobody can speak"):
                await client.take()
            await emu.advance(minutes=2)
            lease = await client.take()
            assert lease is not None
            assert (lease.order.attempt, client.leases) == (2, [lease])

    go(test())
