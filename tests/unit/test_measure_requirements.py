"""Requirements, judged on nights made by hand."""

from datetime import datetime
from typing import Any

import pytest
from night_rows import Stream, asked

from emulator.errors import InputError
from emulator.measure.estimate import Figure
from emulator.measure.figures import Selection
from emulator.measure.night import Night
from emulator.measure.requirements import Judged, evidence, judge, judge_all, problems, say_not_worse, say_requirement
from emulator.scenario.clock import Clock
from emulator.timeline.ticks import HOUR, MINUTE

CLOCK = Clock(datetime.fromisoformat("2026-06-12T21:30"), "America/Santiago")
BY = "started_by, finished_by, within, starts_after_end_of"


def small_night(*, unfinished: bool = False) -> Night:
    """Job 1 waits 10 min and is done at 30 min; job 2 waits 20 min and is done at 1 h; job 3 (if any) stays queued.

    The run lasts two hours.
    """
    s = Stream()
    for job in (1, 2):
        s.submit(0, job)
    if unfinished:
        s.submit(0, 3)
    s.start(10 * MINUTE, 1, "dome-1", 1)
    s.start(20 * MINUTE, 2, "dome-2", 2)
    s.go_well(30 * MINUTE, 1, "dome-1", 1)
    s.go_well(HOUR, 2, "dome-2", 2)
    return s.night(2 * HOUR, pools={"dome-1": "dome", "dome-2": "dome"})


def verdict(night: Night, **keys: object) -> Judged:
    return judge(night, asked(**keys), CLOCK)


def test_a_judgement_has_text_figure_bound_sentence_and_evidence() -> None:
    assert verdict(small_night(), measure="wait_longest", at_most=15 * MINUTE, routine="copy") == Judged(
        requirement="wait_longest at most 15 min for routine copy",
        met=False,
        found=Figure(20 * MINUTE, "time", False, "longest seen", 2, 0),
        bound=15 * MINUTE,
        sentence="Missed: longest wait for routine copy: 20 min (asked: at most 15 min).",
        evidence=(2,),
        label="longest wait at most 15 min for routine copy",
    )


def test_words_of_its_own_stand_before_what_a_requirement_asks() -> None:
    """They are read on screens; the name of the requirement stays as it is typed."""
    found = verdict(small_night(), measure="makespan", at_most=HOUR - 1, say="all done by half past ten")
    assert (found.requirement, found.asks) == (
        "makespan at most 1 h",
        "all done by half past ten (makespan at most 1 h)",
    )
    assert found.sentence == "Missed: all done by half past ten (makespan: 1h; asked: at most 59m59s999ms999us)."
    nothing = verdict(small_night(), measure="detection_delay_mean", at_most=HOUR, say="losses are seen")
    assert nothing.sentence == (
        "Nothing to judge: losses are seen (mean time until a lost worker is noticed: no value in this night)."
    )
    beside = asked(measure="wait_p90", not_worse_by=0, queue="night", say="no slower than today")
    assert say_not_worse(beside) == (
        "wait_p90 not worse than the baseline for queue night",
        "no slower than today (90th percentile of wait not worse than the baseline for queue night)",
    )
    assert Judged("done exactly 1", True, Figure(1, "count"), 1, "Met.").asks == "done exactly 1"


@pytest.mark.parametrize(
    ("keys", "met", "sentence"),
    [
        ({"measure": "makespan", "at_most": HOUR}, True, "Met: makespan: 1 h (asked: at most 1 h)."),
        (
            {"measure": "makespan", "at_most": HOUR - 1},
            False,
            "Missed: makespan: 1h (asked: at most 59m59s999ms999us).",
        ),
        ({"measure": "makespan", "exactly": HOUR}, True, "Met: makespan: 1 h (asked: exactly 1 h)."),
        ({"measure": "done", "exactly": 2.0}, True, "Met: jobs done: 2 (asked: exactly 2)."),
        ({"measure": "done", "exactly": 3.0}, False, "Missed: jobs done: 2 (asked: exactly 3)."),
        ({"measure": "done_share", "at_least": 0.99}, True, "Met: share of jobs done: 100 % (asked: at least 99 %)."),
        (
            {"measure": "done", "at_least": 1.0, "at_most": 1.0},  # the bound that is missed is the one told
            False,
            "Missed: jobs done: 2 (asked: at most 1).",
        ),
        (
            {"measure": "detection_delay_p90", "at_most": MINUTE},
            None,
            "Nothing to judge: 90th percentile of time until a lost worker is noticed: no value in this night.",
        ),
        (
            {"measure": "makespan", "at_most": 30 * MINUTE, "in_share": 0.95},
            False,
            "Missed on this night: makespan: 1 h (asked: at most 30 min in 95 % of nights).",
        ),
    ],
)
def test_a_bound_is_met_or_missed_up_to_its_last_tick(keys: dict[str, Any], met: bool | None, sentence: str) -> None:
    found = verdict(small_night(), **keys)
    assert (found.met, found.sentence) == (met, sentence)


def test_not_being_worse_than_a_baseline_is_not_judged_on_one_night() -> None:
    assert verdict(small_night(), measure="makespan", not_worse_by=5 * MINUTE) == Judged(
        requirement="makespan not worse than the baseline by more than 5 min",
        met=None,
        found=Figure(HOUR, "time", False, "difference", 2, 0),
        bound=None,
        sentence="Not judged on one night: makespan: 1 h (asked: not worse than the baseline by more than 5 min).",
        label="makespan not worse than the baseline by more than 5 min",
    )


def test_a_bound_beside_it_is_judged_on_the_night_alone() -> None:
    found = verdict(small_night(), measure="makespan", at_most=HOUR, not_worse_by=0)
    assert found.met is True
    assert found.requirement == "makespan at most 1 h and not worse than the baseline"
    assert found.sentence == "Met: makespan: 1 h (asked: at most 1 h)."


def test_a_requirement_on_a_share_of_nights_is_judged_on_this_one_too() -> None:
    found = verdict(small_night(), measure="makespan", at_most=30 * MINUTE, in_share=0.95)
    assert found.met is False


@pytest.mark.parametrize(
    ("keys", "met", "sentence"),
    [
        (
            {"measure": "makespan", "at_most": 3 * HOUR},  # no upper bound holds while anything is unfinished
            False,
            "Missed: makespan: more than 2 h (asked: at most 3 h); whether it holds cannot be known because 1 "
            "of 3 was unfinished.",
        ),
        (
            {"measure": "makespan", "at_most": HOUR},
            False,
            "Missed: makespan: more than 2 h (asked: at most 1 h).",
        ),
        (
            {"measure": "makespan", "at_least": HOUR},
            True,
            "Met: makespan: more than 2 h (asked: at least 1 h).",
        ),
        (
            {"measure": "makespan", "at_least": 3 * HOUR},
            False,
            "Missed: makespan: more than 2 h (asked: at least 3 h); whether it holds cannot be known because 1 "
            "of 3 was unfinished.",
        ),
        (
            {"measure": "makespan", "exactly": 2 * HOUR},
            False,
            "Missed: makespan: more than 2 h (asked: exactly 2 h); whether it holds cannot be known because 1 "
            "of 3 was unfinished.",
        ),
        (
            {"measure": "drain_time", "at_most": 3 * HOUR},
            False,
            "Missed: time to drain the backlog: more than 2 h (asked: at most 3 h); whether it holds cannot "
            "be known because "
            "something was unfinished.",
        ),
    ],
)
def test_what_cannot_be_known_is_missed_and_says_why(keys: dict[str, Any], met: bool, sentence: str) -> None:
    found = verdict(small_night(unfinished=True), **keys)
    assert (found.met, found.sentence) == (met, sentence)


def test_two_that_were_unfinished_are_told_in_the_plural() -> None:
    s = Stream()
    s.submit(0, 1)
    s.submit(0, 2)
    found = judge(s.night(HOUR), asked(measure="makespan", at_most=2 * HOUR), CLOCK)
    assert found.sentence.endswith("because 2 of 2 were unfinished.")


def test_requirements_are_judged_in_their_order() -> None:
    found = judge_all(small_night(), [asked(measure="done", at_least=3.0), asked(measure="failed", at_most=0.0)], CLOCK)
    assert [(one.requirement, one.met) for one in found] == [("done at least 3", False), ("failed at most 0", True)]


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({}, ["a requirement needs a measure, or an entry with a time"]),
        ({"measure": "makespam", "at_most": 1}, ["there is no figure 'makespam': did you mean 'makespan'?"]),
        ({"measure": "makespan"}, ["makespan needs at_least, at_most, exactly or not_worse_by"]),
        (
            {"measure": "makespan", "at_most": 3.0},
            ["at_most of makespan must be a duration, such as 90s or 1h30m"],
        ),
        ({"measure": "failed", "at_most": 90_000_000}, ["at_most of failed must be a plain number"]),
        (
            {"measure": "done_share", "at_least": 99.0},
            ["at_least of done_share is a share from 0 to 1: write 0.99 for 99 %"],
        ),
        (
            {"measure": "backlog_peak", "at_most": 9.0, "pool": "dome"},
            ["backlog_peak cannot be told by pool: it is told by routine, queue, entry only"],
        ),
        (
            {"measure": "faults_missed", "exactly": 0.0, "entry": "plates"},
            ["faults_missed cannot be told by entry: it is told for the whole night only"],
        ),
        (
            {"measure": "failed", "at_most": 0.0, "within": 5},
            [f"{BY} belong to an entry without a measure"],
        ),
        (
            {"each_occurrence_of": "sweeps", "measure": "failed"},
            [
                f"each occurrence of sweeps stands with {BY} alone: no measure, no bound",
                f"each occurrence of sweeps needs one of {BY}",
            ],
        ),
        (
            {"each_occurrence_of": "sweeps", "started_by": "5 am", "finished_by": "24:00"},
            [
                "'5 am' is no time of day: write HH:MM, such as 05:00",
                "'24:00' is no time of day: write HH:MM, such as 05:00",
            ],
        ),
        ({"each_occurrence_of": "sweeps", "finished_by": "05:00"}, []),
        (
            {"each_occurrence_of": "sweeps", "finished_by": "05:00", "not_worse_by": MINUTE},
            [f"each occurrence of sweeps stands with {BY} alone: no measure, no bound"],
        ),
        (
            {"measure": "accepted", "not_worse_by": 1.0},
            ["of accepted neither more nor less is better: not_worse_by cannot be asked of it"],
        ),
        ({"measure": "failed", "not_worse_by": -1.0}, ["not_worse_by must be 0 or more"]),
        (
            {"measure": "makespan", "not_worse_by": 5.0},
            ["not_worse_by of makespan must be a duration, such as 90s or 1h30m"],
        ),
        (
            {"measure": "done_share", "not_worse_by": 5.0},
            ["not_worse_by of done_share is a share from 0 to 1: write 0.05 for 5 %"],
        ),
        ({"measure": "makespan", "not_worse_by": MINUTE}, []),
        ({"measure": "done_share", "at_least": 0.99}, []),
    ],
)
def test_a_requirement_that_makes_no_sense_is_told_in_words(keys: dict[str, Any], said: list[str]) -> None:
    assert problems(asked(**keys)) == said


def test_a_requirement_that_makes_no_sense_is_not_judged() -> None:
    with pytest.raises(InputError, match="makespan needs at_least, at_most, exactly or not_worse_by"):
        verdict(small_night(), measure="makespan")


@pytest.mark.parametrize(
    ("keys", "text"),
    [
        (
            {"measure": "wait_p90", "at_most": 15 * MINUTE, "queue": "night", "pool": "dome"},
            "wait_p90 at most 15 min for queue night and pool dome",
        ),
        ({"measure": "done", "at_least": 1.0, "at_most": 9.0}, "done at least 1 and at most 9"),
        (
            {"measure": "wait_p90", "at_most": HOUR, "not_worse_by": 5 * MINUTE, "queue": "night"},
            "wait_p90 at most 1 h and not worse than the baseline by more than 5 min for queue night",
        ),
        (
            {"measure": "done_share", "not_worse_by": 0.01},
            "done_share not worse than the baseline by more than 1 percentage point",
        ),
        ({"measure": "failed", "not_worse_by": 0.0}, "failed not worse than the baseline"),
        (
            {"each_occurrence_of": "sweeps", "started_by": "22:00", "finished_by": "05:00", "within": HOUR},
            "each occurrence of sweeps started by 22:00 and finished by 05:00 and finished within 1 h",
        ),
        (
            {"each_occurrence_of": "sweeps", "within": HOUR, "in_share": 0.9},
            "each occurrence of sweeps finished within 1 h, in 90 % of nights",
        ),
    ],
)
def test_a_requirement_reads_as_words(keys: dict[str, Any], text: str) -> None:
    assert say_requirement(asked(**keys)) == text


# -- evidence -----------------------------------------------------------------------------------------------------


def bad_night() -> Night:
    """Jobs 1 done, 2 failed, 3 withdrawn, 4 expired, 5 unfinished and overlapping; each left a late effect but 4."""
    s = Stream()
    for job in range(1, 6):
        s.submit(0, job)
    s.start(1, 1, "dome-1", 1)
    s.land(2, 1, "dome-1", 9)  # late twice, and a repeat
    s.land(2, 1, "dome-1", 9)
    s.go_well(20, 1, "dome-1", 1)
    s.start(5, 2, "dome-2", 2)
    s.land(6, 2, "dome-2", 9)
    s.stop(9, 2, "dome-2", 2)
    s.end(9, 2, "dome-2", 2, "permanent_error")
    s.finish(9, 2, "permanent_error")
    s.finish(30, 3, "withdrawn", 0)
    s.finish(40, 4, "expired", 0)
    s.start(8, 5, "dome-3", 3)
    s.begin(9, 5, "dome-4", 3)
    s.add(50, "stale_refused", 2, "dome-2", 2, "outcome")
    s.add(50, "stale_refused", 0, "dome-2", 99, "outcome")
    return s.night(100, occurrences={"plates": [0, 0, 0, 0, -1]})


@pytest.mark.parametrize(
    ("measure", "bound", "jobs"),
    [
        ("overlap", 0, (5,)),
        ("overlapping_jobs", 0, (5,)),
        ("late_effects", 0, (1, 2)),
        ("unsafe_repeats", 0, (1,)),
        ("partial_effects", 0, (2,)),
        ("occurrences_late", 0, (5,)),
        ("stale_refused", 0, (2,)),
        ("wait_p90", 7, (4, 3, 5)),  # 40, 30, 8; the others waited 1 and 5
        ("turnaround_mean", 20, (5,)),  # 100 so far; job 1 took 20
        ("run_time_longest", 18, (5, 1)),  # 92 so far, and 19
        ("done_share", 1, (2, 3, 4, 5)),
        ("failed", 0, (2, 4)),
        ("makespan", 0, (5,)),
        ("unfinished", 0, (5,)),
        ("withdrawn", 0, (3,)),
        ("expired", 0, (4,)),
        ("utilisation", 0, ()),
        ("backlog_peak", 0, ()),
    ],
)
def test_the_jobs_that_show_why_are_named_worst_first(measure: str, bound: float, jobs: tuple[int, ...]) -> None:
    assert evidence(Selection(bad_night()), measure, bound) == jobs


def test_a_job_that_was_never_due_shows_no_wait() -> None:
    s = Stream()
    s.submit(0, 1, state="queued_held", reasons="not_due")
    assert evidence(Selection(s.night(100)), "wait_p90", 0) == ()


# -- occurrences --------------------------------------------------------------------------------------------------


def sweeps() -> Stream:
    """Sweep 1 runs from 0 to 20 min, sweep 2 from 1 h 10 min to 1 h 50 min; nothing else has happened."""
    s = Stream()
    for job, (submitted, out, done) in enumerate(((0, 0, 20), (60, 70, 110)), 1):
        s.submit(submitted * MINUTE, job, entry="sweeps")
        s.start(out * MINUTE, job, "dome-1", job)
        s.go_well(done * MINUTE, job, "dome-1", job)
    return s


DUE = {"sweeps": (0, HOUR)}


def occurrences(s: Stream, due: dict[str, tuple[int, ...]], horizon: int = 8 * HOUR, **keys: object) -> Judged:
    return judge(s.night(horizon, occurrences=due), asked(each_occurrence_of="sweeps", **keys), CLOCK)


def test_occurrences_that_end_in_time_meet() -> None:
    """The scenario starts at 21:30: the second is due at 22:30 and done at 23:20, to the minute."""
    assert occurrences(sweeps(), DUE, finished_by="23:20") == Judged(
        requirement="each occurrence of sweeps finished by 23:20",
        met=True,
        found=Figure(0, "count", n=2),
        bound=0,
        sentence="Met: each occurrence of sweeps finished by 23:20: all 2.",
        of_occurrences=True,
        label="each occurrence of sweeps finished by 23:20",
    )


@pytest.mark.parametrize(
    ("keys", "misses"),
    [
        ({"finished_by": "23:19"}, "1 of 2 occurrences of sweeps: #2 was done at 2026-06-12 23:20."),
        # 22:30 comes one hour after the first is due, and a day after the second is
        ({"finished_by": "22:30"}, ""),
        ({"started_by": "22:35"}, "1 of 2 occurrences of sweeps: #2 was started at 2026-06-12 22:40."),
        ({"started_by": "22:40"}, ""),
        ({"within": 49 * MINUTE}, "1 of 2 occurrences of sweeps: #2 was done 50 min after it was due."),
        ({"within": 50 * MINUTE}, ""),
        (
            {"started_by": "22:35", "within": 10 * MINUTE},
            "2 of 2 occurrences of sweeps: #1 was done 20 min after it was due; #2 was started at 2026-06-12 22:40.",
        ),
    ],
)
def test_each_occurrence_is_judged_by_its_own_deadline(keys: dict[str, Any], misses: str) -> None:
    found = occurrences(sweeps(), DUE, **keys)
    assert found.met == (not misses)
    if misses:
        assert found.sentence == f"Missed: {misses}"


def test_the_exact_time_is_said_where_it_matters() -> None:
    s = Stream()
    s.submit(0, 1, entry="sweeps")
    s.start(0, 1, "dome-1", 1)
    s.go_well(30 * MINUTE + 1, 1, "dome-1", 1)
    found = occurrences(s, {}, finished_by="22:00")
    assert found.sentence == "Missed: 1 of 1 occurrence of sweeps: #1 was done at 2026-06-12 22:00:00.000001."


def test_own_words_of_a_requirement_on_occurrences_are_said() -> None:
    found = occurrences(sweeps(), DUE, finished_by="23:19", say="swept before midnight")
    assert found.asks == "swept before midnight (each occurrence of sweeps finished by 23:19)"
    assert found.sentence.startswith("Missed: swept before midnight: 1 of 2 occurrences of sweeps: #2 was done at ")


def test_an_occurrence_without_a_good_end_is_missed_with_its_reason() -> None:
    s = sweeps()
    s.submit(2 * HOUR, 3, entry="sweeps")
    s.finish(2 * HOUR, 3, "permanent_error", 1)
    s.add(3 * HOUR, "occurrence_skipped", 0, "", "sweeps", 4, "still_running")
    s.add(4 * HOUR, "submission_refused", 0, "", "copy", "night", "sweeps", 5, "queue_full", {"most": 9})
    s.submit(5 * HOUR, 4, entry="sweeps", ordinal=7)
    s.submit(5 * HOUR, 5, entry="plates", ordinal=1)  # nothing of plates counts here
    s.add(5 * HOUR, "occurrence_skipped", 0, "", "plates", 1, "still_running")
    s.add(5 * HOUR, "submission_refused", 0, "", "copy", "night", "plates", 1, "queue_full", {"most": 9})
    due = {"sweeps": tuple(hour * HOUR for hour in (0, 1, 2, 3, 4, 5, 6, 30))}  # the last is beyond the horizon
    found = occurrences(s, due, within=HOUR)
    assert found == Judged(
        requirement="each occurrence of sweeps finished within 1 h",
        met=False,
        found=Figure(5, "count", n=7),
        bound=0,
        sentence="Missed: 5 of 7 occurrences of sweeps: #3 failed (permanent error); #4 was skipped (still running); "
        "#5 was refused (the queue holds 9 unfinished jobs, the most that it may); and 2 more.",
        evidence=(3, 4),
        of_occurrences=True,
        label="each occurrence of sweeps finished within 1 h",
    )


def test_an_occurrence_that_was_never_submitted_is_missed() -> None:
    found = occurrences(sweeps(), {"sweeps": (0, HOUR, 2 * HOUR)}, started_by="05:00")
    assert found.sentence == "Missed: 1 of 3 occurrences of sweeps: #3 was never submitted."


def test_a_resubmitted_job_may_still_make_it() -> None:
    """The first job fails at 10 min; the one resubmitted from it starts at 20 min and is done at 25 min."""
    s = Stream()
    s.submit(0, 1, entry="sweeps")
    s.start(0, 1, "dome-1", 1)
    s.stop(10 * MINUTE, 1, "dome-1", 1)
    s.end(10 * MINUTE, 1, "dome-1", 1, "permanent_error")
    s.finish(10 * MINUTE, 1, "permanent_error")
    s.submit(20 * MINUTE, 2, entry="sweeps", ordinal=1, origin=1)
    s.start(20 * MINUTE, 2, "dome-1", 2)
    s.go_well(25 * MINUTE, 2, "dome-1", 2)
    assert occurrences(s, {}, within=25 * MINUTE, started_by="21:31").met is True


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ({"within": 30 * MINUTE}, "#1 was unfinished at the end."),  # its time was over at the horizon
        (
            {"within": 2 * HOUR},
            "#1 was unfinished at the end, so whether it would have been in time cannot be known.",
        ),
        ({"started_by": "22:00"}, "#1 was not started."),
        ({"started_by": "23:00"}, "#1 was not started, so whether it would have been in time cannot be known."),
    ],
)
def test_what_the_horizon_cut_off_is_missed_and_says_so(keys: dict[str, Any], why: str) -> None:
    s = Stream()
    s.submit(0, 1, entry="sweeps")
    found = occurrences(s, {}, HOUR, **keys)
    assert found.sentence == f"Missed: 1 of 1 occurrence of sweeps: {why}"


def test_what_ended_without_a_start_is_missed_whatever_its_deadline() -> None:
    """The job expires at 10 min; 05:00 lies beyond the horizon, but it will not be started any more."""
    s = Stream()
    s.submit(0, 1, entry="sweeps")
    s.finish(10 * MINUTE, 1, "expired", 0)
    found = occurrences(s, {}, HOUR, started_by="05:00")
    assert found.sentence == "Missed: 1 of 1 occurrence of sweeps: #1 failed (expired)."


def test_without_an_occurrence_there_is_nothing_to_judge() -> None:
    found = occurrences(Stream(), {}, within=HOUR)
    assert (found.met, found.found.value) == (None, None)
    assert found.sentence == "Nothing to judge: no occurrence of sweeps was due."


def test_occurrences_in_a_share_of_nights_are_judged_on_this_one_too() -> None:
    found = occurrences(sweeps(), DUE, within=HOUR, in_share=0.9)
    assert found.met is True
    assert found.sentence.startswith("On this night, asked in 90 % of nights: Met: each occurrence of sweeps")


def test_a_deadline_in_the_hour_that_the_clock_skips_is_read_with_the_offset_before_it() -> None:
    """In Santiago the clocks go from 00:00 to 01:00 on 6 September 2026: 00:30 there is the tick of 01:30."""
    clock = Clock(datetime.fromisoformat("2026-09-05T23:00"), "America/Santiago")
    s = Stream()
    s.submit(0, 1, entry="sweeps")
    s.start(0, 1, "dome-1", 1)
    s.go_well(90 * MINUTE, 1, "dome-1", 1)
    night = s.night(8 * HOUR)
    assert judge(night, asked(each_occurrence_of="sweeps", finished_by="00:30"), clock).met is True
    assert judge(night, asked(each_occurrence_of="sweeps", finished_by="00:29"), clock).met is False
