"""The worst jobs of a night, and why."""

from night_rows import Stream, the_night

from emulator.show.summary import WorstJob, worst_jobs
from emulator.timeline.ticks import SECOND


def test_the_worst_come_first_and_each_is_named_once() -> None:
    """Job 2 left copied twice and failed; 5 expired; then 3 and 4 (since 50 s) and 7 are unfinished."""
    assert worst_jobs(the_night(SECOND)) == (
        WorstJob(2, "plates#2", "copied landed 2 times on plate-2; failed: permanent error; 2 attempts"),
        WorstJob(5, "sweeps#2", "failed: expired"),
        WorstJob(3, "plates#3", "unfinished after 15 min 50 s"),
        WorstJob(4, "sweeps#1", "unfinished after 15 min 50 s"),
        WorstJob(7, "sweeps#2 (resubmitted as job 7)", "unfinished after 3 min 20 s"),
    )


def test_no_more_are_named_than_asked_for() -> None:
    assert [one.job for one in worst_jobs(the_night(SECOND), 2)] == [2, 5]


def test_in_a_good_night_the_slowest_are_named() -> None:
    """Three jobs, done after 30, 50 and 40 s; the first overlaps with a second hand-out for 10 s."""
    s = Stream(SECOND)
    for job, end in ((1, 30), (2, 50), (3, 40)):
        s.submit(0, job)
        s.start(0, job, "dome-1", job)
        if job == 1:
            s.begin(5, job, "dome-2", job)
            s.stop(15, job, "dome-2", job)
        s.go_well(end, job, "dome-1", job)
    assert worst_jobs(s.night(100 * SECOND), 2) == (
        WorstJob(1, "plates#1", "executed twice at once for 10 s"),
        WorstJob(2, "plates#2", "done after 50 s"),
    )


def test_a_night_without_jobs_has_no_worst() -> None:
    assert worst_jobs(Stream().night(100)) == ()


def test_a_failure_without_a_sub_state_tells_its_reason() -> None:
    s = Stream()
    s.submit(0, 1)
    s.add(5, "finished", 1, "", "failed", "", "said", 0, {"said": "its tape broke"})
    s.submit(5, 2)
    s.add(5, "finished", 2, "", "failed", "", "", 0)
    assert [one.why for one in worst_jobs(s.night(100))] == ["failed: its tape broke", "failed: no reason given"]
