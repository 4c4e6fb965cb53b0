"""The agenda of the modelled world and the timers of the loop: one order for both."""

import asyncio
import re

import pytest

from emulator.errors import SpinningError
from emulator.testing.span import Span
from emulator.timeline import Agenda
from emulator.timeline import agenda as agenda_module
from emulator.timeline.agenda import ENDS, FAULTS, HANDING, MESSAGES, REST
from emulator.timeline.ticks import SECOND

# -- the agenda alone -----------------------------------------------------------------------------------------------


def test_entries_fire_by_time_rank_keys_and_number():
    """Whatever the order in which they were made; what has passed means now, in its rank."""
    agenda, seen = Agenda(start=10), []
    agenda.at(20, seen.append, "handing over", HANDING)
    agenda.at(20, seen.append, "rest, first made")
    agenda.at(20, seen.append, "rest, second made")
    agenda.at(20, seen.append, "message of worker 2", MESSAGES, 2, 1)
    agenda.at(20, seen.append, "message of worker 1, second", MESSAGES, 1, 2)
    agenda.at(20, seen.append, "message of worker 1, first", MESSAGES, 1, 1)
    agenda.at(20, seen.append, "fault", FAULTS)
    agenda.at(20, seen.append, "end", ENDS)
    agenda.at(19, seen.append, "earlier")
    agenda.at(3, lambda _: seen.append(("past", agenda.now, agenda.rank)))
    agenda.run()
    assert seen == [
        ("past", 10, REST),
        "earlier",
        "end",
        "fault",
        "message of worker 1, first",
        "message of worker 1, second",
        "message of worker 2",
        "rest, first made",
        "rest, second made",
        "handing over",
    ]
    assert (agenda.now, agenda.rank, len(agenda), agenda.peek()) == (20, REST, 0, None)


def test_what_is_made_for_now_joins_its_rank_before_the_clock_moves():
    """An end that a message causes comes before the next message of the same instant."""
    agenda, seen = Agenda(), []

    def first(_):
        seen.append(agenda.rank)
        agenda.at(agenda.now, seen.append, "end", ENDS)

    agenda.at(5, first, None, MESSAGES, 1)
    agenda.at(5, seen.append, "second message", MESSAGES, 2)
    agenda.at(6, seen.append, "later")
    agenda.run()
    assert seen == [MESSAGES, "end", "second message", "later"]


def test_a_run_stops_before_what_must_not_be_overtaken_and_when_something_comes_up():
    """``before`` may be a whole position or a time alone; ``until`` is looked at after each entry."""
    agenda, seen = Agenda(), []
    for time in (1, 2, 2, 3, 4):
        agenda.at(time, seen.append, time)
    agenda.run((2, REST, 0, 0, 3))
    assert (seen, agenda.now, agenda.peek()) == ([1, 2], 2, (2, REST, 0, 0, 3))
    agenda.run((3,))
    assert seen == [1, 2, 2]
    agenda.run(until=seen)
    assert (seen, len(agenda)) == ([1, 2, 2, 3], 1)


def test_an_agenda_alone_reports_spinning_and_names_what_spins(monkeypatch):
    """An entry that makes the next one for the same instant, for ever; the message says what to do instead."""
    monkeypatch.setattr(agenda_module, "_STEPS_AT_ONE_INSTANT", 1_000)
    agenda = Agenda()

    def ask_again(names):
        agenda.at(agenda.now, ask_again, names)

    agenda.at(7, ask_again, ("dome-1", agenda, 17))
    with pytest.raises(SpinningError) as caught:
        agenda.run()
    assert re.sub(r"test_an_\S+<locals>\.", "", str(caught.value)) == (
        "the modelled world took 1,001 steps at 7us and the clock never moved, because each made the next one for the "
        "same instant; the last was ask_again (dome-1, 17): give what begins again and again a time or a pause, or a "
        "limit"
    )
    assert agenda.rank == REST


def test_spinning_in_a_span_names_what_spins_there(monkeypatch):
    """Not the span, which only passes it on."""
    monkeypatch.setattr(agenda_module, "_STEPS_AT_ONE_INSTANT", 1_000)
    base = Agenda()
    span = Span(base)

    def ask_again(name):
        span.at(span.now, ask_again, name)

    span.at(7, ask_again, "dome-1")
    with pytest.raises(SpinningError, match=r"ask_again \(dome-1\): give"):
        base.run()


def test_steps_are_counted_from_the_last_that_was_made_before_the_instant_began(monkeypatch):
    """5,000 entries of one instant are honest work for a limit of 1,000, and so are two for each in its course."""
    monkeypatch.setattr(agenda_module, "_STEPS_AT_ONE_INSTANT", 1_000)
    agenda, seen = Agenda(), []

    def first(number):
        agenda.at(agenda.now, seen.append, number, MESSAGES)
        agenda.at(agenda.now, seen.append, number, MESSAGES)

    for number in range(5_000):
        agenda.at(7, first, number)
    agenda.run()
    assert seen == [number for number in range(5_000) for _ in range(2)]


def test_an_entry_may_count_several_steps(monkeypatch):
    """One that does as much as several, such as handing over a thousand jobs, ends as they would."""
    monkeypatch.setattr(agenda_module, "_STEPS_AT_ONE_INSTANT", 1_000)
    agenda = Agenda()

    def much(_):
        for _ in range(1_001):
            agenda.step(much, "job 17")

    agenda.at(7, much)
    with pytest.raises(SpinningError, match=r"1,001 steps .*much \(job 17\)"):
        agenda.run()
    assert agenda.steps == 0


# -- merged with timers ---------------------------------------------------------------------------------------------


def test_entries_and_timers_fire_in_one_order(run):
    """By time, rank and number of making, whichever of the two heaps they stand in."""

    async def main(loop):
        seen = []
        loop.agenda.at(SECOND, seen.append, "1 entry")
        loop.call_later(1, seen.append, "2 timer")
        loop.agenda.at(SECOND, seen.append, "3 entry")
        loop.call_at(1, seen.append, "4 timer")
        loop.agenda.at(SECOND, seen.append, "a message", MESSAGES)
        loop.agenda.at(SECOND, seen.append, "an end", ENDS)
        loop.agenda.at(SECOND - 1, seen.append, "earlier entry")
        loop.call_later(1.000001, seen.append, "later timer")
        loop.agenda.at(SECOND + 2, seen.append, "last entry")
        await asyncio.sleep(2)
        return seen

    assert run(main) == [
        "earlier entry",
        "an end",
        "a message",
        "1 entry",
        "2 timer",
        "3 entry",
        "4 timer",
        "later timer",
        "last entry",
    ]


def test_what_is_ready_runs_before_the_next_entry(run):
    """An entry that wakes a task gives it all its turns before the next entry of the same instant."""

    async def main(loop):
        seen = []

        async def handler(event):
            await event.wait()
            for step in range(3):
                seen.append((loop.agenda.now, step))
                await asyncio.sleep(0)

        event = asyncio.Event()
        loop.agenda.at(5, lambda _: [seen.append("sets"), event.set()])
        loop.agenda.at(5, lambda _: seen.append("next entry"))
        await handler(event)
        await loop.advance(1)
        return seen

    assert run(main) == ["sets", (5, 0), (5, 1), (5, 2), "next entry"]


def test_an_entry_may_arm_a_timer_that_comes_before_the_next_entry(run):
    """The agenda does not run past it, and not past one that it cancels either."""

    async def main(loop):
        seen = []
        late = loop.call_later(9e-6, seen.append, "never")
        loop.agenda.at(5, lambda _: loop.call_later(1e-6, lambda: seen.append(("timer", loop.agenda.now))))
        loop.agenda.at(7, lambda _: seen.append(("entry", loop.agenda.now)))
        loop.agenda.at(8, lambda _: late.cancel())
        loop.agenda.at(12, lambda _: seen.append(("last", loop.agenda.now)))
        await loop.advance(20)
        return seen

    assert run(main) == [("timer", 6), ("entry", 7), ("last", 12)]


def test_a_task_that_never_waits_does_not_starve_the_world(run):
    """An entry due at this instant is let in after a while, and those later ones are not."""

    async def main(loop):
        seen = []
        for number in range(3):
            loop.agenda.at(0, seen.append, number)
        loop.agenda.at(1, seen.append, "later")
        turns = 0
        while len(seen) < 3:
            await asyncio.sleep(0)
            turns += 1
        return seen, turns

    seen, turns = run(main, turns=20_000)
    assert seen == [0, 1, 2]
    assert 1_000 < turns < 5_000


def test_an_entry_that_precedes_a_timer_due_now_holds_it_back(run):
    """After many turns without quiet, the entries and timers of the instant are let in in their order."""

    async def main(loop):
        seen = []
        loop.call_later(0, lambda: None)
        loop.agenda.at(0, seen.append, "entry 1")
        loop.agenda.at(0, seen.append, "entry 2")
        loop.call_later(0, seen.append, "timer")
        while "timer" not in seen:
            await asyncio.sleep(0)
        return seen

    assert run(main, turns=20_000) == ["entry 1", "entry 2", "timer"]


def test_a_million_instants_of_the_world_take_no_turn_of_the_loop(run):
    """The agenda runs by itself as long as it makes nothing ready."""

    async def main(loop):
        turns = loop._course.turns
        left = [20_000]

        def again(_):
            left[0] -= 1
            if left[0]:
                loop.agenda.at(loop.agenda.now + 1, again)

        again(None)
        await asyncio.sleep(1)
        return left[0], loop._course.turns - turns

    left, turns = run(main)
    assert (left, turns < 5) == (0, True)


def test_the_world_has_the_context_of_the_loop_and_no_task(run):
    """An entry made inside a handler does not carry the handler's context."""
    import contextvars

    worker = contextvars.ContextVar("worker", default="nobody")

    async def main(loop):
        seen = []

        async def handler():
            worker.set("dome-1")
            loop.agenda.at(5, lambda _: seen.append((worker.get(), asyncio.current_task())))

        await loop.create_task(handler())
        await loop.advance(10)
        return seen

    assert run(main) == [("nobody", None)]


def test_the_clock_of_the_loop_is_that_of_its_agenda(run):
    """Given with what already stands in it, and its present."""
    agenda, seen = Agenda(start=7 * SECOND), []
    agenda.at(8 * SECOND, seen.append, "entry")

    async def main(loop):
        began = loop.time()
        await asyncio.sleep(2)
        return began, loop.time(), loop.agenda is agenda

    assert run(main, agenda=agenda) == (7.0, 9.0, True)
    assert (seen, agenda.now) == (["entry"], 9 * SECOND)
