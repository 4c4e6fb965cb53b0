"""Stories of what happens seldom: keys, caps, fixed leases, silence, lost heartbeats, allowances, holds, suspension."""

from functools import lru_cache

import pytest

from emulator.experiment.night import run_night
from emulator.measure.story.facts import Rows, settings_of
from emulator.measure.story.job import job_story, worker_story
from emulator.measure.story.surroundings import Surroundings
from emulator.scenario.clock import Clock
from emulator.scenario.load import load_text
from emulator.show.story.writing import lines

RARE = """\
title: Rare
starts: 2026-06-12T21:00:00
zone: America/Santiago
lasts: 4h
queues:
  keyed: {lease: 90s, retry: {attempts_in_all: 2}}
  narrow: {lease: 90s, running_at_most: 1, time_limit: {after: 10m, then: fail}}
  fixed: {lease: 3m, renewed: false, retry: {attempts_in_all: 5, lost_leases_at_most: 1}}
  quiet: {lease: 5m, retry: {attempts_in_all: 2, total_limit: 20m}}
  lossy: {lease: 90s, retry: {attempts_in_all: 2}}
  stingy: {lease: 90s, retry: {attempts_in_all: 9, allowance: {holds: 1}}}
pools:
  key: {count: 2, serves: [keyed], heartbeat: 20s}
  nar: {count: 2, serves: [narrow], heartbeat: 20s}
  fix: {count: 1, serves: [fixed], heartbeat: 20s}
  qui: {count: 2, serves: [quiet], heartbeat: 20s, silence: 1m}
  los: {count: 2, serves: [lossy], heartbeat: 20s}
  sti: {count: 1, serves: [stingy], heartbeat: 20s}
routines:
  k: {queue: keyed, key: disk, parts: [{name: k, takes: 5m}]}
  n: {queue: narrow, parts: [{name: n, takes: 12m}]}
  f: {queue: fixed, parts: [{name: f, takes: 5m}]}
  q: {queue: quiet, parts: [{name: q, takes: 12m}]}
  l: {queue: lossy, parts: [{name: l, takes: 10m}]}
  s: {queue: stingy, requires: [], parts: [{name: s, takes: 1m, error_share: 1.0}]}
  late: {queue: keyed, parts: [{name: late, takes: 1m}]}
arrivals:
  - {routine: k, name: ks, count: 2, at: "21:10"}
  - {routine: n, name: ns, count: 2, at: "21:10"}
  - {routine: f, name: fs, at: "21:10"}
  - {routine: q, name: qs, at: "21:10"}
  - {routine: l, name: ls, at: "21:10"}
  - {routine: s, name: ss, at: "21:10"}
  - {routine: late, name: lates, at: "23:00", not_before: "23:10"}
  - {routine: late, name: downs, recurs: "FREQ=DAILY;BYHOUR=23;BYMINUTE=25", if_missed: once}
  - {routine: late, name: helds, at: "23:50"}
  - {routine: late, name: again, at: "00:10", idempotency_key: one}
  - {routine: late, name: again2, at: "00:11", idempotency_key: one}
  - {routine: k, name: susp, at: "00:20"}
  - {routine: k, name: fors, at: "00:40"}
faults:
  - {cut_link: qui-1, at: "21:12", lasts: 5m}
  - {lose_heartbeats: los-1, at: "21:12", lasts: 5m}
  - {broker_outage: true, at: "23:20", lasts: 10m}
  - {hand_out_twice: keyed, how: forgets, at: "00:39"}
  - {slow_down: key-1, at: "00:22", to: 0.5, lasts: 1m}
actions:
  - {hold: "helds#1", at: "23:50", lasts: 5m}
  - {suspend: "susp#1", at: "00:21", lasts: 2m}
  - {run_again: "ks#1", at: "00:30"}
  - {new_version: late, at: "23:40", requires: []}
"""
"""Each queue has its own pool and one thing that goes wrong; nothing is drawn, so that every time follows by hand."""


@lru_cache(maxsize=2)
def around(heartbeats: str) -> tuple[Surroundings, Clock]:
    """Run the night in one mode of heartbeats."""
    loaded = load_text(RARE + f"heartbeats: {heartbeats}\n", "rare.yaml")
    result = run_night(loaded, keep_events=True)
    return Surroundings(Rows(result.rows or ()), settings_of(loaded.scenario), loaded.scenario.lasts), loaded.clock


STORIES = {
    1: [
        "21:10:00 key-1 took it: attempt 1, token 1, a lease of 1 min 30 s until 21:11:30.",
        "21:15:00 key-1 handed in the outcome of attempt 1 after 5 min: ok; its heartbeats had kept the lease.",
        "21:15:00 It was done, 5 min after submission, in 1 attempt.",
        "00:30:00 A person resubmitted it as job 14.",
    ],
    2: [
        "21:10:00 It waited 5 min for a worker, until 21:15:00: another job with the key disk was running. Meanwhile "
        "these workers took 1 other job.",
        "21:15:00 key-2 took it: attempt 1, token 11, a lease of 1 min 30 s until 21:16:30.",
        "21:20:00 key-2 handed in the outcome of attempt 1 after 5 min: ok; its heartbeats had kept the lease.",
        "21:20:00 It was done, 10 min after submission, in 1 attempt.",
    ],
    4: [
        "21:10:00 It waited 10 min for a worker, until 21:20:00: the queue narrow ran as many jobs as it may. "
        "Meanwhile these workers took 1 other job.",
        "21:20:00 nar-2 took it: attempt 1, token 12, a lease of 1 min 30 s until 21:21:30.",
        "21:30:00 The broker ended attempt 1 on nar-2 after 10 min: time limit.",
        "21:30:00 It failed, 20 min after submission, in 1 attempt (time limit): the time limit of 10m was reached.",
        "21:30:00 nar-2 was told that its lease (token 12) was lost, and stopped.",
        "With a time limit of more than 10 min in the queue narrow, its attempt would have gone on.",
    ],
    5: [
        "21:10:00 fix-1 took it: attempt 1, token 3, a fixed lease of 3 min until 21:13:00.",
        "21:13:00 The lease of fix-1 ran out and was lost (attempt 1): a fixed lease is not renewed, and the work took "
        "longer.",
        "21:13:00 fix-1 was told that its lease (token 3) was lost, and stopped.",
        "21:13:00 fix-1 took it: attempt 2, token 9, a fixed lease of 3 min until 21:16:00.",
        "21:16:00 The lease of fix-1 ran out and was lost (attempt 2): a fixed lease is not renewed, and the work took "
        "longer.",
        "21:16:00 It failed, 6 min after submission, in 2 attempts (attempts used up): lost leases: 2, at most 1.",
        "21:16:00 fix-1 was told that its lease (token 9) was lost, and stopped.",
        "With `lost_leases_at_most` above 1 in the queue fixed, it would have been tried again, if its attempts in all "
        "allowed that.",
    ],
    6: [
        "21:10:00 qui-1 took it: attempt 1, token 4, a lease of 5 min until 21:15:00.",
        "21:12:00 qui-1 was cut off (a fault): no message got through to or from the broker, and it worked on.",
        "21:12:40 The broker had heard nothing of qui-1 since 21:11:40 and ended its lease (attempt 1): qui-1 had been "
        "cut off since 21:12:00.",
        "21:12:40 qui-2 took it: attempt 2, token 8, a lease of 5 min until 21:17:40.",
        "21:12:40 For 4 min 20 s, until 21:17:00, qui-1 and qui-2 worked on it at once: qui-1 did not know yet that "
        "its lease was over.",
        "21:17:00 qui-1 could be reached again.",
        "21:17:00 qui-1 was told that its lease (token 4) was lost, and stopped: it had worked 4 min 20 s without it.",
        "21:24:40 qui-2 handed in the outcome of attempt 2 after 12 min: ok; its heartbeats had kept the lease.",
        "21:24:40 It was done, 14 min 40 s after submission, in 2 attempts.",
    ],
    7: [
        "21:10:00 los-1 took it: attempt 1, token 5, a lease of 1 min 30 s until 21:11:30.",
        "21:11:40 The last heartbeat of los-1 that got through renewed the lease, until 21:13:10.",
        "21:13:10 The lease of los-1 ran out and was lost (attempt 1): heartbeats of los-1 were lost (a fault) from "
        "21:12:00 on.",
        "21:13:10 los-2 took it: attempt 2, token 10, a lease of 1 min 30 s until 21:14:40.",
        "21:13:10 For 3 min 50 s, until 21:17:00, los-1 and los-2 worked on it at once: los-1 did not know yet that "
        "its lease was over.",
        "21:17:00 los-1 was told that its lease (token 5) was lost, and stopped: it had worked 3 min 50 s without it.",
        "21:23:10 los-2 handed in the outcome of attempt 2 after 10 min: ok; its heartbeats had kept the lease.",
        "21:23:10 It was done, 13 min 10 s after submission, in 2 attempts.",
        "With a lease longer than 5 min 20 s in the queue lossy (it is 1 min 30 s), attempt 1 would not have lost it.",
    ],
    8: [
        "21:10:00 sti-1 took it: attempt 1, token 6, a lease of 1 min 30 s until 21:11:30.",
        "21:11:00 Attempt 1 on sti-1 ended after 1 min: error (s failed).",
        "21:11:00 sti-1 took it: attempt 2, token 7, a lease of 1 min 30 s until 21:12:30.",
        "21:12:00 Attempt 2 on sti-1 ended after 1 min: error (s failed).",
        "21:12:00 It failed, 2 min after submission, in 2 attempts (allowance used up): the queue's allowance of "
        "retries is used up.",
        "With `when_empty: wait`, the queue stingy would have let it wait for another retry.",
    ],
    9: [
        "23:00:00 It was held for 10 min, until 23:10:00: it was not due before.",
        "23:10:00 key-1 took it: attempt 1, token 13, a lease of 1 min 30 s until 23:11:30.",
        "23:11:00 key-1 handed in the outcome of attempt 1 after 1 min: ok.",
        "23:11:00 It was done, 11 min after submission, in 1 attempt.",
    ],
    10: [
        "23:30:00 key-2 took it: attempt 1, token 14, a lease of 1 min 30 s until 23:31:30.",
        "23:31:00 key-2 handed in the outcome of attempt 1 after 1 min: ok.",
        "23:31:00 It was done, 1 min after submission, in 1 attempt.",
    ],
    12: [
        "00:10:00 key-2 took it: attempt 1, token 16, a lease of 1 min 30 s until 00:11:30.",
        "00:11:00 It was submitted again under the key one, and taken for the same job.",
        "00:11:00 key-2 handed in the outcome of attempt 1 after 1 min: ok.",
        "00:11:00 It was done, 1 min after submission, in 1 attempt.",
    ],
    13: [
        "00:20:00 key-1 took it: attempt 1, token 17, a lease of 1 min 30 s until 00:21:30.",
        "00:21:00 A person asked to suspend it.",
        "00:21:00 key-1 suspended it.",
        "00:22:00 key-1 worked at speed 0.5 from then on.",
        "00:23:00 key-1 worked at speed 1 from then on.",
        "00:23:00 A person asked to resume it.",
        "00:23:00 key-1 resumed it.",
        "00:27:00 key-1 handed in the outcome of attempt 1 after 7 min: ok; its heartbeats had kept the lease.",
        "00:27:00 It was done, 7 min after submission, in 1 attempt.",
    ],
    15: [
        "00:40:00 key-1 took it: attempt 1, token 19, a lease of 1 min 30 s until 00:41:30.",
        "00:40:00 The broker forgot the lease with token 19 (a fault); key-1 did not know that.",
        "00:40:00 Attempt 1 on key-1 counted as lost, and the job went back to its queue at once.",
        "00:40:00 key-2 took it: attempt 2, token 20, a lease of 1 min 30 s until 00:41:30.",
        "00:40:00 For 20 s, until 00:40:20, key-1 and key-2 worked on it at once: the broker had forgotten the first "
        "lease.",
        "00:40:20 key-1 was told that its lease (token 19) was lost, and stopped: it had worked 20 s without it.",
        "00:45:00 key-2 handed in the outcome of attempt 2 after 5 min: ok; its heartbeats had kept the lease.",
        "00:45:00 It was done, 5 min after submission, in 2 attempts.",
    ],
}
"""What is told of some jobs after how they came."""


@pytest.mark.parametrize("job", STORIES)
def test_what_happens_seldom_is_told(job: int) -> None:
    """Each sentence, its clock time and its order are as worked out from the scenario."""
    surroundings, clock = around("computed")
    told = [f"{time} {text}".lstrip() for _, time, text, _ in lines(job_story(surroundings, job), clock)]
    assert told[1:] == STORIES[job]


def test_heartbeats_that_are_events_are_counted() -> None:
    """Where every heartbeat is simulated, the renewals are counted: one each 20 s, from 21:10:20 to 21:15:00."""
    surroundings, clock = around("simulated")
    told = [text for _, _, text, _ in lines(job_story(surroundings, 1), clock)]
    assert told[2] == "The last of 15 heartbeats of key-1 renewed the lease, until 21:16:30."


def test_a_worker_that_was_cut_off() -> None:
    """The story of a worker tells its faults, what it took, and how long it worked without a lease."""
    surroundings, clock = around("computed")
    told = [f"{time} {text}" for _, time, text, _ in lines(worker_story(surroundings, "qui-1"), clock)]
    assert told == [
        "21:00:00 It was switched on.",
        "21:00:00 It was ready for work.",
        "21:10:00 It took qs#1, attempt 1, token 4, and worked on it for 7 min (told that its lease is lost): lease "
        "lost (worker silent). Of that, 4 min 20 s were without a lease.",
        "21:12:00 A fault hit it: cut link.",
        "21:12:00 It was cut off from the broker, and worked on: both.",
        "21:12:40 The broker declared it lost: it had last heard of it at 21:11:40.",
        "21:17:00 That fault ended: cut link.",
        "21:17:00 It was at work: link restored.",
        "23:30:00 The broker declared it lost: it had last heard of it at 23:19:40.",
        "01:00:00 In all it took 1 attempt: 0 ended ok, 1 lost its lease. It worked 4 min 20 s without a lease.",
    ]
