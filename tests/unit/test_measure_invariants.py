"""What must never happen is found by folding the events, and named with them."""

import pytest

from emulator.errors import InputError
from emulator.measure.invariants import broken

SUBMITTED = (0, "submitted", 0, 1, "", "queued", "copy", "night", "copy", 1, "", 0, "", 0)
LOST = (90_000_000, "attempt_ended", 2, 1, "dome-1", 1, 1, "lease_lost", "lease ran out", 90_000_000)
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
