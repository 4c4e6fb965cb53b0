"""Every figure of the catalogue, on a night small enough to be worked out by hand."""

import pytest
from night_rows import Stream, the_night

from emulator.errors import InputError
from emulator.measure.backlog import Profile
from emulator.measure.catalogue import MEASURES
from emulator.measure.estimate import Figure
from emulator.measure.figures import FIGURES, Figures, Where, figure
from emulator.measure.night import Night
from emulator.timeline.ticks import HOUR

CUT_OFF_MEAN = "mean restricted to the horizon"


# Waits: ended 0 (job 1), 100 (2), 250 (3), 20 (4: due 60, out 80); cut off 100 (5: 400..500), 100 (6), 200 (7).
#   Product limit, 7 at risk: 0 -> 6/7, 20 -> 5/7, 100 -> 4/7 (then two cut off, 2 at risk with 200), 250: after 200 is
#   cut off, 1 at risk -> 0. So the median is 250 and so are p90, p95 and p99. Mean (0+20+100+250+100+100+200)/7 = 110.
# Run times: ended 100 (job 1); cut off 700 (job 3: 300..1000). Median 100 (1/2 left), p90 more than 700.
# Turnarounds: ended 100 (job 1); cut off 950 (3), 950 (4), 200 (7). 3/4 left after 100: all quantiles more than 950.
# Detection: 70 (job 4: off at 110, lost at 180).
EXPECTED = {
    "wait_mean": Figure(110.0, "time", True, CUT_OFF_MEAN, 7, 3),
    "wait_median": Figure(250, "time", False, "product-limit", 7, 3),
    "wait_p90": Figure(250, "time", False, "product-limit", 7, 3),
    "wait_p95": Figure(250, "time", False, "product-limit", 7, 3),
    "wait_p99": Figure(250, "time", False, "product-limit", 7, 3),
    "wait_longest": Figure(250, "time", True, "longest seen", 7, 3),
    "run_time_mean": Figure(400.0, "time", True, CUT_OFF_MEAN, 2, 1),
    "run_time_median": Figure(100, "time", False, "product-limit", 2, 1),
    "run_time_p90": Figure(700, "time", True, "product-limit", 2, 1),
    "run_time_p95": Figure(700, "time", True, "product-limit", 2, 1),
    "run_time_p99": Figure(700, "time", True, "product-limit", 2, 1),
    "run_time_longest": Figure(700, "time", True, "longest seen", 2, 1),
    "turnaround_mean": Figure(550.0, "time", True, CUT_OFF_MEAN, 4, 3),  # (100 + 950 + 950 + 200) / 4
    "turnaround_median": Figure(950, "time", True, "product-limit", 4, 3),
    "turnaround_p90": Figure(950, "time", True, "product-limit", 4, 3),
    "turnaround_p95": Figure(950, "time", True, "product-limit", 4, 3),
    "turnaround_p99": Figure(950, "time", True, "product-limit", 4, 3),
    "turnaround_longest": Figure(950, "time", True, "longest seen", 4, 3),
    "detection_delay_mean": Figure(70.0, "time", False, CUT_OFF_MEAN, 1, 0),
    "detection_delay_median": Figure(70, "time", False, "product-limit", 1, 0),
    "detection_delay_p90": Figure(70, "time", False, "product-limit", 1, 0),
    "detection_delay_p95": Figure(70, "time", False, "product-limit", 1, 0),
    "detection_delay_p99": Figure(70, "time", False, "product-limit", 1, 0),
    "detection_delay_longest": Figure(70, "time", False, "longest seen", 1, 0),
    "makespan": Figure(1000, "time", True, "difference", 7, 3),
    # Waiting: job 2 [0,100) [200,250), 3 [50,300), 4 [60,80) [180,...), 5 [400,500), 6 [600,700), 7 [800,...).
    # 3 wait in [60,80) and again in [200,250); the peak is first reached at 60, and from 180 on job 4 always waits.
    "drain_time": Figure(940, "time", True, "difference", 3),
    "backlog_peak": Figure(3, "count"),
    # 100 + 50 + 250 + 20 + 820 + 100 + 100 + 200 = 1640
    "backlog_mean": Figure(1.64, "ratio", estimator="area"),
    # Held: job 4 [50,60), job 2 [150,200).
    "held_peak": Figure(1, "count"),
    "held_mean": Figure(0.06, "ratio", estimator="area"),
    "jobs_in_queue": Figure(1.7, "ratio", estimator="area"),
    # 100 (1) + 300 (2) + 950 (3) + 950 (4) + 100 (5) + 100 (6) + 200 (7) = 2700
    "jobs_in_system": Figure(2.7, "ratio", estimator="area", n=7),
    "throughput": Figure(HOUR / 1000, "ratio", estimator="quotient", n=1000),
    "accepted": Figure(7, "count"),
    "refused": Figure(1, "count"),
    "done": Figure(1, "count", n=7),
    "failed": Figure(2, "count", n=7),
    "withdrawn": Figure(1, "count", n=7),
    "expired": Figure(1, "count", n=7),
    "unfinished": Figure(3, "count", n=7),
    "done_share": Figure(0.125, "share", estimator="quotient", n=8),
    "refused_share": Figure(0.125, "share", estimator="quotient", n=8),
    "resubmission_groups": Figure(6, "count"),
    "resubmission_groups_done_share": Figure(1 / 7, "share", estimator="quotient", n=7),
    "resubmitted": Figure(1, "count"),
    "attempts": Figure(5, "count"),  # 1, 2, 2, 3 (in progress), 4
    "attempts_per_job": Figure(1.25, "ratio", estimator="quotient", n=4),
    "attempts_ok": Figure(1, "count", n=5),
    "attempts_error": Figure(1, "count", n=5),
    "attempts_permanent_error": Figure(1, "count", n=5),
    "attempts_time_limit": Figure(0, "count", n=5),
    "lost_leases": Figure(1, "count", n=5),
    "lost_while_healthy": Figure(0, "count"),
    "stale_refused": Figure(2, "count"),
    "overlap": Figure(0, "time", estimator="added"),
    "overlapping_jobs": Figure(0, "count"),
    # 100 (1) + 50 + 50 (2) + 700 (3) + 30 (4) = 930, of which 130 in attempts that ended badly
    "executed": Figure(930, "time", estimator="added"),
    "wasted_work": Figure(130, "time", estimator="added"),
    "wasted_share": Figure(130 / 930, "share", estimator="quotient", n=930),
    # On: dome-1 for 1000, tower-1 for 110 with two slots: 1220.
    "silence_longest": Figure(None, "time", estimator="longest"),  # its heartbeats are no events
    "utilisation": Figure(930 / 1220, "share", estimator="quotient", n=1220),
    "offered_load": Figure(1.75, "ratio", estimator="as stated"),
    "worker_hours": Figure(1500 / HOUR, "ratio", estimator="as planned"),
    "effects_landed": Figure(3, "count"),
    "effects_refused": Figure(0, "count"),
    "unsafe_repeats": Figure(1, "count"),
    "unsafe_repeats_across_jobs": Figure(0, "count"),
    "late_effects": Figure(0, "count"),
    "effects_after_end": Figure(0, "count"),
    "calls_per_second_peak": Figure(0, "count"),
    # Of the three only that of job 1 is good, as of when its work began; the attempts at job 2 ended badly.
    "effect_age_longest": Figure(1000, "time", more_than=True, estimator="longest", n=1, unfinished=1),
    "partial_effects": Figure(1, "count"),  # job 2
    "occurrences_skipped": Figure(1, "count"),
    "occurrences_late": Figure(1, "count"),  # the second, due at 390, was submitted at 400
    "faults_missed": Figure(1, "count"),
}


@pytest.fixture(scope="module")
def night() -> Night:
    return the_night()


@pytest.mark.parametrize("name", EXPECTED)
def test_each_figure_is_the_one_worked_out_by_hand(night: Night, name: str) -> None:
    assert figure(night, name) == EXPECTED[name]


def test_the_catalogue_and_what_can_be_computed_are_the_same() -> None:
    assert set(MEASURES) == set(FIGURES) == set(EXPECTED)


def test_every_unit_is_the_one_of_the_catalogue(night: Night) -> None:
    assert {name: figure(night, name).unit for name in MEASURES} == {m.name: m.unit for m in MEASURES.values()}


@pytest.mark.parametrize(
    ("name", "where", "value"),
    [
        ("accepted", Where(routine="sweep"), 4),
        ("accepted", Where(entry="plates"), 3),
        ("accepted", Where(queue="night"), 7),
        ("accepted", Where(queue="day"), 0),
        ("accepted", Where(pool="dome"), 3),
        ("accepted", Where(pool="tower"), 1),  # the others were handed to nobody
        ("done", Where(routine="sweep", entry="plates"), 0),
        ("refused", Where(entry="plates"), 1),
        ("refused", Where(entry="sweeps"), 0),
        ("lost_leases", Where(pool="dome"), 0),
        ("lost_leases", Where(pool="tower"), 1),
        ("detection_delay_p90", Where(routine="sweep"), 70),
        ("detection_delay_p90", Where(pool="dome"), None),
        ("utilisation", Where(pool="dome"), 0.9),  # 900 of 1000
        ("utilisation", Where(pool="tower"), 30 / 220),
        ("utilisation", Where(pool="cellar"), None),
        ("offered_load", Where(pool="dome"), 1.5),
        ("offered_load", Where(pool="cellar"), None),
        ("worker_hours", Where(pool="tower"), 500 / HOUR),
        ("worker_hours", Where(pool="cellar"), None),
        ("backlog_peak", Where(routine="copy"), 2),  # jobs 2 and 3 in [50, 100) and [200, 250)
        ("drain_time", Where(routine="copy"), 250),  # from 50 to 300: job 3 waits until then
        ("drain_time", Where(entry="nothing"), 0),
        ("makespan", Where(entry="nothing"), None),
        ("makespan", Where(routine="copy"), 1000),
        ("wait_median", Where(entry="nothing"), None),
        ("wait_mean", Where(entry="nothing"), None),
        ("done_share", Where(entry="nothing"), None),
        ("attempts_per_job", Where(entry="nothing"), None),
        ("stale_refused", Where(routine="copy"), 1),
        ("stale_refused", Where(routine="sweep"), 0),
        ("unsafe_repeats", Where(routine="sweep"), 0),
        ("occurrences_skipped", Where(entry="plates"), 0),
    ],
)
def test_a_figure_may_be_about_a_part_of_the_night(night: Night, name: str, where: Where, value: float | None) -> None:
    assert figure(night, name, where).value == value


def test_a_figure_that_cannot_be_told_for_that_part_is_refused(night: Night) -> None:
    with pytest.raises(
        InputError, match="backlog_peak cannot be told by pool: it is told by routine, queue, entry only"
    ):
        figure(night, "backlog_peak", Where(pool="dome"))
    with pytest.raises(InputError, match="faults_missed cannot be told by entry: it is told for the whole night only"):
        figure(night, "faults_missed", Where(entry="plates"))
    with pytest.raises(InputError, match="there is no figure 'makespam': did you mean 'makespan'"):
        figure(night, "makespam")


def test_figures_share_what_they_are_taken_from(night: Night) -> None:
    """Asking for a second quantile sorts no times again."""
    figures = Figures(night)
    first = figures.selection.sample("wait"), figures.selection.profile("waiting")
    assert (figures.selection.sample("wait"), figures.selection.profile("waiting")) == first
    assert figures.selection.sample("wait") is first[0]


def test_a_job_that_never_came_due_does_not_wait() -> None:
    s = Stream()
    s.submit(0, 1, state="queued_held", reasons="not_due")
    assert figure(s.night(100), "wait_longest") == Figure(None, "time", False, "longest seen", 0, 0)


def test_a_makespan_with_everything_finished_is_exact() -> None:
    s = Stream()
    s.submit(100, 1)
    s.start(100, 1, "dome-1", 1)
    s.go_well(250, 1, "dome-1", 1)
    assert figure(s.night(1000), "makespan") == Figure(150, "time", False, "difference", 1, 0)


def test_overlap_and_late_effects_are_told_by_routine() -> None:
    s = Stream()
    s.submit(0, 1)
    s.submit(0, 2, routine="sweep")
    for job in (1, 2):
        s.start(0, job, "dome-1", job)
        s.end(90, job, "dome-1", job, "lease_lost")
        s.requeue(90, job)
        s.start(90, job, "dome-2", job + 2, attempt=2)
        s.land(100 * job, job, "dome-1", job, f"target-{job}")
        s.stop(100 * job, job, "dome-1", job)
    night = s.night(300)
    by = Figures(night, Where(routine="sweep"))
    # job 1 overlaps in [90, 100), job 2 in [90, 200)
    names = ("overlap", "overlapping_jobs", "late_effects", "lost_while_healthy")
    assert [by.get(name).value for name in names] == [110, 1, 1, 1]
    assert figure(night, "overlap").value == 120


# -- the backlog over time ------------------------------------------------------------------------------------------


def backlog(*stays: tuple[int, int | None]) -> Profile:
    """Fold jobs that wait from one tick to another (None: to the horizon of 100)."""
    moments = [(begin, 1, job) for job, (begin, _) in enumerate(stays, 1)]
    moments += [(end, 0, job) for job, (_, end) in enumerate(stays, 1) if end is not None]
    s = Stream()
    for at, what, job in sorted(moments, key=lambda moment: (moment[0], -moment[1], moment[2])):
        if what:
            s.submit(at, job)
        else:
            s.hand_out(at, job, "dome-1", job)
    return Figures(s.night(100)).selection.profile("waiting")


@pytest.mark.parametrize(
    ("stays", "expected"),
    [
        ((), Profile(0, 0, None, 0, 0)),
        (((10, 10),), Profile(0, 0, None, 0, 0)),  # comes and goes within one instant
        (((10, 20),), Profile(1, 10, 20, 10, 0)),
        (((10, 20), (20, 30)), Profile(1, 10, 30, 20, 0)),  # one comes as the other goes: never empty in between
        (((10, 20), (30, 40)), Profile(1, 10, 20, 20, 0)),
        (((10, 20), (30, 50), (35, 40)), Profile(2, 35, 50, 35, 0)),  # a new peak starts the drain anew
        (((10, 20), (15, 40), (30, 45), (60, 70)), Profile(2, 15, 45, 60, 0)),
        (((10, None), (20, 30)), Profile(2, 20, None, 100, 1)),
        (((10, 20), (12, 30), (50, None)), Profile(2, 12, 30, 78, 1)),
        (((10, 30), (10, 30), (30, 40)), Profile(2, 10, 40, 50, 0)),
    ],
)
def test_the_backlog_is_counted_at_the_end_of_each_instant(
    stays: tuple[tuple[int, int | None], ...], expected: Profile
) -> None:
    assert backlog(*stays) == expected
