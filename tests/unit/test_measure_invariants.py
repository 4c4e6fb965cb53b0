"""What must never happen is found by folding the events, and named with them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.errors import InputError
from emulator.measure.estimate import Figure
from emulator.measure.figures import densest, figure
from emulator.measure.fold import NightFold
from emulator.measure.invariants import Burst, broken
from emulator.record.events import Row

SUBMITTED = (0, "submitted", 0, 1, "", "queued", "copy", "night", "copy", 1, "", 0, "", 0)
LOST = (90_000_000, "attempt_ended", 2, 1, "dome-1", 1, 1, "lease_lost", "lease_ran_out", 90_000_000)
OK = (70_000_000, "attempt_ended", 2, 1, "dome-1", 1, 1, "ok", "", 70_000_000)
FINISHED = (200_000_000, "finished", 2, 1, "dome-1", "done", "", "", 1)


def landed(at: int, worker: str, attempt: int, repeatable: object) -> tuple[object, ...]:
    return (at, "effect_landed", 2, 1, worker, attempt, attempt, "copied", "plate-7", repeatable)


def test_an_effect_after_the_end_of_its_attempt_is_found() -> None:
    """A write by a lease that was lost before is named with both events; one before the loss, or before ok, is not."""
    late = landed(100_000_000, "dome-1", 1, True)
    assert broken([SUBMITTED, landed(5, "dome-1", 1, True), LOST, late], ["effect after lease lost"]) == [
        "effect after lease lost: event 4: dome-1 left 'copied' on plate-7 at 1m40s, in attempt 1 of job 1, which had "
        "ended by then (lease lost at 1m30s, event 3)"
    ]
    assert broken([SUBMITTED, landed(5, "dome-1", 1, True), LOST, FINISHED], ["effect after lease lost"]) == []
    assert broken([SUBMITTED, OK, late], ["effect after lease lost"]) == []


def test_an_unrepeatable_effect_that_comes_twice_is_found() -> None:
    """Only what is not to be repeated counts, and each repetition names the first."""
    rows = [SUBMITTED, landed(60_000_000, "dome-1", 1, False), landed(120_000_000, "dome-2", 2, False)]
    assert broken(rows, ["unrepeatable effect twice"]) == [
        "unrepeatable effect twice: event 3: dome-2 left 'copied' on plate-7 at 2m, in attempt 2 of job 1; it must not "
        "be repeated, and dome-1 had left it at 1m, in attempt 1 of job 1 (event 2)"
    ]
    assert (
        broken([landed(1, "dome-1", 1, True), landed(2, "dome-1", 1, "checks_first")], ["unrepeatable effect twice"])
        == []
    )


def test_a_job_that_never_ends_is_found_at_the_end_only() -> None:
    """While more may come an unfinished job breaks nothing."""
    assert broken([SUBMITTED], ["job left unfinished"], at_end=False) == []
    assert broken([SUBMITTED, OK, FINISHED], ["job left unfinished"]) == []
    assert broken([SUBMITTED], ["job left unfinished"]) == [
        "job left unfinished: event 1: job 1 (copy#1) was submitted and is neither done nor failed"
    ]


def test_an_unknown_invariant_is_refused_with_the_nearest() -> None:
    """A misspelt name is answered with what is meant."""
    with pytest.raises(InputError, match=r"'effect after lease' cannot be watched for: .*effect after lease lost"):
        broken([], ["effect after lease"])


def test_an_effect_after_the_end_of_its_job_is_named_with_that_end() -> None:
    """What landed at the very end and before is left alone; the figure counts what is named."""
    after = landed(250_000_000, "dome-1", 1, True)
    rows = [SUBMITTED, landed(5, "dome-1", 1, True), FINISHED, after]
    [said] = broken(rows, ["effect after job ended"])
    assert said == (
        "effect after job ended: event 4: dome-1 left 'copied' on plate-7 at 4m10s, in attempt 1 of job 1, which was "
        "done at 3m20s (event 3)"
    )
    assert broken(rows[:3], ["effect after job ended"]) == []
    fold = NightFold(300_000_000)
    fold.feed_all(rows)
    assert figure(fold.close(), "effects_after_end").value == 1


def call(at: int, took: int, system: str = "archive", outcome: str = "ok") -> Row:
    return (at, "call_ended", 0, 1, "dome-1", 1, 1, system, outcome, took)


def test_calls_close_together_are_named_where_they_are_densest() -> None:
    """They count from when they began: at 0, 400, 900, 1000 and 1399 ms; from 400 ms on there are four
    within one second.

    A call to another system, and one that never reached the system, are left aside.
    """
    rows = [
        call(500_000, 500_000),
        call(600_000, 200_000, outcome="refused"),
        call(650_000, 0, system="plate-store"),
        call(700_000, 0, outcome="no_access"),
        call(1_000_000, 0),
        call(1_500_000, 600_000),
        call(1_400_000, 1_000),
    ]
    said = "it ends the first of 4 calls to archive that began within 1s, from 400ms on"
    assert broken(rows, [Burst("archive", 3, 1_000_000)]) == [
        f"more than 3 calls to archive within 1s: event 2: {said}"
    ]
    assert broken(rows, [Burst("archive", 4, 1_000_000), Burst("plate-store", 1, 1_000_000)]) == []
    fold = NightFold(10_000_000)
    fold.feed_all([SUBMITTED, *rows])
    assert figure(fold.close(), "calls_per_second_peak") == Figure(4, "count", n=6)


@given(st.lists(st.integers(0, 30), max_size=12), st.integers(1, 10))
def test_the_densest_stretch_is_that_of_a_count_from_every_call(times: list[int], within: int) -> None:
    """Against the definition: the most over all stretches that begin with one of them."""
    times.sort()
    counts = [sum(begin <= time < begin + within for time in times) for begin in times]
    most, place = densest(times, within)
    assert most == max(counts, default=0)
    assert not times or counts[place] == most
