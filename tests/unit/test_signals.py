"""What can be watched from outside: every sample worked out by hand."""

from pathlib import Path

import pytest
from night_rows import Stream

from emulator.experiment.night import play
from emulator.measure.night import DONE, FINAL, FINISHED, SUBMITTED
from emulator.measure.signals import STEP, Signal, SignalFold, WatchedNight, signals_of
from emulator.record.events import Row
from emulator.record.reasons import WITHDRAWN_BY_PERSON
from emulator.scenario.load import load
from emulator.timeline.ticks import HOUR, MINUTE

SCENARIOS = Path(__file__).parents[2] / "scenarios"
BACKLOG, OLDEST = Signal("backlog", "night"), Signal("oldest_wait", "night")
LEFT, LOST = Signal("unfinished_per_done"), Signal("lost_leases")
RETRIES, SILENCE = Signal("retries"), Signal("longest_silence")


def sampled(stream: Stream, horizon: int, *queues: str) -> dict[Signal, list[float]]:
    """Fold a stream; times of samples come back in minutes."""
    fold = SignalFold(queues or ("night",), horizon)
    for row in stream.rows:
        fold.feed(row)
    fold.close()
    return {
        signal: [one / MINUTE if signal.unit == "time" else one for one in values]
        for signal, values in fold.samples.items()
    }


def test_a_job_waits_from_its_submission_to_its_hand_out() -> None:
    """Two jobs come at 2 and 6 min; the first is handed out at 9 min, the second at 15 min, a moment of a sample.

    At 5 min one job waits, since 3 min; at 10 min the other, since 4 min; at 15 min none, since it was handed out then.
    """
    s = Stream(MINUTE)
    s.submit(2, 1)
    s.submit(6, 2)
    s.start(9, 1, "dome-1", 1)
    s.start(15, 2, "dome-2", 2)
    found = sampled(s, 20 * MINUTE)
    assert (found[BACKLOG], found[OLDEST]) == ([1, 1, 0, 0], [3, 4, 0, 0])


def test_a_sample_is_taken_at_the_end_of_its_instant() -> None:
    """What comes at the tick of a sample counts, what comes one tick later does not."""
    s = Stream()
    s.submit(STEP, 1)
    s.submit(STEP + 1, 2)
    assert sampled(s, 2 * STEP)[BACKLOG] == [1, 2]


def test_what_comes_and_goes_within_an_instant_is_not_seen() -> None:
    s = Stream(MINUTE)
    s.submit(5, 1)
    s.start(5, 1, "dome-1", 1)
    assert sampled(s, 10 * MINUTE)[BACKLOG] == [0, 0]


def test_a_job_that_comes_back_is_young_again_and_counts_as_a_retry() -> None:
    """Handed out at 1 min, its lease lost at 12 min, requeued at once: at 15 min it has waited for 3 min."""
    s = Stream(MINUTE)
    s.submit(0, 1)
    s.start(1, 1, "dome-1", 1)
    s.end(12, 1, "dome-1", 1, "lease_lost", why="lease_ran_out")
    s.requeue(12, 1)
    found = sampled(s, 75 * MINUTE)
    assert found[OLDEST][:3] == [0, 0, 3]
    assert found[LOST] == found[RETRIES] == [0, 0] + [1] * 12 + [0]  # seen from 15 min to 70 min, within an hour


def test_a_window_leaves_out_what_is_an_hour_old_to_the_tick() -> None:
    """A lease lost at 5 min is counted at 1 h, and no more at 1 h 5 min."""
    s = Stream(MINUTE)
    s.submit(0, 1)
    s.start(1, 1, "dome-1", 1)
    s.end(5, 1, "dome-1", 1, "lease_lost", why="lease_ran_out")
    s.requeue(5, 1)
    assert sampled(s, 65 * MINUTE)[LOST] == [1] * 12 + [0]


def test_a_lease_that_a_person_took_away_is_not_lost() -> None:
    s = Stream(MINUTE)
    s.submit(0, 1)
    s.start(1, 1, "dome-1", 1)
    s.end(2, 1, "dome-1", 1, "lease_lost", why=WITHDRAWN_BY_PERSON)
    s.finish(2, 1, "withdrawn")
    found = sampled(s, 5 * MINUTE)
    assert (found[LOST], found[LEFT]) == ([0], [0])


def test_a_held_job_does_not_wait() -> None:
    """Submitted as held, let go at 3 min, held again at 7 min, given back unstarted at 13 min."""
    s = Stream(MINUTE)
    s.submit(0, 1, state="held", reasons="by_person")
    s.add(3, "hold_ended", 1, "", "queued", "by_person")
    s.add(7, "held", 1, "", "held", "by_person")
    s.add(11, "hold_ended", 1, "", "queued", "by_person")
    s.hand_out(12, 1, "dome-1", 1)
    s.add(13, "handed_back", 1, "dome-1", "queued", 1, 1)
    found = sampled(s, 15 * MINUTE)
    assert (found[BACKLOG], found[OLDEST]) == ([1, 0, 1], [2, 0, 2])


def test_a_pausing_job_is_a_retry_that_does_not_wait() -> None:
    s = Stream(MINUTE)
    s.submit(0, 1)
    s.start(1, 1, "dome-1", 1)
    s.end(2, 1, "dome-1", 1, "error", why="part_failed")
    s.requeue(2, 1, state="requeued_held", due=20)
    found = sampled(s, 5 * MINUTE)
    assert (found[BACKLOG], found[RETRIES]) == ([0], [1])


def test_unfinished_jobs_are_divided_by_those_done_in_the_last_hour() -> None:
    """Three jobs come; one is done at 4 min, one failed at 8 min, which is neither done nor unfinished.

    At 5 min two are unfinished for one done: 2. At 10 min one for one: 1. From 1 h 5 min on none was done in the last
    hour, and one unfinished job is divided by one.
    """
    s = Stream(MINUTE)
    for job in (1, 2, 3):
        s.submit(0, job)
    s.start(1, 1, "dome-1", 1)
    s.go_well(4, 1, "dome-1", 1)
    s.finish(8, 2, "expired")
    assert sampled(s, 65 * MINUTE)[LEFT] == [2, 1] + [1] * 11


def test_no_job_done_is_as_one_job_done() -> None:
    s = Stream(MINUTE)
    s.submit(0, 1)
    s.submit(0, 2)
    assert sampled(s, 5 * MINUTE)[LEFT] == [2]


def test_the_worker_that_was_heard_longest_ago_is_the_silent_one() -> None:
    """dome-1 is heard at 1 and 3 min, dome-2 at 2 min only and signs off at 11 min."""
    s = Stream(MINUTE)
    s.add(1, "worker_registered", 0, "dome-1", 1)
    s.add(2, "worker_registered", 0, "dome-2", 1)
    s.add(3, "heartbeat_received", 0, "dome-1", 1, 1)
    s.add(11, "worker_signed_off", 0, "dome-2", 1)
    assert sampled(s, 15 * MINUTE)[SILENCE] == [3, 8, 12]


def test_queues_are_told_apart() -> None:
    s = Stream(MINUTE)
    s.submit(1, 1)
    s.submit(2, 2, queue="day")
    found = sampled(s, 5 * MINUTE, "night", "day")
    assert found[BACKLOG] == found[Signal("backlog", "day")] == [1]
    assert (found[OLDEST], found[Signal("oldest_wait", "day")]) == ([4], [3])


def test_the_last_sample_is_at_the_horizon_at_the_latest() -> None:
    assert [len(sampled(Stream(), horizon)[LEFT]) for horizon in (STEP - 1, STEP, 2 * STEP - 1)] == [0, 1, 1]


def test_every_signal_has_a_name_a_label_and_a_unit() -> None:
    assert [(one.name, one.label, one.unit, one.step) for one in signals_of(["night"])] == [
        ("backlog night", "jobs waiting in queue night", "count", 1),
        ("oldest_wait night", "age of the oldest waiting job in queue night", "time", MINUTE),
        ("unfinished_per_done", "unfinished jobs for each job done in the last hour", "ratio", 0.1),
        ("lost_leases", "leases lost in the last hour", "count", 1),
        ("retries", "retries in the last hour", "count", 1),
        ("longest_silence", "longest silence of a worker", "time", MINUTE),
    ]
    assert LEFT.write(2.25) == "2.2" and OLDEST.write(HOUR) == "1 h"


def test_a_night_without_a_fault_is_quiet() -> None:
    assert [WatchedNight(1, ()).is_quiet, WatchedNight(1, (), ((5, "freeze", "faults[0]"),)).is_quiet] == [True, False]


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["worker-lost-mid-run", "lease-too-short-for-jitter", "queue-held-and-forgotten", "end-of-shift-resume"]
)
def test_samples_are_those_of_the_whole_night(name: str) -> None:
    """Read in another way, from the night's table: who waited, what was unfinished, done and lost by then."""
    loaded = load(SCENARIOS / f"{name}.yaml")
    fold = SignalFold(loaded.scenario.queues, loaded.scenario.lasts)
    night, _, _ = play(loaded, 7, {}, heartbeats="simulated", also_to=Fed(fold))
    fold.close()
    jobs = list(zip(*(night.column(one) for one in (SUBMITTED, FINISHED, FINAL)), strict=True))
    for place in range(loaded.scenario.lasts // STEP):
        at = (place + 1) * STEP
        for queue in loaded.scenario.queues:
            its = [stays for kind, stays in zip(night.kinds, night.waiting, strict=True) if kind.queue == queue]
            begun = sum(one <= at for begins, _ in its for one in begins)
            ended = sum(one <= at for _, ends in its for one in ends)
            assert fold.samples[Signal("backlog", queue)][place] == begun - ended
        unfinished = sum(came <= at and not 0 <= ended <= at for came, ended, _ in jobs)
        done = sum(final == DONE and at - HOUR < ended <= at for _, ended, final in jobs)
        assert fold.samples[LEFT][place] == unfinished / max(1, done)
        lost = sum(at - HOUR < one.at <= at for one in night.lost)
        assert fold.samples[LOST][place] == lost


class Fed:
    """Hands every row on to a fold of signals."""

    def __init__(self, fold: SignalFold) -> None:
        self._fold = fold

    def emit(self, row: Row) -> int:
        self._fold.feed(row)
        return 0


@pytest.mark.parametrize(("why", "silent"), [("shut_down", 0), ("power_lost", 12)])
def test_nothing_is_expected_of_a_worker_that_was_shut_down(why: str, silent: float) -> None:
    """Heard of at 3 min and off from 4 min on: by plan it is not missed at 15 min, otherwise for 12 min."""
    s = Stream(MINUTE)
    s.add(3, "heartbeat_received", 0, "dome-1", 1, 1)
    s.add(4, "worker_changed", 0, "dome-1", "off", why, 1)
    assert sampled(s, 20 * MINUTE)[SILENCE][2] == silent
