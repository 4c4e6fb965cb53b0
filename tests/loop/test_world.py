"""The agenda of the modelled world and the timers of the loop: one order for both."""

import asyncio
import re

import pytest

from emulator.errors import SpinningError
from emulator.testing.stream import Span
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


class Entered(Agenda):
    """An agenda on which what ends an instant is always an entry."""

    def end_instant(self, call):
        self.at(self.now, call, None, HANDING)


@pytest.mark.parametrize("before", [None, (5, HANDING), (5, HANDING, 0, 0, 99), (6,)])
@pytest.mark.parametrize("again", [0, 1, 2])
@pytest.mark.parametrize("more", [(), ((5, REST),), ((5, ENDS), (6, REST))])
def test_what_ends_an_instant_fires_as_an_entry_would(before, again, more):
    """Alone or not, asked for twice, once more from within, from outside a run, and where a run is cut off there."""

    def seen_on(agenda):
        seen, left = [], [again]

        def end(_):
            seen.append((agenda.now, agenda.rank, agenda.has_passed(agenda.now, REST, 0, 0)))
            if left[0]:
                left[0] -= 1
                agenda.end_instant(end)

        def ask(_):
            agenda.end_instant(end)
            for at, rank in more:
                agenda.at(at, lambda what: seen.append((agenda.now, what)), (at, rank), rank)
            if again == 1:
                agenda.end_instant(end)

        agenda.at(5, ask)
        agenda.end_instant(lambda _: seen.append("from outside"))
        stopped = agenda.run(before)
        return seen, stopped, agenda.rank, len(agenda), agenda.run(), len(seen)

    assert seen_on(Agenda()) == seen_on(Entered())


def test_what_ends_an_instant_is_left_where_the_loop_has_something_to_run_or_an_entry_fails():
    """It waits as an entry, and fires when the run goes on."""
    agenda, ready, seen = Agenda(), [], []

    def ask(error):
        agenda.end_instant(seen.append)
        ready.append("a task")
        if error:
            raise error

    agenda.at(5, ask)
    agenda.at(6, ask, ValueError("it fails"))
    assert (agenda.run(until=ready), seen, agenda.peek()[:2]) == (REST, [], (5, HANDING))
    with pytest.raises(ValueError, match="it fails"):
        agenda.run()
    assert (seen, agenda.peek()[:2]) == ([None], (6, HANDING))
    assert (agenda.run(), seen) == (HANDING, [None, None])


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
    """``before`` may be a whole position or a time alone; ``until`` is looked at when a rank has had its go."""
    agenda, seen = Agenda(), []
    for time in (1, 2, 2, 3, 3, 4):
        agenda.at(time, seen.append, time)
    assert agenda.run((2, REST, 0, 0, 3)) == REST
    assert (seen, agenda.now, agenda.peek()) == ([1, 2], 2, (2, REST, 0, 0, 3))
    agenda.run((3,))
    assert seen == [1, 2, 2]
    assert agenda.run((3,)) == 0
    assert agenda.run(until=seen) == REST
    assert (seen, len(agenda)) == ([1, 2, 2, 3, 3], 1)


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


def test_at_one_instant_the_timers_come_after_the_entries_and_before_work_is_handed_over(run):
    """By time and rank; within each of the two heaps by the order of making."""

    async def main(loop):
        seen = []
        loop.agenda.at(SECOND, seen.append, "handing over", HANDING)
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
        "3 entry",
        "2 timer",
        "4 timer",
        "handing over",
        "later timer",
        "last entry",
    ]


@pytest.mark.parametrize("rank", [ENDS, FAULTS, MESSAGES])
def test_what_a_rank_has_woken_runs_until_quiet_before_the_next(run, rank):
    """All entries of a rank fire, then code has all its turns, then the next rank comes, and the timers last."""

    async def main(loop):
        seen = []

        async def handler(event):
            await event.wait()
            for step in range(3):
                seen.append((loop.agenda.now, step))
                await asyncio.sleep(0)

        event = asyncio.Event()
        loop.call_later(5e-6, seen.append, "timer")
        loop.agenda.at(5, seen.append, "next rank", rank + 1)
        loop.agenda.at(5, lambda _: [seen.append("sets"), event.set()], None, rank, 1)
        loop.agenda.at(5, seen.append, "same rank", rank, 2)
        await handler(event)
        await loop.advance(1)
        return seen

    assert run(main) == ["sets", "same rank", (5, 0), (5, 1), (5, 2), "next rank", "timer"]


def test_what_the_rest_of_the_world_has_woken_shares_its_turn_with_the_timers(run):
    """First what the entries made ready, in their order, then the timers; work is handed over when all is quiet."""

    async def main(loop):
        seen = []

        def step(name, left):
            seen.append((name, left))
            if left:
                loop.call_soon(step, name, left - 1)

        loop.call_later(5e-6, step, "timer", 1)
        loop.agenda.at(5, lambda _: step("handing over", 0), None, HANDING)
        loop.agenda.at(5, lambda _: loop.call_soon(step, "entry 1", 1))
        loop.agenda.at(5, lambda _: loop.call_soon(step, "entry 2", 1))
        await loop.advance(6)
        return seen

    assert run(main) == [
        ("entry 1", 1),
        ("entry 2", 1),
        ("timer", 1),
        ("entry 1", 0),
        ("entry 2", 0),
        ("timer", 0),
        ("handing over", 0),
    ]


def test_work_is_handed_over_after_what_was_woken_has_run_where_there_is_no_timer_either(run):
    """The handing over is a rank of its own."""

    async def main(loop):
        seen = []
        loop.agenda.at(5, lambda _: loop.call_soon(loop.call_soon, seen.append, "woken"))
        loop.agenda.at(5, seen.append, "handing over", HANDING)
        await loop.advance(6)
        return seen

    assert run(main) == ["woken", "handing over"]


def test_what_code_makes_for_now_joins_its_rank_once_code_is_quiet(run):
    """An end that woken code asks for waits for its three turns, and comes before the message that was there."""

    async def main(loop):
        seen = []

        async def handler(event):
            await event.wait()
            loop.agenda.at(5, seen.append, "an end", ENDS)
            for step in range(3):
                seen.append(step)
                await asyncio.sleep(0)

        event = asyncio.Event()
        loop.agenda.at(5, lambda _: event.set(), None, FAULTS)
        loop.agenda.at(5, seen.append, "a message", MESSAGES)
        await handler(event)
        await loop.advance(1)
        return seen

    assert run(main) == [0, 1, 2, "an end", "a message"]


def test_code_that_a_rank_has_woken_finds_the_world_at_that_rank(run):
    """So what code does then counts as before the ranks that are still to come; at timers they are all over."""

    async def main(loop):
        seen = []

        def look(_=None):
            agenda = loop.agenda
            last = max(rank for rank in (ENDS, FAULTS, MESSAGES) if agenda.has_passed(5, rank, 7, 7))
            seen.append((agenda.rank, last))

        for rank in (ENDS, FAULTS, MESSAGES):
            loop.agenda.at(5, lambda _: loop.call_soon(look), None, rank)
        loop.call_later(5e-6, look)
        await loop.advance(5)
        look()
        return seen

    assert run(main) == [(rank, rank) for rank in (ENDS, FAULTS, MESSAGES)] + [(REST, MESSAGES)] * 2


def test_what_an_entry_makes_for_now_belongs_to_the_go_of_its_rank(run):
    """Woken code does not come between a message, the end that it causes and the next message."""

    async def main(loop):
        seen = []
        loop.agenda.at(5, lambda _: loop.call_soon(seen.append, "woken"), None, MESSAGES, 1)
        loop.agenda.at(5, lambda _: loop.agenda.at(5, seen.append, "an end", ENDS), None, MESSAGES, 2)
        loop.agenda.at(5, seen.append, "last message", MESSAGES, 3)
        loop.agenda.at(5, seen.append, "the rest")
        await loop.advance(6)
        return seen

    assert run(main) == ["an end", "last message", "woken", "the rest"]


def test_a_timer_made_for_now_does_not_wait_for_the_ranks_that_are_still_to_come(run):
    """Code that a fault woke makes one, and it fires in the next turn."""

    async def main(loop):
        seen = []
        loop.call_later(5e-6, seen.append, "timer of the instant")
        loop.agenda.at(5, lambda _: loop.call_soon(loop.call_later, 0, seen.append, "timer for now"), None, FAULTS)
        loop.agenda.at(5, seen.append, "a message", MESSAGES)
        await loop.advance(6)
        return seen

    assert run(main) == ["timer for now", "a message", "timer of the instant"]


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
    """The ranks that are due at this instant are let in one after the other, and those later ones are not."""

    async def main(loop):
        seen = []
        for rank in (ENDS, FAULTS, MESSAGES):
            loop.agenda.at(0, seen.append, rank, rank)
        loop.agenda.at(1, seen.append, "later")
        turns = 0
        while len(seen) < 3:
            await asyncio.sleep(0)
            turns += 1
        return seen, turns

    seen, turns = run(main, turns=20_000)
    assert seen == [ENDS, FAULTS, MESSAGES]
    assert 1_000 < turns < 5_000


def test_timers_of_an_instant_that_finds_no_quiet_are_let_in_after_the_ranks_of_the_world(run):
    """What a message woke never waits: after many turns each, the rest of the world and the timers come."""

    async def main(loop):
        seen, event = [], asyncio.Event()
        loop.call_later(5e-6, seen.append, "timer")
        loop.agenda.at(5, lambda _: event.set(), None, MESSAGES)
        loop.agenda.at(5, seen.append, "entry 1")
        loop.agenda.at(5, seen.append, "entry 2")
        await event.wait()
        turns = 0
        while "timer" not in seen:
            await asyncio.sleep(0)
            turns += 1
        return seen, turns

    seen, turns = run(main, turns=20_000)
    assert seen == ["entry 1", "entry 2", "timer"]
    assert 900 < turns < 1_100


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
