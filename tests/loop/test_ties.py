"""Code that meets itself at one instant: nothing that a stock loop shows is hidden."""

import asyncio
import sys

from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.timeline import VirtualLoop

STEPS = st.one_of(
    st.tuples(st.just("sleep"), st.sampled_from([0, 0.25, 0.5, 1])),
    st.tuples(st.just("later"), st.sampled_from([0, 0.25, 0.5])),
    st.tuples(st.just("at"), st.sampled_from([0.25, 0.5, 1])),
    st.tuples(st.just("soon"), st.just(0)),
    st.tuples(st.just("timeout"), st.sampled_from([0.25, 0.5, 1])),
    st.tuples(st.just("wait_for"), st.sampled_from([0, 0.25, 0.5])),
    st.tuples(st.just("set"), st.integers(0, 2)),
    st.tuples(st.just("wait"), st.integers(0, 2)),
    st.tuples(st.just("child"), st.sampled_from([0.25, 0.5])),
    st.tuples(st.just("stop"), st.integers(0, 3)),
)
PROGRAMS = st.lists(st.lists(STEPS, max_size=6), min_size=1, max_size=4)


async def _play(programs):
    """Run each program as a task, and tell what came in which order, and when."""
    loop, seen, tasks = asyncio.get_running_loop(), [], []
    events = [asyncio.Event() for _ in range(3)]

    def say(*what):
        seen.append((loop.time(), *what))

    async def task(number, steps):
        for place, (what, value) in enumerate(steps):
            try:
                if what == "sleep":
                    await asyncio.sleep(value)
                elif what == "later":
                    loop.call_later(value, say, "timer", number, place)
                elif what == "at":
                    loop.call_at(value, say, "timer", number, place)
                elif what == "soon":
                    loop.call_soon(say, "soon", number, place)
                elif what == "timeout":
                    async with asyncio.timeout(value):
                        await asyncio.sleep(0.5)
                elif what == "wait_for":
                    await asyncio.wait_for(asyncio.sleep(0.25), value)
                elif what == "set":
                    events[value].set()
                elif what == "wait":
                    _, pending = await asyncio.wait([asyncio.ensure_future(events[value].wait())], timeout=0.5)
                    [one.cancel() for one in pending]
                elif what == "child":
                    await asyncio.gather(asyncio.sleep(value), asyncio.sleep(0.25), asyncio.sleep(0))
                else:
                    tasks[value % len(tasks)].cancel()
                say("done", number, place)
            except TimeoutError:
                say("timeout", number, place)

    for number, steps in enumerate(programs):
        tasks.append(asyncio.ensure_future(task(number, steps)))
    await asyncio.wait(tasks)
    await asyncio.sleep(2)
    say(*(one.cancelled() for one in tasks))
    return seen


@settings(max_examples=300)
@given(PROGRAMS)
def test_whatever_meets_at_one_instant_runs_as_on_the_stock_loop(stock_loop, programs):
    """Sleeps, timers, deadlines, events and cancellations that meet leave the same trace."""
    traces = []
    for factory in (stock_loop, VirtualLoop):
        with asyncio.Runner(loop_factory=factory) as runner:
            traces.append(runner.run(_play(programs)))
    assert traces[0] == traces[1]
