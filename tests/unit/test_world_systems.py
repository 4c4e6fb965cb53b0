"""What do systems do with calls? Every expected instant here is worked out by hand; times are in ticks."""

from itertools import pairwise
from typing import Any

import pytest

from emulator.errors import DefectError
from emulator.record.recorder import Recorder
from emulator.scenario.load import load_text
from emulator.scenario.models import System
from emulator.timeline.agenda import FAULTS, Agenda
from emulator.world.draws import Draws, numbers_key
from emulator.world.systems import Call, Systems
from emulator.world.world import World


class Bench:
    """One system called ``archive``, with what its callers are told and what lands there."""

    def __init__(self, seed: int = 1, **archive: Any) -> None:
        self.agenda = Agenda()
        self.recorder = Recorder()
        self.systems = Systems({"archive": System(**archive)}, self.agenda, self.recorder, Draws(seed))
        self.told: list[tuple[int, int, str, int | None]] = []
        self.landed: list[tuple[int, int]] = []
        self.fence_refuses = False

    def make(self, job: int, **more: Any) -> Call:
        call = Call(
            (job, 1, job, f"dome-{job}"),
            more.pop("key", job),
            "archive",
            lambda outcome, hint: self.told.append((self.agenda.now, job, outcome, hint)),
        )
        call.land = lambda: self._land(job)
        for name, value in more.items():
            setattr(call, name, value)
        return call

    def at(self, tick: int, job: int, **more: Any) -> Call:
        """Let a job call at a tick."""
        call = self.make(job, **more)
        self.agenda.at(tick, self.systems.call, call)
        return call

    def then(self, tick: int, what: Any, *arguments: Any) -> None:
        """Let something happen to the system at a tick, as faults do."""
        self.agenda.at(tick, lambda _: what(*arguments), rank=FAULTS)

    def run(self, before: int = 1_000_000) -> list[tuple[int, int, str, int | None]]:
        self.agenda.run((before,))
        return self.told

    def events(self) -> list[tuple[Any, ...]]:
        """Give (tick, job, attempt, outcome) of each call that ended, with ``late`` for one served late."""
        return [
            (row[0], row[3], row[5], row[8] if row[1] == "call_ended" else "late")
            for row in self.recorder.rows
            if row[1] in {"call_ended", "call_served_late"}
        ]

    def _land(self, job: int) -> bool:
        if not self.fence_refuses:
            self.landed.append((self.agenda.now, job))
        return not self.fence_refuses


def storm(**archive: Any) -> Bench:
    """Two callers wait 30 for a system that needs 40, and call again at once, three times in all."""
    bench = Bench(slots=1, answers_in=40, patience=30, **archive)

    def call(job: int, attempt: int) -> None:
        def done(outcome: str, hint: int | None) -> None:
            bench.told.append((bench.agenda.now, job, outcome, hint))
            if attempt < 3:
                call(job, attempt + 1)

        bench.systems.call(Call((job, attempt, 10 * job + attempt, ""), 0, "archive", done))

    bench.agenda.at(0, lambda _: (call(1, 1), call(2, 1)))
    return bench


def test_impatient_callers_keep_a_system_busy_that_serves_none_of_them() -> None:
    """What was given up is served all the same: six services of 40 in a row, none of them in time for its caller."""
    bench = storm()
    bench.run(before=100)
    assert bench.systems.load("archive") == (1, 3)
    bench.run()
    assert bench.events() == [
        (30, 1, 1, "abandoned"),
        (30, 2, 1, "abandoned"),
        (40, 1, 1, "late"),
        (60, 1, 2, "abandoned"),
        (60, 2, 2, "abandoned"),
        (80, 2, 1, "late"),
        (90, 1, 3, "abandoned"),
        (90, 2, 3, "abandoned"),
        (120, 1, 2, "late"),
        (160, 2, 2, "late"),
        (200, 1, 3, "late"),
        (240, 2, 3, "late"),
    ]


def test_callers_that_leave_the_line_free_place_and_slot() -> None:
    """With `abandoned_calls: drop` nothing is served after its caller has gone, and the system is idle at the end."""
    bench = storm(abandoned_calls="drop")
    bench.run(before=91)
    assert bench.systems.load("archive") == (0, 0)
    bench.run()
    assert bench.events() == [(t, job, t // 30, "abandoned") for t in (30, 60, 90) for job in (1, 2)]


@pytest.mark.parametrize("slots", [1, 3])
def test_waits_in_line_follow_the_recurrence_of_first_come_first_served(slots: int) -> None:
    """Each of 500 calls is served as the first of the slots is free, by the times that the calls take without slots.

    Source: the recurrence of Kiefer and Wolfowitz, 1955, for many servers, Lindley's for one (from memory).
    """
    law = {"mean": 70, "law": "exponential"}
    arrivals = [int(Draws(5).uniform(0, job) * 20_000) for job in range(1, 501)]
    arrivals.sort()

    def answered(**archive: Any) -> list[int]:
        bench = Bench(answers_in=law, **archive)
        for job, tick in enumerate(arrivals, 1):
            bench.at(tick, job)
        ends = {job: tick for tick, job, _, _ in bench.run()}
        return [ends[job] for job in range(1, 501)]

    taken = [end - arrival for arrival, end in zip(arrivals, answered(), strict=True)]
    free, expected = [0] * slots, []
    for arrival, time in zip(arrivals, taken, strict=True):
        free.sort()
        free[0] = max(free[0], arrival) + time
        expected.append(free[0])
    assert answered(slots=slots) == expected
    assert sum(expected) > sum(a + t for a, t in zip(arrivals, taken, strict=True))  # somebody did wait


def test_who_finds_no_token_is_refused_with_the_hint() -> None:
    """Two at once and one more each 10: the third at 0 is refused, and so is one at 9, but not one at 10."""
    bench = Bench(limit={"allows": 1, "each": 10, "burst": 2}, retry_after=7)
    for tick, job in ((0, 1), (0, 2), (0, 3), (9, 4), (10, 5)):
        bench.at(tick, job)
    assert bench.run() == [(0, 1, "ok", None), (0, 2, "ok", None), (0, 3, "refused", 7), (9, 4, "refused", 7),
                           (10, 5, "ok", None)]  # fmt: skip


def test_who_finds_no_token_waits_in_order_where_so_stated() -> None:
    """One each 10, service of 3: three calls at 0 are answered at 3, 13, 23, and a later one does not pass them."""
    bench = Bench(answers_in=3, limit={"allows": 1, "each": 10, "when_empty": "wait"})
    for tick, job in ((0, 1), (0, 2), (0, 3), (10, 4)):
        bench.at(tick, job)
    assert bench.run() == [(3, 1, "ok", None), (13, 2, "ok", None), (23, 3, "ok", None), (33, 4, "ok", None)]


@pytest.mark.parametrize(("calls", "third"), [("finish", 20), ("drop", 10)])
def test_an_abandoned_call_uses_its_token_unless_it_is_dropped(calls: str, third: int) -> None:
    """Job 2 gives up at 5 while it waits for the token of 10: job 3 has the next token, or that one if 2 left."""
    bench = Bench(limit={"allows": 1, "each": 10, "when_empty": "wait"}, abandoned_calls=calls)
    bench.at(0, 1)
    bench.at(0, 2, patience=5)
    bench.at(0, 3)
    assert bench.run() == [(0, 1, "ok", None), (5, 2, "abandoned", None), (third, 3, "ok", None)]


def test_a_full_line_refuses_and_a_free_slot_needs_no_line() -> None:
    """One slot and a line of one: the third at 0 is refused; with no line at all the second is."""
    bench = Bench(slots=1, answers_in=10, waiting_at_most=1)
    for job in (1, 2, 3):
        bench.at(0, job)
    assert bench.run() == [(0, 3, "refused", None), (10, 1, "ok", None), (20, 2, "ok", None)]
    bench = Bench(slots=1, answers_in=10, waiting_at_most=0)
    for job in (1, 2):
        bench.at(0, job)
    assert bench.run() == [(0, 2, "refused", None), (10, 1, "ok", None)]


@pytest.mark.parametrize(
    ("lands", "alive", "gone"),
    [("at_request", [(0, 2)], [(0, 2)]), ("at_end", [(20, 2)], []), ("remotely", [(20, 2)], [(20, 2)])],
)
@pytest.mark.parametrize("how", ["stays", "dies", "gives up"])
def test_an_effect_lands_as_stated_whether_or_not_its_caller_is_there(
    how: str, lands: str, alive: list[Any], gone: list[Any]
) -> None:
    """Job 2 calls at 0, is served from 10 to 20, and goes at 15: its effect lands at 0, at the end, or remotely."""
    bench = Bench(slots=1, answers_in=10)
    bench.at(0, 1)
    call = bench.at(0, 2, lands=lands, patience=15 if how == "gives up" else None)
    if how == "dies":
        bench.then(15, lambda: setattr(call, "done", None))
    told = bench.run()
    assert bench.landed == (alive if how == "stays" else gone)
    last = {"stays": [(20, 2, "ok", None)], "dies": [], "gives up": [(15, 2, "abandoned", None)]}[how]
    assert told == [(10, 1, "ok", None), *last]
    assert ((20, 2, 1, "late") in bench.events()) is (how != "stays")


@pytest.mark.parametrize(
    ("meets", "second"), [("error", (20, "in_progress")), ("ok", (20, "ok")), ("wait", (40, "ok"))]
)
def test_a_repeated_request_meets_the_earlier_one_under_way(meets: str, second: tuple[int, str]) -> None:
    """The caller gives up at 10 and asks again at 20: error, ok, or the earlier one's answer at 40, as stated.

    The effect lands once, at 40; a request for another target, and one after the end, go their own way.
    """
    bench = Bench(answers_in=40)
    own = {"lands": "remotely", "if_already_in_progress": meets, "target": "plate 7"}
    bench.at(0, 1, patience=10, **own)
    bench.at(20, 2, **own)
    bench.at(20, 3, **{**own, "target": "plate 8"})
    bench.at(41, 4, **own)
    assert bench.run() == [(10, 1, "abandoned", None), (second[0], 2, second[1], None), (60, 3, "ok", None),
                           (81, 4, "ok", None)]  # fmt: skip
    assert bench.landed == [(40, 1), (60, 3), (81, 4)]


def test_who_waits_for_an_earlier_answer_gets_its_error_and_may_give_up() -> None:
    """The earlier answer is an error for the one that still waits; the one that gave up at 25 hears nothing more."""
    bench = Bench(answers_in=40, error_share=1.0)
    own = {"lands": "remotely", "if_already_in_progress": "wait", "target": "plate 7"}
    bench.at(0, 1, **own)
    bench.at(5, 2, patience=20, **own)
    bench.at(6, 3, **own)
    assert bench.run() == [(25, 2, "abandoned", None), (40, 1, "error", None), (40, 3, "error", None)]
    assert bench.landed == []


def test_an_answer_at_the_very_end_of_patience_is_too_late() -> None:
    """What ends at an instant ends before anything else: patience 10 against a service of 10 is abandoned."""
    bench = Bench(answers_in=10, patience=10)
    bench.at(0, 1)
    bench.at(0, 2, patience=11)
    assert bench.run() == [(10, 1, "abandoned", None), (10, 2, "ok", None)]


def test_an_outage_ends_what_is_served_and_refuses_what_waits_or_comes() -> None:
    """Down from 5 to 20: service ends in error at 5, waiting calls and new ones are refused, the next is served."""
    bench = Bench(slots=1, answers_in=10, retry_after=3)
    for tick, job in ((0, 1), (0, 2), (5, 3), (19, 4), (20, 5)):
        bench.at(tick, job, lands="remotely", target=str(job))
    bench.then(5, bench.systems.set_down, 0, "archive")
    bench.then(20, bench.systems.set_up, 0, "archive")
    told = bench.run()
    assert told == [(5, 1, "error", None), (5, 2, "refused", 3), (5, 3, "refused", 3), (19, 4, "refused", 3),
                    (30, 5, "ok", None)]  # fmt: skip
    assert bench.landed == [(30, 5)]


def test_a_call_that_waits_for_a_token_is_refused_by_an_outage() -> None:
    """Job 2 would have its token at 100; the system goes down at 50 and is up at 60: refused, and never served."""
    bench = Bench(limit={"allows": 1, "each": 100, "when_empty": "wait"}, outages=[{"from": "+50us", "until": "+60us"}])
    bench.systems.start()
    bench.at(0, 1)
    bench.at(0, 2)
    bench.at(60, 3)
    assert bench.run() == [(0, 1, "ok", None), (50, 2, "refused", None), (100, 3, "ok", None)]


def test_a_stated_outage_and_a_fault_that_overlap_are_one() -> None:
    """Stated [10, 30), by a fault [20, 40): down once at 10, up once at 40; a second fault meanwhile hits nothing."""
    bench = Bench(outages=[{"from": "+10us", "until": "+30us"}])
    bench.systems.start()
    hits: list[bool] = []
    for tick, what in ((20, bench.systems.set_down), (25, bench.systems.set_down), (40, bench.systems.set_up),
                       (45, bench.systems.set_up)):  # fmt: skip
        bench.then(tick, lambda what=what: hits.append(what(9, "archive")))
    bench.run()
    assert hits == [True, False, True, False]
    assert bench.recorder.rows == [
        (10, "system_changed", 0, 0, "", "archive", "down"),
        (40, "system_changed", 9, 0, "", "archive", "up"),
    ]


def test_stated_outages_that_overlap_are_one_and_past_ones_none() -> None:
    """[10, 30) and [20, 40) are one outage of [10, 40); one that was over before the start is not told."""
    bench = Bench(
        outages=[
            {"from": -9, "until": "+0us"}, {"from": "+10us", "until": "+30us"}, {"from": "+20us", "until": "+40us"},
        ]
    )  # fmt: skip
    bench.systems.start()
    bench.run()
    assert [(row[0], row[6]) for row in bench.recorder.rows] == [(10, "down"), (40, "up")]


def test_an_outage_drops_the_calls_of_those_that_have_gone_without_a_word() -> None:
    """A call given up at 5 and one whose caller died, both under way at 20, end in the outage: no late service."""
    bench = Bench(answers_in=40)
    bench.at(0, 1, lands="remotely", target="a", patience=5)
    call = bench.at(0, 2, lands="remotely", target="b")
    bench.then(10, lambda: setattr(call, "done", None))
    bench.then(20, bench.systems.set_down, 0, "archive")
    assert bench.run() == [(5, 1, "abandoned", None)]
    assert bench.events() == [(5, 1, 1, "abandoned")]
    assert (bench.landed, bench.systems.load("archive")) == ([], (0, 0))


def test_a_change_that_changes_nothing_is_told_to_whoever_asked_for_it() -> None:
    """The second of two like changes gives False and no event; a brown-out by 0 is no factor."""
    bench = Bench()
    systems = bench.systems
    assert [systems.set_brown_out(1, "archive", factor) for factor in (1, 0.5, 0.5, 1)] == [False, True, False, True]
    assert [systems.set_error_share(1, "archive", share) for share in (None, 0.5, 0.5, None)] == [
        False, True, False, True,
    ]  # fmt: skip
    assert [row[6] for row in bench.recorder.rows] == ["brown_out", "up", "errors", "up"]
    with pytest.raises(DefectError, match="the brown-out factor 0: it must be above 0"):
        systems.set_brown_out(1, "archive", 0)


def test_a_brown_out_stretches_only_what_remains() -> None:
    """Service of 40 begun at 0: at 10 answers take 3 times as long (30 left: 100); over at 40 (20 left: 60)."""
    bench = Bench(answers_in=40)
    bench.at(0, 1)
    bench.at(10, 2)
    bench.then(10, bench.systems.set_brown_out, 8, "archive", 3)
    bench.then(40, bench.systems.set_brown_out, 9, "archive", 1)
    assert bench.run() == [(60, 1, "ok", None), (70, 2, "ok", None)]  # the second did 10 of 40 by 40, then 30 more
    assert [row for row in bench.recorder.rows if row[1] == "system_changed"] == [
        (10, "system_changed", 8, 0, "", "archive", "brown_out"),
        (40, "system_changed", 9, 0, "", "archive", "up"),
    ]
    bench = Bench(answers_in=40)
    bench.at(0, 1)
    bench.then(10, bench.systems.set_brown_out, 8, "archive", 3)
    assert bench.run() == [(100, 1, "ok", None)]


def test_a_burst_of_errors_counts_as_the_answer_is_given() -> None:
    """Errors from 15 to 25: calls answered at 10 and 30 are ok, the one answered at 20 is not."""
    bench = Bench(answers_in=10)
    for tick, job in ((0, 1), (10, 2), (20, 3)):
        bench.at(tick, job)
    bench.then(15, bench.systems.set_error_share, 0, "archive", 1.0)
    bench.then(25, bench.systems.set_error_share, 0, "archive", None)
    assert bench.run() == [(10, 1, "ok", None), (20, 2, "error", None), (30, 3, "ok", None)]


def test_a_larger_share_of_errors_contains_the_smaller() -> None:
    """Of 2,000 calls 20 % fail within four deviations (18 each), and every one of them fails at 50 % as well."""

    def failing(share: float, extra: float = 0.0) -> set[int]:
        bench = Bench(error_share=share)
        for job in range(1, 2001):
            bench.at(0, job, error_share=extra)
        return {job for _, job, outcome, _ in bench.run() if outcome == "error"}

    few, many = failing(0.2), failing(0.5)
    assert few < many
    assert abs(len(few) - 400) < 72
    assert failing(0.0, 0.2) == few


def test_an_answer_time_belongs_to_its_call_alone() -> None:
    """The same call takes the same time whoever else calls, and another call, of another key, another time."""
    law = {"mean": "40s", "law": "erlang", "stages": 3}

    def times(*jobs: int, **more: Any) -> dict[int, int]:
        bench = Bench(answers_in=law)
        for job in jobs:
            bench.at(0, job, **more)
        return {job: tick for tick, job, _, _ in bench.run(before=10**12)}

    alone, all_three = times(2), times(1, 2, 3)
    assert all_three[2] == alone[2]
    assert len({*all_three.values(), times(2, key=numbers_key(2, 1))[2], times(2, key=2**40)[2]}) == 5


CALLS_OF_ONE_JOB = """
title: calls of one job
starts: 2026-06-12T21:30:00
lasts: 3h
queues: {night: {retry: {attempts_in_all: 2, pause: constant, first: 1m}}}
pools: {dome: {count: 1, serves: [night]}}
systems: {archive: {answers_in: {mean: 40s, law: erlang, stages: 3}}}
routines:
  export:
    queue: night
    parameters: {plates: list}
    parts:
      - {name: fetch, calls: archive, for_each: plates}
      - {name: store, calls: archive}
      - {name: fail, takes: 1s, error_share: 1}
arrivals:
  - {routine: export, name: exports, at: +1m, parameters: {plates: [south, north]}}
"""


def test_each_attempt_part_and_element_of_a_job_has_an_answer_time_of_its_own() -> None:
    """Two attempts of two elements and another part make six calls, no two of which take the same time."""
    agenda, recorder = Agenda(), Recorder()
    world = World(load_text(CALLS_OF_ONE_JOB, "calls"), 1, agenda, recorder)
    world.start()
    world.run()
    world.close()
    steps = [row[0] for row in recorder.rows if row[1] in ("work_began", "part_finished")]
    times = [later - before for before, later in pairwise(steps)]
    del times[3]  # from the end of one attempt's last call to the beginning of the next attempt
    assert len(times) == len(set(times)) == 6


def test_a_write_that_the_fence_refuses_is_answered_with_an_error() -> None:
    """The caller of a refused write gets an error: at once if it was to land at the request, else when it is served."""
    bench = Bench(answers_in=10)
    bench.fence_refuses = True
    for job, lands in ((1, "at_request"), (2, "at_end"), (3, "remotely")):
        bench.at(0, job, lands=lands, target=lands)
    assert bench.run() == [(0, 1, "error", None), (10, 2, "error", None), (10, 3, "error", None)]


def test_an_effect_lands_at_the_request_though_the_call_waits_at_the_door() -> None:
    """One token a 10 ticks: the second call waits for its token until 10, its effect is there from 0 on, and once."""
    bench = Bench(answers_in=5, limit={"allows": 1, "each": 10, "when_empty": "wait"})
    for job in (1, 2):
        bench.at(0, job, lands="at_request")
    assert bench.run() == [(5, 1, "ok", None), (15, 2, "ok", None)]
    assert bench.landed == [(0, 1), (0, 2)]


def test_a_fence_turns_a_call_away_before_it_waits_at_the_door() -> None:
    """The second call, stale, would wait for a token until 10; it is refused at 2, and the third call has it."""
    bench = Bench(answers_in=5, limit={"allows": 1, "each": 10, "when_empty": "wait"})
    bench.at(0, 1)
    bench.then(1, setattr, bench, "fence_refuses", True)
    bench.at(2, 2, lands="at_request")
    bench.at(3, 3)
    assert bench.run() == [(2, 2, "error", None), (5, 1, "ok", None), (15, 3, "ok", None)]


@pytest.mark.parametrize("how", ["down", "its line is full"])
def test_a_call_that_is_refused_at_once_leaves_nothing(how: str) -> None:
    """A system that is down, or has no place in its line, takes no request: nothing lands."""
    bench = Bench(slots=1, answers_in=10, waiting_at_most=0)
    if how == "down":
        bench.then(0, bench.systems.set_down, 0, "archive")
    else:
        bench.at(0, 1)
    bench.at(1, 2, lands="at_request")
    assert (1, 2, "refused", None) in bench.run()
    assert bench.landed == []


def test_each_event_of_a_call_names_what_led_to_it() -> None:
    """A call's end names the call's cause, a late service the end before it, an end by an outage the outage."""
    bench = Bench(slots=2, answers_in=10)
    bench.at(0, 1, patience=4, cause=77)
    bench.at(0, 2, cause=78)
    bench.at(5, 3, cause=79)
    bench.then(12, bench.systems.set_down, 80, "archive")
    bench.run()
    assert bench.recorder.rows == [
        (4, "call_ended", 77, 1, "dome-1", 1, 1, "archive", "abandoned", 4),
        (10, "call_served_late", 1, 1, "dome-1", 1, 1, "archive"),
        (10, "call_ended", 78, 2, "dome-2", 1, 2, "archive", "ok", 10),
        (12, "system_changed", 80, 0, "", "archive", "down"),
        (12, "call_ended", 4, 3, "dome-3", 1, 3, "archive", "error", 7),
    ]


def test_no_caller_is_answered_within_its_own_call() -> None:
    """Even a refusal reaches the caller after its call has returned, at the same instant."""
    bench = Bench(outages=[{"from": "+0us", "until": "+9us"}])
    bench.systems.start()
    bench.agenda.run((1,))
    bench.systems.call(bench.make(1))
    bench.systems.turn_away(bench.make(2), "no_access")
    assert bench.told == []
    assert bench.run() == [(0, 1, "refused", None), (0, 2, "no_access", None)]


def test_the_dead_cancel_nothing() -> None:
    """A dead caller's patience ends nothing, not even where those that give up leave the line."""
    bench = Bench(slots=1, answers_in=40, patience=10, abandoned_calls="drop")
    call = bench.at(0, 1)
    bench.then(5, lambda: setattr(call, "done", None))
    bench.at(20, 2, patience=100)
    assert bench.run() == [(80, 2, "ok", None)]
    assert bench.events() == [(40, 1, 1, "late"), (80, 2, 1, "ok")]


@pytest.mark.parametrize(
    ("thaw", "answer", "told"),
    [(20, 40, (30, "abandoned")), (35, 40, (35, "abandoned")), (60, 40, (40, "ok"))],
    ids=["before its patience ends", "after it, before the answer", "after the answer"],
)
def test_the_patience_of_a_caller_that_stands_still_does_so_too(thaw: int, answer: int, told: tuple[int, str]) -> None:
    """Frozen at 10 with a patience of 30: it gives up at 30 or at its thaw, but an answer that came first counts."""
    bench = Bench(answers_in=answer, patience=30)
    call = bench.at(0, 1)
    bench.then(10, bench.systems.freeze, call)
    bench.then(thaw, bench.systems.thaw, call)
    assert bench.run() == [(told[0], 1, told[1], None)]


def test_a_system_cannot_answer_in_a_traced_time() -> None:
    """Only a part can take the time that a trace gives; a system is refused with its name."""
    with pytest.raises(DefectError, match="the system archive answers in a traced time"):
        Bench(answers_in={"traced": True})
