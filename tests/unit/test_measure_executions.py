"""Who executes what, when: overlap, waste, detection delays, time on."""

import pytest
from night_rows import Stream

from emulator.errors import DefectError
from emulator.measure.night import HEALTHY, RUN, Cell, LostLease, Night


def zombie(*, back_at: int | None = None) -> Stream:
    """Two workers; the first freezes at 20, its lease is lost at 90, the second takes the job at 100."""
    stream = Stream()
    stream.worker(0, "dome-1", "idle")
    stream.worker(0, "dome-2", "idle")
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.worker(20, "dome-1", "frozen")
    stream.add(20, "work_paused", 1, "dome-1", 1)
    stream.end(90, 1, "dome-1", 1, "lease_lost")
    stream.requeue(90, 1)
    stream.start(100, 1, "dome-2", 2, attempt=2)
    if back_at is not None:
        stream.worker(back_at, "dome-1", "busy")
        stream.add(back_at, "work_continued", 1, "dome-1", 1)
    return stream


def test_frozen_time_is_neither_executed_nor_overlap() -> None:
    stream = zombie(back_at=130)  # the zombie executes [0, 20) and [130, 150)
    stream.stop(150, 1, "dome-1", 1, why="told")
    stream.go_well(160, 1, "dome-2", 2, attempt=2)  # executes [100, 160)
    night = stream.night(200)
    assert night.overlap == {1: 20}  # [130, 150)
    assert night.cells == {(0, "dome-1", "lease_lost"): Cell(1, 40), (0, "dome-2", "ok"): Cell(1, 60)}
    assert night.detections == ((0, "dome-1", 70),)  # frozen at 20, lost at 90
    assert night.value(1, RUN) == 60


def test_an_overlap_lasts_to_the_horizon_if_nobody_stops() -> None:
    night = zombie(back_at=130).night(200)
    assert night.overlap == {1: 70}
    assert night.cells == {
        (0, "dome-1", "lease_lost"): Cell(1, 90),  # [0, 20) and [130, 200)
        (0, "dome-2", "in_progress"): Cell(1, 100),
    }
    assert night.value(1, RUN) == 100  # of the attempt in progress, up to the horizon


def test_an_overlap_of_no_length_is_none() -> None:
    stream = zombie(back_at=160)
    stream.go_well(160, 1, "dome-2", 2, attempt=2)
    assert stream.night(200).overlap == {}


def test_overlaps_of_one_job_are_added() -> None:
    stream = zombie(back_at=130)
    stream.worker(140, "dome-1", "frozen")
    stream.add(140, "work_paused", 1, "dome-1", 1)
    stream.worker(150, "dome-1", "busy")
    stream.add(150, "work_continued", 1, "dome-1", 1)
    night = stream.night(200)
    assert night.overlap == {1: 60}  # [130, 140) and [150, 200)


def test_three_at_once_are_one_overlap() -> None:
    stream = zombie(back_at=130)
    stream.end(190, 1, "dome-2", 2, "lease_lost", attempt=2)
    stream.requeue(190, 1)
    stream.start(195, 1, "dome-3", 3, attempt=3)
    stream.stop(198, 1, "dome-2", 2, attempt=2)  # the middle one of the three
    night = stream.night(200)
    assert night.overlap == {1: 70}  # [130, 200)
    assert night.cells[0, "dome-2", "lease_lost"] == Cell(1, 98)
    # dome-1 was frozen from 20 on; dome-2 was at work all the time
    assert night.lost == (LostLease(90, 1, "dome-1", 70), LostLease(190, 1, "dome-2", HEALTHY))
    assert night.detections == ((0, "dome-1", 70),)


def test_a_job_that_is_done_is_written_when_its_zombie_stops_too() -> None:
    """The zombie outlives the job; its run time does not become the job's."""
    stream = zombie(back_at=110)
    stream.go_well(120, 1, "dome-2", 2, attempt=2)
    stream.stop(190, 1, "dome-1", 1)
    night = stream.night(200)
    assert night.value(1, RUN) == 20
    assert night.overlap == {1: 10}


def test_the_outcome_may_be_told_before_the_work_stops() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.end(30, 1, "dome-1", 1, "ok")
    stream.finish(30, 1)
    stream.stop(31, 1, "dome-1", 1)
    night = stream.night(100)
    assert (night.value(1, RUN), night.cells) == (31, {(0, "dome-1", "ok"): Cell(1, 31)})


def test_the_second_ok_attempt_of_a_worker_is_booked_like_the_first() -> None:
    stream = Stream()
    for job in (1, 2):
        stream.submit(0, job)
        stream.start(0, job, "dome-1", job)
    stream.go_well(30, 1, "dome-1", 1)
    stream.go_well(50, 2, "dome-1", 2)
    night = stream.night(100)
    assert night.cells == {(0, "dome-1", "ok"): Cell(2, 80)}
    assert [night.value(job, RUN) for job in (1, 2)] == [30, 50]


@pytest.mark.parametrize("winner", ["dome-1", "dome-2"])
def test_a_lease_handed_out_twice_counts_as_one_attempt(winner: str) -> None:
    """Both have token 1; the one whose outcome counts did the attempt, the other one worked beside it."""
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.begin(10, 1, "dome-2", 1)
    stream.stop(40, 1, "dome-1", 1)
    stream.stop(50, 1, "dome-2", 1)
    stream.end(60, 1, winner, 1, "ok")
    stream.finish(60, 1)
    night = stream.night(100)
    run = {"dome-1": 40, "dome-2": 40}
    other = "dome-2" if winner == "dome-1" else "dome-1"
    assert night.cells == {(0, winner, "ok"): Cell(1, run[winner]), (0, other, "second_hand_out"): Cell(0, run[other])}
    assert night.overlap == {1: 30}  # [10, 40)
    assert night.value(1, RUN) == 40


def test_the_other_of_a_double_hand_out_may_work_on() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.begin(10, 1, "dome-2", 1)
    stream.go_well(40, 1, "dome-1", 1)
    stream.stop(70, 1, "dome-2", 1)
    night = stream.night(100)
    assert night.cells == {(0, "dome-1", "ok"): Cell(1, 40), (0, "dome-2", "second_hand_out"): Cell(0, 60)}


def test_work_begun_on_a_lease_that_is_over_belongs_to_no_attempt() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.hand_out(0, 1, "dome-1", 1)
    stream.end(5, 1, "dome-1", 1, "lease_lost", why="withdrawn")
    stream.finish(5, 1, "withdrawn")
    stream.begin(8, 1, "dome-1", 1)  # the answer was on its way
    stream.stop(28, 1, "dome-1", 1)
    stream.submit(30, 2)
    stream.finish(31, 2, "withdrawn", 0)
    stream.begin(90, 2, "dome-1", 2)  # cut off at the horizon; never handed out, as far as the broker knows
    night = stream.night(100)
    assert night.cells == {(0, "dome-1", "withdrawn"): Cell(1, 0), (0, "dome-1", "after_its_end"): Cell(0, 30)}
    assert (night.final_of(1).sub_state, night.workers) == ("withdrawn", ("dome-1",))


def test_suspended_work_is_not_executed() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.add(10, "suspended", 1, "dome-1", 1)
    stream.add(10, "suspended", 1, "dome-1", 1)  # said twice changes nothing
    stream.add(40, "resumed", 1, "", 1)  # the token alone tells who is meant
    stream.add(40, "resumed", 1, "dome-1", 1)
    stream.go_well(60, 1, "dome-1", 1)
    assert stream.night(100).cells == {(0, "dome-1", "ok"): Cell(1, 30)}


def test_work_that_stops_while_it_stands_still_was_executed_until_then() -> None:
    stream = zombie()
    stream.stop(150, 1, "dome-1", 1, why="power off")
    assert stream.night(200).cells[0, "dome-1", "lease_lost"] == Cell(1, 20)


def test_what_no_worker_executes_cannot_stop() -> None:
    stream = zombie()
    stream.stop(150, 1, "dome-3", 1)
    with pytest.raises(DefectError, match="dome-3 does not execute job 1 under token 1"):
        stream.night(200)


def going_on(*, kept: bool = True) -> Stream:
    """An attempt works [0, 50), finishes parts at 20 and 45 and errs; the next works from 60 on where it was."""
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    for at in (20, 45):
        stream.finish_part(at, 1, "dome-1", 1, kept=kept)
    stream.stop(50, 1, "dome-1", 1, why="an error")
    stream.end(50, 1, "dome-1", 1, "error")
    stream.requeue(50, 1)
    stream.start(60, 1, "dome-2", 2, attempt=2)
    return stream


def test_parts_that_a_later_attempt_need_not_repeat_are_kept_once_the_job_is_done() -> None:
    stream = going_on()
    stream.go_well(100, 1, "dome-2", 2, attempt=2)
    ok = {(0, "dome-2", "ok"): Cell(1, 40)}
    cells = {(0, "dome-1", "error"): Cell(1, 5), (0, "dome-1", "kept"): Cell(0, 45), **ok}
    assert stream.night(200).cells == cells
    repeated = going_on(kept=False)
    repeated.go_well(100, 1, "dome-2", 2, attempt=2)
    assert repeated.night(200).cells == {(0, "dome-1", "error"): Cell(1, 50), **ok}


def test_parts_kept_for_a_job_that_fails_were_in_vain() -> None:
    stream = going_on()
    stream.finish_part(70, 1, "dome-2", 2, attempt=2, kept=True)
    stream.stop(80, 1, "dome-2", 2, 2, why="an error")
    stream.end(80, 1, "dome-2", 2, "error", 2)
    stream.finish(80, 1, "attempts_used_up", 2)
    assert stream.night(200).cells == {(0, "dome-1", "error"): Cell(1, 50), (0, "dome-2", "error"): Cell(1, 20)}


def test_parts_kept_for_a_job_that_is_unfinished_at_the_horizon_may_yet_be_of_use() -> None:
    assert going_on().night(90).cells == {
        (0, "dome-1", "error"): Cell(1, 5),
        (0, "dome-1", "kept"): Cell(0, 45),
        (0, "dome-2", "in_progress"): Cell(1, 30),
    }


def test_a_part_that_stood_still_counts_what_was_executed_of_it() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.add(10, "work_paused", 1, "dome-1", 1)
    stream.add(30, "work_continued", 1, "dome-1", 1)
    stream.finish_part(40, 1, "dome-1", 1, kept=True)  # executed [0, 10) and [30, 40)
    stream.add(45, "work_paused", 1, "dome-1", 1)
    stream.finish_part(50, 1, "dome-1", 1, kept=True)  # told while it stands still: 5 more
    stream.stop(60, 1, "dome-1", 1, why="an error")
    stream.end(60, 1, "dome-1", 1, "error")
    stream.requeue(60, 1)
    assert stream.night(100).cells == {(0, "dome-1", "error"): Cell(1, 0), (0, "dome-1", "kept"): Cell(0, 25)}


def test_parts_finished_on_a_lease_that_is_over_and_parts_done_again_are_not_kept() -> None:
    """The zombie finishes a part without a lease; the next attempt does it too, and keeps only the part after it."""
    stream = zombie(back_at=110)
    stream.finish_part(120, 1, "dome-1", 1, kept=True)
    stream.finish_part(130, 1, "dome-2", 2, attempt=2, kept=False)
    stream.finish_part(145, 1, "dome-2", 2, attempt=2, kept=True)
    stream.stop(150, 1, "dome-1", 1, why="told")
    stream.stop(150, 1, "dome-2", 2, 2, why="an error")
    stream.end(150, 1, "dome-2", 2, "error", 2)
    stream.requeue(150, 1)
    stream.start(150, 1, "dome-2", 3, attempt=3)
    stream.go_well(180, 1, "dome-2", 3, attempt=3)
    assert stream.night(200).cells == {
        (0, "dome-1", "lease_lost"): Cell(1, 60),  # [0, 20) and [110, 150)
        (0, "dome-2", "error"): Cell(1, 35),  # [100, 130) and [145, 150)
        (0, "dome-2", "kept"): Cell(0, 15),
        (0, "dome-2", "ok"): Cell(1, 30),
    }


@pytest.mark.parametrize("well", [True, False])
def test_what_a_zombie_kept_while_its_lease_was_good_is_booked_when_it_stops(well: bool) -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.finish_part(20, 1, "dome-1", 1, kept=True)
    stream.end(30, 1, "dome-1", 1, "lease_lost")
    stream.requeue(30, 1)
    stream.start(40, 1, "dome-2", 2, attempt=2)
    stream.stop(50, 1, "dome-2", 2, 2)
    stream.end(50, 1, "dome-2", 2, "ok" if well else "error", 2)
    stream.finish(50, 1, "" if well else "attempts_used_up", 2)
    stream.stop(60, 1, "dome-1", 1, why="told")
    assert stream.night(100).cells == {
        (0, "dome-1", "lease_lost"): Cell(1, 40 if well else 60),
        (0, "dome-2", "ok" if well else "error"): Cell(1, 10),
        **({(0, "dome-1", "kept"): Cell(0, 20)} if well else {}),
    }


def detections(stream: Stream) -> tuple[object, ...]:
    night = stream.night(200)
    return (
        tuple(delay for _, _, delay in night.detections),
        tuple(d for _, _, d in night.undetected),
        {0: healthy} if (healthy := sum(one.delay == HEALTHY for one in night.lost)) else {},
    )


def powered_off(*, back_at: int | None = None, began: bool = True) -> Stream:
    stream = Stream()
    stream.worker(0, "dome-1", "idle")
    stream.submit(0, 1)
    stream.hand_out(0, 1, "dome-1", 1)
    if began:
        stream.begin(0, 1, "dome-1", 1)
        stream.stop(30, 1, "dome-1", 1, why="power off")
    stream.worker(30, "dome-1", "off")
    if back_at is not None:
        stream.worker(back_at, "dome-1", "booting")
    return stream


@pytest.mark.parametrize(("back_at", "began"), [(None, True), (50, True), (None, False)])
def test_a_lease_lost_after_power_off_is_noticed_from_the_power_off_on(back_at: int | None, began: bool) -> None:
    stream = powered_off(back_at=back_at, began=began)
    stream.end(90, 1, "dome-1", 1, "lease_lost")
    stream.requeue(90, 1)
    assert detections(stream) == ((60,), (), {})


def test_the_worker_may_be_told_to_be_off_before_its_work_is_told_to_have_stopped() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.worker(25, "dome-1", "frozen")
    stream.worker(30, "dome-1", "off")
    stream.stop(30, 1, "dome-1", 1, why="power off")
    stream.end(90, 1, "dome-1", 1, "lease_lost")
    assert detections(stream) == ((65,), (), {})  # from the freeze on, which went over into the power off


def test_a_lease_of_work_that_never_began_on_a_worker_that_is_well_tells_no_delay() -> None:
    stream = powered_off(back_at=50, began=False)
    stream.end(90, 1, "dome-1", 1, "lease_lost")
    stream.requeue(90, 1)
    assert detections(stream) == ((), (), {})


def test_a_power_off_that_nobody_noticed_by_the_horizon_is_cut_off() -> None:
    assert detections(powered_off()) == ((), (170,), {})


def test_an_outcome_on_its_way_at_the_horizon_is_in_progress() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.stop(30, 1, "dome-1", 1)
    night = stream.night(200)
    assert (night.cells, night.value(1, RUN), night.undetected) == ({(0, "dome-1", "in_progress"): Cell(1, 30)}, 30, ())


def test_a_frozen_worker_that_nobody_noticed_by_the_horizon_is_cut_off() -> None:
    stream = Stream()
    stream.worker(0, "dome-1", "idle")
    stream.submit(0, 1)
    stream.start(150, 1, "dome-1", 1)
    stream.worker(160, "dome-1", "frozen")
    stream.worker(170, "dome-1", "off")  # it has been out since 160
    assert detections(stream) == ((), (40,), {})


def test_a_worker_that_came_back_in_time_was_not_lost() -> None:
    stream = Stream()
    stream.worker(0, "dome-1", "idle")
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.worker(20, "dome-1", "cut_off")
    stream.worker(40, "dome-1", "busy")
    stream.end(90, 1, "dome-1", 1, "lease_lost")
    assert detections(stream) == ((), (), {0: 1})


def test_a_lost_result_is_noticed_from_the_end_of_the_work_on() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    stream.stop(30, 1, "dome-1", 1)
    stream.end(90, 1, "dome-1", 1, "lease_lost")
    assert detections(stream) == ((60,), (), {})


def on_time(stream: Stream) -> dict[str, int]:
    night: Night = stream.night(200)
    return dict(night.on_time)


def test_a_worker_is_on_in_every_state_but_off() -> None:
    stream = Stream()
    stream.worker(0, "dome-1", "off")
    stream.worker(10, "dome-1", "booting")
    stream.worker(20, "dome-1", "idle")
    stream.worker(50, "dome-1", "off")
    stream.worker(150, "dome-1", "booting")
    stream.worker(0, "dome-2", "idle")
    assert on_time(stream) == {"dome-1": 90, "dome-2": 200}  # [10, 50) and [150, 200)


def test_a_worker_that_told_of_no_change_but_worked_was_on_all_the_time() -> None:
    stream = Stream()
    stream.submit(0, 1)
    stream.start(0, 1, "dome-1", 1)
    assert on_time(stream) == {"dome-1": 200}
