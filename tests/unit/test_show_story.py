"""Stories worked out by hand: what a night of few jobs must be told as, sentence by sentence."""

from functools import lru_cache
from pathlib import Path

import pytest

from emulator.experiment.night import run_night
from emulator.measure.story.facts import Rows, settings_of
from emulator.measure.story.job import job_story
from emulator.measure.story.surroundings import Surroundings
from emulator.scenario.load import Loaded, load, load_text
from emulator.show.layout import columns
from emulator.show.story.writing import as_text, lines, sentences

SCENARIOS = Path(__file__).parents[2] / "scenarios"

SMALL = """\
title: Small
starts: 2026-06-12T21:30:00
zone: America/Santiago
lasts: 1h
queues:
  night: {lease: 90s, start_within: 10m, retry: {attempts_in_all: 3}}
  archive: {lease: 90s}
pools:
  dome: {count: 1, serves: [night, archive], heartbeat: 22s}
routines:
  copy: {queue: night, parts: [{name: copy, takes: 20m}]}
  wind: {queue: archive, requires: [tape], parts: [{name: wind, takes: 5m}]}
arrivals:
  - {routine: copy, name: copies, count: 3, at: "21:40"}
  - {routine: wind, name: winds, at: "21:45"}
  - {routine: copy, name: late, at: "22:20"}
faults:
  - {power_off: dome-1, at: "21:50", back_after: 5m}
actions:
  - {withdraw: copies#3, at: "21:42"}
"""
"""One worker, which loses its power from 21:50 to 21:55; jobs that are expired, withdrawn, never taken, unfinished."""


@lru_cache(maxsize=4)
def around(name: str) -> tuple[Surroundings, Loaded]:
    """Run a scenario, and give what is known of its run."""
    loaded = load_text(SMALL, "small.yaml") if name == "small" else load(SCENARIOS / f"{name}.yaml")
    result = run_night(loaded, keep_events=True)
    return Surroundings(Rows(result.rows or ()), settings_of(loaded.scenario), loaded.scenario.lasts), loaded


def told(name: str, job: int) -> list[str]:
    """Give the sentences of a job's story, each with its clock time."""
    surroundings, loaded = around(name)
    found = lines(job_story(surroundings, job), loaded.clock)
    return [f"{time} {text}".lstrip() for _, time, text, _ in found]


def test_power_lost_in_the_middle() -> None:
    """Heartbeats every 22 s from 21:30 on: the last before 21:50 is at 21:49:48, so the lease is lost at 21:51:18."""
    assert told("small", 1) == [
        "21:40:00 Submitted by copies (arrivals): queue night, routine copy.",
        "21:40:00 dome-1 took it: attempt 1, token 1, a lease of 1 min 30 s until 21:41:30.",
        "21:49:48 The last heartbeat of dome-1 that got through renewed the lease, until 21:51:18.",
        "21:50:00 dome-1 lost its power (a fault), and its work on attempt 1 was gone.",
        "21:51:18 The lease of dome-1 ran out and was lost (attempt 1): dome-1 had been off since 21:50:00.",
        "21:51:18 It waited 3 min 42 s for a worker, until 21:55:00: dome-1, the only worker that can take it, was not "
        "on or could not be reached.",
        "21:55:00 dome-1 took it: attempt 2, token 2, a lease of 1 min 30 s until 21:56:30.",
        "22:15:00 dome-1 handed in the outcome of attempt 2 after 20 min: ok; its heartbeats had kept the lease.",
        "22:15:00 It was done, 35 min after submission, in 2 attempts.",
    ]


def test_expired() -> None:
    """A job that may wait ten minutes expires after them, and the limit is named."""
    assert told("small", 2) == [
        "21:40:00 Submitted by copies (arrivals): queue night, routine copy.",
        "21:40:00 It waited 10 min for a worker, until 21:50:00: dome-1, the only worker that can take it, was busy. "
        "Meanwhile dome-1 took 1 other job.",
        "21:50:00 It failed, 10 min after submission (expired): it was not started in time.",
        "With a `start_within` longer than 10 min in the queue night, it would have waited on.",
    ]


def test_withdrawn() -> None:
    """A job that a person withdrew ends there, and no setting is blamed."""
    assert told("small", 3) == [
        "21:40:00 Submitted by copies (arrivals): queue night, routine copy.",
        "21:40:00 It waited 2 min for a worker, until 21:42:00: dome-1, the only worker that can take it, was busy. "
        "Meanwhile dome-1 took 1 other job.",
        "21:42:00 A person withdrew it, 2 min after submission: it failed (withdrawn).",
    ]


def test_never_taken_because_the_tool_was_missing() -> None:
    """A job whose tool nobody has waits to the end, and what would have helped is said."""
    assert told("small", 4) == [
        "21:45:00 Submitted by winds (arrivals): queue archive, routine wind.",
        "21:45:00 It waited 45 min for a worker, to the end: no worker was equipped with tape.",
        "22:30:00 It was unfinished when the run ended, 45 min after submission: queued.",
        "A worker of the queue archive equipped with tape could have taken it.",
    ]


def test_unfinished_at_the_end() -> None:
    """A job that a worker has when the run ends is told as unfinished."""
    assert told("small", 5) == [
        "22:20:00 Submitted by late (arrivals): queue night, routine copy.",
        "22:20:00 dome-1 took it: attempt 1, token 3, a lease of 1 min 30 s until 22:21:30.",
        "22:30:00 It was unfinished when the run ended, 10 min after submission: running on dome-1.",
    ]


def test_a_zombie_whose_effect_comes_late() -> None:
    """A frozen worker goes on and writes without a lease: the overlap, the late effect, and what would have helped."""
    assert told("zombie-writes-first", 1)[4:] == [
        "22:06:38 The last heartbeat of dome-1 that got through renewed the lease, until 22:08:08.",
        "22:06:48 dome-1 froze (a fault): it stood still.",
        "22:08:08 The lease of dome-1 ran out and was lost (attempt 1): dome-1 had stood still since 22:06:48.",
        "22:08:08 It waited 2 s for a worker, until 22:08:10: the request of an idle worker had not reached "
        "the broker yet.",
        "22:08:10 dome-2 took it: attempt 2, token 2, a lease of 1 min 30 s until 22:09:40. "
        "It began to work at 22:08:12.",
        "22:08:48 For 2 s, until 22:08:50, dome-1 and dome-2 worked on it at once: dome-1 did not know yet that its "
        "lease was over.",
        "22:08:48 dome-1 went on as if no time had passed.",
        "22:08:50 dome-1 left the effect 'written' on tape north, after its lease (token 1) had expired; "
        "archive took it all the same.",
        "22:08:50 dome-1 finished its work on attempt 1, 42 s after the lease was over.",
        "22:08:52 The broker refused the outcome of dome-1: its token 1 was stale.",
        "22:08:52 dome-1 was told that its lease (token 1) was lost.",
        "22:14:12 dome-2 repeated the effect 'written' on tape north (2nd time, not safe to repeat).",
        "22:14:14 dome-2 handed in the outcome of attempt 2 after 6 min 4 s: ok; its heartbeats had kept the lease.",
        "22:14:14 It was done, 13 min 28 s after submission, in 2 attempts.",
        "With a lease longer than 2 min 12 s in the queue night (it is 1 min 30 s), attempt 1 would not have lost it.",
        "With `fenced: asks_broker`, the system archive would have refused the late effect 'written'.",
    ]


def test_a_lost_result() -> None:
    """An outcome that does not get through: the job runs again, and the letter goes out twice."""
    assert told("lost-results", 7)[5:] == [
        "22:09:05 Attempt 1 left the effect 'sent' on letters#7.",
        "22:09:05 dome-2 had stopped and sent its outcome, but got no answer: 66 messages were lost, the last at "
        "22:19:55.",
        "22:10:22 The lease of dome-2 ran out and was lost (attempt 1): dome-2 had stopped working on it at 22:09:05, "
        "and no heartbeat named it any more.",
        "22:10:22 It paused for 10 s, until 22:10:32, before attempt 2.",
        "22:10:32 It waited 17.3 s for a worker, until 22:10:49: every worker that was on and could take it was busy.",
        "22:10:49 dome-3 took it: attempt 2, token 11, a lease of 1 min 30 s until 22:12:19.",
        "22:15:06 dome-3 repeated the effect 'sent' on letters#7 (2nd time, not safe to repeat).",
        "22:15:06 dome-3 handed in the outcome of attempt 2 after 4 min 18 s: ok; its heartbeats had kept the lease.",
        "22:15:06 It was done, 15 min 7 s after submission, in 2 attempts.",
        "22:20:05 The broker refused the outcome of dome-2: its token 7 was stale.",
        "With a lease longer than 11 min 14 s in the queue letters (it is 1 min 30 s), attempt 1 would not have lost "
        "it.",
    ]


def test_attempts_used_up_and_the_job_that_waited_for_it() -> None:
    """A job that failed in every attempt names the limit, and the job after it names that job."""
    assert told("after-a-failed-copy", 3)[-2:] == [
        "22:45:00 It failed, 45 min after submission, in 3 attempts (attempts used up): attempts in all: 3.",
        "With `attempts_in_all` above 3 in the queue night, it would have been tried again.",
    ]
    assert told("after-a-failed-copy", 11)[1:] == [
        "22:00:00 It was held for 45 min, until 22:45:00: copies#3 had to end first.",
        "22:45:00 It failed, 45 min after submission (prerequisite failed): copies#3, which goes before it, "
        "had failed.",
        "With `if_failed: go_on`, checks#3 would have gone on without that job.",
    ]


def test_one_lease_for_two_workers() -> None:
    """A double hand-out is called that, with the time for which both worked and the effect that came twice."""
    assert told("handed-out-twice", 5)[2:4] == [
        "22:20:00 A double hand-out: dome-3 got the lease of dome-2 too (token 5).",
        "22:20:00 For 6 min, until 22:26:00, dome-2 and dome-3 worked on it at once: they had the same lease.",
    ]


@pytest.mark.parametrize("name", ["a\x1b[2J\u202e", "x" * 10_000, "<script>", "\ud800"])
def test_hostile_names_do_no_harm(name: str) -> None:
    """No control character, no mark that turns the direction, and no name that fills the page reaches a terminal."""
    rows = [
        (0, "submitted", 0, 1, "", "queued", name, name, name, 1, name, 0, "", 0),
        (2_000_000, "handed_out", 1, 1, name, 1, 1, 92_000_000, 1),
        (2_000_000, "work_began", 2, 1, name, 1, 1),
        (3_000_000, "work_stopped", 3, 1, name, 1, 1, "said", {"said": name}),
        (3_000_000, "attempt_ended", 4, 1, name, 1, 1, "error", "said", 3_000_000, {"said": name}),
        (3_000_000, "finished", 5, 1, "", "failed", "attempts_used_up", "said", 1, {"said": name}),
    ]
    loaded = load_text(SMALL, "small.yaml")
    surroundings = Surroundings(Rows(rows), settings_of(loaded.scenario), loaded.scenario.lasts)
    story = job_story(surroundings, 1)
    text = as_text(story, sentences(story, loaded.clock, surroundings.causes.chain), loaded.clock).as_text()
    assert text.isascii()
    assert text.replace("\n", "").isprintable()
    assert max(columns(line) for line in text.splitlines()) <= 80
    assert len(text) < 3_000
