"""Held steps of tasks: which races they show, what they never move, and that a seed repeats them."""

import asyncio

import pytest

from emulator.timeline import VirtualLoop

SEEDS = 50
"""What the marker tries by default."""


def played(scenario, *, seed=None, debug=False):
    """Run a scenario on a loop of its own and give what it returns."""
    with asyncio.Runner(loop_factory=lambda: VirtualLoop(interleave=seed), debug=debug) as runner:
        return runner.run(scenario())


async def turns(number):
    for _ in range(number):
        await asyncio.sleep(0)


# -- classic bugs: each gives True when it shows --------------------------------------------------------------------


def check_then_act(apart):
    """Two look whether the dome is free, wait a turn, and take it."""

    async def scenario():
        holders = []

        async def observer(name, late):
            await asyncio.sleep(1)
            await turns(late)
            if not holders:
                await asyncio.sleep(0)
                holders.append(name)

        await asyncio.gather(observer("north", 0), observer("south", apart))
        return len(holders) > 1

    return scenario


def lost_update(apart):
    """Two read a count through a callback, and write it back through another."""

    async def scenario():
        loop, plates = asyncio.get_running_loop(), {"exposed": 0}

        async def answered(value=None):
            answer = loop.create_future()
            loop.call_soon(answer.set_result, value)
            return await answer

        async def expose(late):
            await asyncio.sleep(1)
            await turns(late)
            seen = await answered(plates["exposed"])
            await answered()
            plates["exposed"] = seen + 1

        await asyncio.gather(expose(0), expose(apart))
        return plates["exposed"] != 2

    return scenario


def double_close(apart):
    """Two look whether the shutter is open, wait a turn, and close it."""

    async def scenario():
        state = {"open": True, "closings": 0}

        async def close(late):
            await asyncio.sleep(1)
            await turns(late)
            if state["open"]:
                await asyncio.sleep(0)
                state["open"] = False
                state["closings"] += 1

        await asyncio.gather(close(0), close(apart))
        return state["closings"] > 1

    return scenario


def use_before_init(apart):
    """One points the telescope, the other, begun after it, relies on that."""

    async def scenario():
        telescope = {}

        async def point():
            await asyncio.sleep(1)
            telescope["target"] = "M 31"

        async def expose():
            await asyncio.sleep(1)
            await turns(apart)
            return "target" not in telescope

        _, failed = await asyncio.gather(point(), expose())
        return failed

    return scenario


def cancel_against_finish(apart):
    """A copy is saved and then noted; whoever cancels it before it is noted takes it for not saved."""

    async def scenario():
        saved, notes = [], []

        async def copy():
            await asyncio.sleep(1)
            saved.append("plate")
            await asyncio.sleep(0)
            notes.append("copied")

        async def stop(task):
            await asyncio.sleep(1)
            await turns(apart)
            if not notes:
                task.cancel()
                notes.append("cancelled")

        copying = asyncio.ensure_future(copy())
        await asyncio.wait([copying, asyncio.ensure_future(stop(copying))])
        return bool(saved) and notes[0] == "cancelled"

    return scenario


def remote_store(apart):
    """Two ask a store, behind a queue and served by a task, for a count, and then tell it the next."""

    async def scenario():
        requests, loop = asyncio.Queue(), asyncio.get_running_loop()

        async def serve():
            kept = 0
            while True:
                put, answer = await requests.get()
                kept = kept if put is None else put
                answer.set_result(kept)

        async def ask(put=None):
            answer = loop.create_future()
            requests.put_nowait((put, answer))
            return await answer

        async def count(late):
            await asyncio.sleep(1)
            await turns(late)
            await ask(1 + await ask())

        server = asyncio.ensure_future(serve())
        await asyncio.gather(count(0), count(apart))
        kept = await ask()
        server.cancel()
        return kept != 2

    return scenario


BUGS = [
    (check_then_act, 0), (check_then_act, 2), (check_then_act, 6),
    (lost_update, 0), (lost_update, 4),
    (double_close, 0), (double_close, 2), (double_close, 6),
    (use_before_init, 0), (use_before_init, 2),
    (cancel_against_finish, 1), (cancel_against_finish, 3),
    (remote_store, 0), (remote_store, 6),
]  # fmt: skip


@pytest.mark.parametrize(("bug", "apart"), BUGS, ids=lambda value: getattr(value, "__name__", f"{value} apart"))
def test_classic_bugs_show_within_fifty_seeds(bug, apart):
    """Also those of tasks that come several turns after each other, which asyncio's own order hides."""
    assert any(played(bug(apart), seed=seed) for seed in range(SEEDS))


@pytest.mark.parametrize(("bug", "apart"), [one for one in BUGS if one[1] > 2], ids=lambda v: getattr(v, "__name__", v))
def test_asyncios_own_order_hides_what_is_some_turns_apart(bug, apart):
    """That is why orders are tried."""
    assert not played(bug(apart))


# -- what is right in every order ----------------------------------------------------------------------------


async def with_a_lock():
    lock, plates = asyncio.Lock(), {"exposed": 0, "inside": 0}

    async def expose():
        await asyncio.sleep(1)
        async with lock:
            plates["inside"] += 1
            assert plates["inside"] == 1
            seen = plates["exposed"]
            await turns(3)
            plates["exposed"] = seen + 1
            plates["inside"] -= 1

    await asyncio.gather(*(expose() for _ in range(4)))
    assert plates["exposed"] == 4


async def with_a_semaphore():
    domes, busy = asyncio.Semaphore(2), []

    async def observe(name):
        await asyncio.sleep(1)
        async with domes:
            busy.append(name)
            assert len(busy) <= 2
            await turns(3)
            busy.remove(name)

    await asyncio.gather(*(observe(name) for name in range(6)))


async def with_a_queue():
    queue, got = asyncio.Queue(maxsize=2), []

    async def put(first):
        for plate in range(first, first + 5):
            await queue.put(plate)

    async def get():
        while True:
            got.append(await queue.get())
            await turns(1)
            queue.task_done()

    readers = [asyncio.ensure_future(get()) for _ in range(2)]
    await asyncio.gather(put(0), put(10))
    await queue.join()
    for reader in readers:
        reader.cancel()
    assert sorted(got) == [*range(5), *range(10, 15)]
    assert [plate for plate in got if plate < 10] == sorted(plate for plate in got if plate < 10)


async def with_a_barrier():
    barrier, rounds = asyncio.Barrier(3), dict.fromkeys(range(3), 0)

    async def observe(name):
        for number in range(1, 4):
            rounds[name] = number
            await barrier.wait()
            assert set(rounds.values()) <= {number, number + 1}
            await barrier.wait()

    await asyncio.gather(*map(observe, rounds))


@pytest.mark.parametrize("right", [with_a_lock, with_a_semaphore, with_a_queue, with_a_barrier])
def test_what_asyncios_own_means_guard_is_right_in_every_order(right):
    """Two hundred orders of each."""
    for seed in range(200):
        played(right, seed=seed)


# -- the law ----------------------------------------------------------------------------


async def three_that_talk():
    """Who of three tasks said what, and when, over two instants."""
    seen = []

    async def talk(name):
        for place in range(8):
            seen.append((name, place, asyncio.get_running_loop().time()))
            await asyncio.sleep(1 if place == 4 else 0)

    await asyncio.gather(*map(talk, "abc"))
    return seen


def test_a_seed_gives_one_order_and_another_seed_another():
    """Also in debug mode; with no seed it is asyncio's, in which nobody is ahead."""
    orders = [played(three_that_talk, seed=seed) for seed in range(20)]
    assert orders == [played(three_that_talk, seed=seed, debug=True) for seed in range(20)]
    assert len({tuple(order) for order in orders}) > 10
    plain = [(name, place, place // 5 * 1.0) for place in range(8) for name in "abc"]
    assert played(three_that_talk) == plain
    assert [sorted(order) for order in orders] == [sorted(plain)] * 20


def test_the_clock_waits_for_the_steps_that_are_held_back(run):
    """A task that gives way five times at an instant is done with it before a timer of the next tick fires."""

    async def main(loop):
        seen = []
        loop.call_later(1e-6, seen.append, "next tick")
        await asyncio.gather(turns(5), turns(5))
        assert loop.time() == 0
        await loop.advance(1)
        return seen

    for seed in range(20):
        assert run(main, interleave=seed) == ["next tick"]


def test_callbacks_done_callbacks_and_timers_never_move(run):
    """They keep asyncio's order, whatever the steps of tasks around them do."""

    async def main(loop):
        seen = []
        future = loop.create_future()
        for number in range(5):
            loop.call_soon(seen.append, ("soon", number))
            loop.call_later(0, seen.append, ("timer", number))
            future.add_done_callback(lambda _, number=number: seen.append(("done", number)))
        loop.call_later(0, future.set_result, None)
        await asyncio.gather(turns(9), turns(9))
        return seen

    order = [(what, number) for what in ("soon", "timer", "done") for number in range(5)]
    for seed in range(20):
        assert run(main, interleave=seed) == order


def test_a_rank_of_the_world_waits_for_the_steps_that_the_one_before_it_woke(run):
    """A task that a fault woke is through before the messages of the instant, however slow it is."""
    from emulator.timeline.agenda import FAULTS, MESSAGES

    async def main(loop):
        seen, event = [], asyncio.Event()
        loop.agenda.at(5, lambda _: event.set(), None, FAULTS)
        loop.agenda.at(5, seen.append, "message", MESSAGES)
        await event.wait()
        await turns(5)
        seen.append("woken")
        await loop.advance(0)
        return seen

    for seed in range(20):
        assert run(main, interleave=seed) == ["woken", "message"]


def test_tasks_of_a_users_factory_are_held_back_too():
    """They are numbered by their first steps."""

    async def with_a_factory():
        loop = asyncio.get_running_loop()
        loop.set_task_factory(lambda loop, coro, **more: asyncio.Task(coro, loop=loop, **more))
        return await three_that_talk()

    orders = [played(with_a_factory, seed=seed) for seed in range(20)]
    assert orders == [played(with_a_factory, seed=seed) for seed in range(20)]
    assert len({tuple(order) for order in orders}) > 10


def test_it_can_be_switched_on_and_off_while_the_loop_runs(run):
    """What is held back then goes on; the loop tells its seed."""

    async def main(loop):
        assert loop.interleave is None
        loop.interleave = 3
        talking = asyncio.ensure_future(three_that_talk())
        await turns(2)
        assert loop.interleave == 3
        loop.interleave = None
        assert len(await talking) == 24
        return await three_that_talk()

    assert [(name, place) for name, place, _ in run(main)] == [(name, place) for place in range(8) for name in "abc"]


def test_a_task_that_is_cancelled_while_its_step_is_held_back_ends(run):
    """The step brings the cancellation; what its cleanup does is held back like the rest."""

    async def main(loop):
        seen = []

        async def copy():
            try:
                await turns(20)
            finally:
                await turns(2)
                seen.append("closed")

        for _ in range(5):
            task = asyncio.ensure_future(copy())
            await turns(3)
            task.cancel()
            await asyncio.wait([task])
            assert task.cancelled()
        return len(seen)

    for seed in range(10):
        assert run(main, interleave=seed) <= 5  # one whose first step was held back never began


def test_a_task_that_never_waits_is_reported_although_its_steps_are_held_back(run):
    """It is named, and the turns count that were really taken."""
    from emulator.errors import SpinningError

    async def spin():
        while True:
            await asyncio.sleep(0)

    async def main(loop):
        await asyncio.gather(spin(), spin())

    for seed in range(2):
        with pytest.raises(SpinningError, match=r"the loop took 500 turns .*\n.*in test_a_task_that.*spin"):
            run(main, interleave=seed, turns=500)


def test_a_seed_that_is_none_is_refused():
    """At the making of the loop, and when it is set."""
    with pytest.raises(ValueError, match="interleave='x': give a seed, a whole number"):
        VirtualLoop(interleave="x")
    loop = VirtualLoop()
    with pytest.raises(ValueError, match="interleave=True: give a seed, a whole number"):
        loop.interleave = True
    loop.close()
