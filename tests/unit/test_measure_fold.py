"""The fold, row by row: what of the broker's view reaches the night."""

import dataclasses

import pytest
from night_rows import Stream, the_rows, together

from emulator.errors import DefectError
from emulator.measure import jobs as jobs_module
from emulator.measure.fold import NightFold
from emulator.measure.night import (
    ATTEMPTS,
    DONE,
    DUE,
    EFFECTS,
    FAMILY,
    FINAL,
    FINISHED,
    FIRST_OUT,
    KIND,
    NUMBER,
    ORDINAL,
    PLAIN,
    RUN,
    SUBMITTED,
    UNFINISHED,
    WORKER,
    FinalState,
    JobKind,
    MissedFault,
    Night,
    RefusedJob,
    SkippedOccurrence,
)


def one_good_job() -> Stream:
    stream = Stream()
    stream.submit(10, 1, ordinal=4)
    stream.start(15, 1, "dome-1", 1)
    stream.go_well(40, 1, "dome-1", 1)
    return stream


def test_a_job_becomes_one_row_of_numbers() -> None:
    night = one_good_job().night(100)
    # fmt: off
    row = {
        NUMBER: 1, FAMILY: 1, KIND: 0, ORDINAL: 4, SUBMITTED: 10, DUE: 10, FIRST_OUT: 15, FINISHED: 40, FINAL: DONE,
        ATTEMPTS: 1, RUN: 40 - 15, WORKER: 0, EFFECTS: 0, PLAIN: 1,
    }
    # fmt: on
    assert {column: night.value(1, column) for column in row} == row
    assert {column: night.column(column).tolist() for column in row} == {column: [row[column]] for column in row}
    assert night.kinds == (JobKind("copy", "night", "plates"),)
    assert night.workers == ("dome-1",)
    assert (len(night), night.name_of(1), night.final_of(1)) == (1, "plates#4", FinalState("done", "", ""))


def test_a_job_keeps_64_bytes() -> None:
    """A final job is one row of so many bytes; nothing else of a plain one is kept."""
    night = one_good_job().night(100)
    assert (len(night.table.rows), night.table.families, night.waits[0].begins.tolist()) == (64, {}, [])


def told(night: Night) -> dict[str, object]:
    """All that a night holds, however its jobs were read."""
    stored = (SUBMITTED, DUE, FIRST_OUT, FINISHED, RUN, KIND, ORDINAL, ATTEMPTS, WORKER, FINAL, EFFECTS, NUMBER, FAMILY)
    fields = {field.name: getattr(night, field.name) for field in dataclasses.fields(night)}
    del fields["table"], fields["waits"]
    return fields | {
        "jobs": [night.column(column).tolist() for column in stored],
        "waiting": [(one.begins.tolist(), one.ends.tolist()) for one in night.waiting],
        "held": [(one.begins.tolist(), one.ends.tolist()) for one in night.held],
    }


def test_a_night_is_the_same_whether_its_events_are_read_together_or_one_by_one() -> None:
    """At each row a night may end: what ordinary jobs come to at once is what each of their events comes to."""
    stream = one_good_job()
    stream.submit(50, 2)
    stream.start(55, 2, "dome-1", 2)
    stream.land(60, 2, "dome-1", 2)
    stream.submit(60, 3, routine="sweep", entry="sweeps")
    stream.land(61, 3, "dome-1", 9, "plate-8")  # under a lease that never was
    stream.go_well(65, 2, "dome-1", 2)
    stream.start(65, 3, "dome-2", 3)
    stream.stop(70, 3, "dome-2", 3)
    stream.worker(71, "dome-2", "off")
    stream.end(75, 3, "dome-2", 3)
    stream.finish(75, 3)
    stream.submit(80, 4)
    stream.submit(80, 5)
    stream.start(80, 4, "dome-1", 4)
    stream.start(80, 5, "dome-3", 5)
    stream.worker(82, "dome-3", "frozen")
    stream.add(82, "work_paused", 5, "dome-3", 5)
    stream.add(83, "work_paused", 4, "dome-1", 4)
    stream.add(84, "work_continued", 4, "dome-1", 4)
    stream.worker(85, "dome-3", "busy")
    stream.add(85, "work_continued", 5, "dome-3", 5)
    stream.go_well(90, 4, "dome-1", 4)
    stream.stop(91, 5, "dome-3", 5)
    stream.end(91, 5, "dome-3", 5)
    stream.requeue(91, 5)  # no broker tells that of an attempt that ended well
    for rows in (stream.rows, the_rows().rows):
        for end in range(len(rows) + 1):
            at_once, one_by_one = NightFold(1000), NightFold(1000)
            at_once.feed_all(together(rows[:end]))
            one_by_one.feed_all(rows[:end])
            assert (told(at_once.close()), at_once.events) == (told(one_by_one.close()), one_by_one.events)


def test_a_sink_numbers_what_it_folds() -> None:
    stream = one_good_job()
    fold = NightFold(100)
    assert [fold.emit(row) for row in stream.rows] == [1, 2, 3, 4, 5, 6]
    assert (told(fold.close()), fold.events) == (told(stream.night(100)), 6)
    fold = NightFold(100)
    assert [fold.emit(row) for row in together(stream.rows)] == [1, 3, 6]
    assert (told(fold.close()), fold.events) == (told(stream.night(100)), 6)


def test_feeding_row_by_row_gives_the_same_night_as_feeding_all() -> None:
    stream = one_good_job()
    fold = NightFold(100)
    for row in together(stream.rows):
        fold.feed(row)
    bit_by_bit, at_once = fold.close(), stream.night(100)
    assert bit_by_bit.table == at_once.table
    assert bit_by_bit.cells == at_once.cells


def test_a_fold_is_closed_once() -> None:
    fold = NightFold(100)
    fold.close()
    with pytest.raises(DefectError, match="closed"):
        fold.close()


def test_a_fold_that_was_fed_what_cannot_follow_gives_no_night() -> None:
    fold = NightFold(100)
    with pytest.raises(DefectError, match="cannot follow"):
        fold.feed((5, "handed_out", 0, 9, "dome-1", 1, 1, 95, 1))
    with pytest.raises(DefectError, match="closed"):
        fold.close()


def test_a_fold_may_be_closed_before_its_horizon() -> None:
    stream = Stream()
    stream.submit(10, 1)
    fold = NightFold(100)
    fold.feed_all(stream.rows)
    assert fold.close(60).horizon == 60


@pytest.mark.parametrize(
    "row",
    [
        (5, "handed_out", 0, 9, "dome-1", 1, 1, 95, 1),
        (5, "submitted", 0, 9, "", "queued", "copy", "night", "plates", 9, "", 0, "", 0),
        (5, "work_stopped", 0, 1, "dome-1", 1, 1, "finished"),
        (5, "effect_refused", 0, 9, "dome-1", 1, 1, "copied", "plate-7", "old token"),
        (5, "handed_out", 0, 1),
        (5, "submitted", 0, 2, "", "queued", "copy", "night", "plates", 2, "", 0, "", 2),
    ],
)
def test_a_row_that_cannot_follow_is_refused_by_name(row: tuple[object, ...]) -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.rows.append(row)
    with pytest.raises(DefectError, match="cannot follow"):
        stream.night(100)


def test_kinds_that_no_figure_needs_are_passed_over() -> None:
    stream = one_good_job()
    rows = list(stream.rows)
    stream.add(20, "heartbeat_received", 0, "dome-1", 1, 1)
    stream.add(20, "lease_renewed", 1, "dome-1", 1, 110)
    assert stream.night(100).table == table_of(together(rows))


def table_of(rows: list[tuple[object, ...]]) -> object:
    fold = NightFold(100)
    fold.feed_all(rows)
    return fold.close().table


def test_the_first_job_may_have_any_number() -> None:
    stream = Stream()
    stream.submit(0, 41)
    stream.submit(0, 42)
    night = stream.night(100)
    assert (night.first, len(night), night.name_of(42)) == (41, 2, "plates#42")


def test_waiting_and_being_held_are_kept_as_intervals() -> None:
    stream = Stream()
    stream.submit(0, 1, state="queued_held", reasons="not due,prerequisite")  # held [0, 20)
    stream.add(10, "hold_ended", 1, "", "queued_held", "not_due")  # due at 10, still held
    stream.add(20, "hold_ended", 1, "", "queued", "prerequisite")  # waits [20, 30)
    stream.add(30, "held", 1, "", "queued_held", "by_person")  # held [30, 35)
    stream.add(35, "hold_ended", 1, "", "queued", "by_person")  # waits [35, 50)
    stream.start(50, 1, "dome-1", 1)
    stream.add(55, "held", 1, "", "running", "by_person")  # changes nothing
    stream.stop(60, 1, "dome-1", 1)
    stream.end(60, 1, "dome-1", 1, "error")
    stream.requeue(60, 1, "requeued_held", 70)  # held [60, 80)
    stream.add(70, "hold_ended", 1, "", "requeued_held", "pausing")
    stream.add(80, "hold_ended", 1, "", "requeued", "by_person")  # waits from 80 on
    night = stream.night(100)
    [waiting], [held] = night.waiting, night.held
    assert (waiting.begins.tolist(), waiting.ends.tolist()) == ([20, 35, 80], [30, 50])
    assert (held.begins.tolist(), held.ends.tolist()) == ([0, 30, 60], [20, 35, 80])
    assert (night.value(1, DUE), night.value(1, FIRST_OUT)) == (10, 50)


def test_held_at_the_horizon_has_no_end() -> None:
    stream = Stream()
    stream.submit(5, 1, state="queued_held", reasons="by_person")
    night = stream.night(100)
    assert (night.held[0].begins.tolist(), night.held[0].ends.tolist()) == ([5], [])
    assert night.value(1, DUE) == 5


def test_a_job_that_never_came_due_has_no_due_tick() -> None:
    stream = Stream()
    stream.submit(5, 1, state="queued_held", reasons="not_due")
    assert stream.night(100).value(1, DUE) == -1


def test_a_wait_of_no_length_is_no_interval() -> None:
    stream = one_good_job()
    stream.submit(50, 2)
    stream.hand_out(50, 2, "dome-1", 2)
    assert stream.night(100).waiting[0].begins.tolist() == [10]


def test_a_hand_out_that_is_given_back_unstarted_does_not_count() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.hand_out(10, 1, "dome-1", 1)
    stream.add(12, "handed_back", 1, "dome-1", "queued", 1, 1)
    stream.start(30, 1, "dome-2", 2)
    stream.stop(40, 1, "dome-2", 2)
    stream.end(40, 1, "dome-2", 2, "error")
    stream.requeue(40, 1)
    stream.hand_out(50, 1, "dome-1", 3, attempt=2)
    stream.add(55, "handed_back", 1, "dome-1", "requeued", 2, 3)
    night = stream.night(100)
    assert (night.value(1, FIRST_OUT), night.value(1, ATTEMPTS)) == (30, 1)
    assert {key: cell.attempts for key, cell in night.cells.items()} == {(0, "dome-2", "error"): 1}
    assert night.waiting[0].begins.tolist() == [0, 12, 40, 55]


def test_a_lease_delivered_to_a_second_worker_ends_no_second_wait() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.hand_out(10, 1, "dome-1", 1)
    stream.hand_out(12, 1, "dome-2", 1)
    night = stream.night(100)
    assert (night.waiting[0].begins.tolist(), night.waiting[0].ends.tolist()) == ([0], [10])
    assert (night.value(1, FIRST_OUT), night.value(1, ATTEMPTS)) == (10, 1)
    assert {key: cell.attempts for key, cell in night.cells.items()} == {(0, "dome-2", "in_progress"): 1}


def test_a_job_that_expires_while_it_waits_stops_waiting() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.finish(60, 1, "expired", 0, "not_started")
    night = stream.night(100)
    assert night.final_of(1) == FinalState("failed", "expired", "not_started")
    assert night.waiting[0].ends.tolist() == [60]
    assert (night.value(1, FINISHED), night.value(1, WORKER), night.value(1, RUN)) == (60, -1, -1)


def test_a_resubmitted_job_belongs_to_the_family_of_the_first() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.finish(10, 1, "expired", 0)
    stream.submit(20, 2, ordinal=1, origin=1)
    stream.submit(30, 3, ordinal=1, origin=2)  # resubmitted from a job that is unfinished
    night = stream.night(100)
    assert [night.value(job, FAMILY) for job in (1, 2, 3)] == [1, 1, 1]
    assert night.name_of(3) == "plates#1 (resubmitted as job 3)"


def test_a_forgotten_lease_is_told_by_the_end_of_its_attempt() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.add(20, "lease_forgotten", 1, "dome-1", 1)
    stream.end(20, 1, "dome-1", 1, "lease_lost", why="forgotten")
    stream.requeue(20, 1)
    night = stream.night(100)
    assert night.cells[0, "dome-1", "lease_lost"].attempts == 1
    assert night.waiting[0].begins.tolist() == [20]


def test_too_many_reasons_of_failure_keep_state_and_sub_state(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jobs_module, "_DISTINCT_ENDS", 3)
    stream = Stream()
    for job, why in enumerate(("first", "second", "third", "first"), 1):
        stream.submit(0, job)
        stream.finish(1, job, "expired", 0, why)
    night = stream.night(100)
    assert [dict(night.final_of(job).values).get("said") for job in (1, 2, 3, 4)] == ["first", None, None, "first"]
    assert night.finals[UNFINISHED] == FinalState("unfinished", "", "")


def test_what_is_about_no_job_is_kept_in_order() -> None:
    stream = Stream()
    stream.add(0, "run_began", 0, "", 77)
    stream.add(1, "submission_refused", 0, "", "copy", "night", "plates", 5, "queue_is_full")
    stream.add(2, "occurrence_skipped", 0, "", "sweep", 2, "the last one is still running")
    stream.add(3, "fault_missed", 0, "", "power_off", "faults[0]", 1, "dome-1", "was_off")
    stream.submit(4, 1)
    stream.add(5, "submission_repeated", 1, "", "plates-1")
    stream.add(6, "stale_refused", 1, "dome-1", 3, "outcome")
    stream.add(7, "stale_refused", 1, "dome-1", 3, "outcome")
    night = stream.night(100)
    assert night.seed == 77
    assert night.refused == (RefusedJob(1, JobKind("copy", "night", "plates"), 5, "queue_is_full"),)
    assert night.skipped == (SkippedOccurrence(2, "sweep", 2, "the last one is still running"),)
    assert night.faults_missed == (MissedFault(3, "power_off", "faults[0]", "dome-1", "was_off"),)
    assert night.repeated_submissions == 1
    assert night.stale == {(1, "outcome"): 2}


def test_more_jobs_than_are_made_room_for_at_a_time_keep_their_rows() -> None:
    """The table grows by 1024 rows; the second thousand ends before the first."""
    stream = Stream()
    for job in range(1, 2501):
        stream.submit(job, job)
    for job in range(2500, 0, -1):
        stream.finish(5000, job, "expired", 0)
    night = stream.night(9000)
    assert [night.value(job, SUBMITTED) for job in range(1, 2501)] == list(range(1, 2501))
    assert [night.value(job, ORDINAL) for job in (1, 1024, 1025, 2500)] == [1, 1024, 1025, 2500]


# -- effects ------------------------------------------------------------------------------------------------------


def test_an_effect_under_the_lease_that_is_valid_is_not_late() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.land(10, 1, "dome-1", 1)
    stream.go_well(20, 1, "dome-1", 1)
    night = stream.night(100)
    assert (night.late, night.repeats, night.landed) == ({}, (), {(0, "copied"): 1})
    assert night.value(1, EFFECTS) == 1


def test_a_zombie_s_effect_is_late_and_the_second_landing_a_repeat() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.end(90, 1, "dome-1", 1, "lease_lost")
    stream.requeue(90, 1)
    stream.start(95, 1, "dome-2", 2, attempt=2)
    stream.land(100, 1, "dome-1", 1)  # late: its lease was lost at 90
    stream.land(110, 1, "dome-2", 2)
    stream.go_well(120, 1, "dome-2", 2, attempt=2)
    stream.land(130, 1, "dome-1", 1)  # late, while the zombie works on and the job is done
    stream.stop(140, 1, "dome-1", 1)
    stream.land(150, 1, "dome-1", 1)  # late, from a remote system, when nobody works on it any more
    night = stream.night(200)
    assert night.late == {1: 3}
    assert [tuple(repeat) for repeat in night.repeats] == [(1, "copied", "plate-7", 4)]
    assert night.value(1, EFFECTS) == 4
    assert night.value(1, WORKER) == night.workers.index("dome-2")


def test_what_is_safe_to_repeat_is_no_repeat_and_looking_first_is_not_safe() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    for target, repeatable in (("a", True), ("b", "checks_first"), ("c", False)):
        stream.land(10, 1, "dome-1", 1, target, repeatable=repeatable)
        stream.land(20, 1, "dome-1", 1, target, repeatable=repeatable)
    assert [(repeat.target, repeat.times) for repeat in stream.night(100).repeats] == [("b", 2), ("c", 2)]


def test_landings_are_counted_across_resubmitted_jobs_and_apart_for_unrelated_jobs() -> None:
    stream = Stream()
    for job, origin in ((1, 0), (2, 1), (3, 0)):
        stream.submit(job * 10, job, ordinal=job, origin=origin)
        stream.start(job * 10, job, "dome-1", job)
        stream.land(job * 10 + 5, job, "dome-1", job)
        stream.go_well(job * 10 + 6, job, "dome-1", job)
    night = stream.night(100)
    assert [tuple(repeat) for repeat in night.repeats] == [(1, "copied", "plate-7", 2)]
    assert night.shared == {("copied", "plate-7"): 3}


def test_refused_effects_are_counted_by_kind() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.add(10, "effect_refused", 1, "dome-1", 1, 1, "copied", "plate-7", "an older token")
    stream.add(11, "effect_refused", 1, "dome-1", 1, 1, "copied", "plate-8", "an older token")
    night = stream.night(100)
    assert night.refused_effects == {(0, "copied"): 2}
    assert (night.value(1, KIND), night.value(1, EFFECTS)) == (0, 0)
