"""Stories of rows written by hand: what a run brings about seldom, or only a log that was cut or has gaps."""

import pytest
from story_rows import LOST, ON, SCENARIO, began, came, ended, failed, out, row, stopped, surroundings, told

from emulator.errors import DefectError
from emulator.measure.story.job import job_story
from emulator.record.event_view import views
from emulator.record.events import Row
from emulator.record.history import Work, job_of, overlaps
from emulator.show.story.writing import lines
from emulator.timeline.ticks import SECOND

TOOK = "21:00:10 dome-1 took it: attempt 1, token 1, a lease of 1 min 30 s until 21:01:40."
UNFINISHED = "22:00:00 It was unfinished when the run ended, 59 min 50 s after submission: "
LEASE_LOST = "21:01:40 The lease of dome-1 ran out and was lost (attempt 1): "
NO_BEAT = " No heartbeat had renewed it."


# -- attempts -----------------------------------------------------------------------------------------------------


def test_work_moves_where_it_does_not_stand() -> None:
    """Work that stands still at its beginning, for no time, and at its end moves in between."""
    work = Work("dome-1", 1, 0, 1, stopped=10, still=[(0, 3), (5, 5)], stands=8)
    assert work.moves(99) == [(3, 5), (5, 8)]


def test_an_overlap_with_a_stop_of_no_length_is_one() -> None:
    """Two workers at one job, one of which stands still for no time, and goes on once more: one overlap."""
    rows = [
        out(0), began(0), began(0, "dome-2"),
        row(5, "work_paused", 1, "dome-1", 1), row(5, "work_paused", 1, "dome-1", 1),
        row(5, "work_continued", 1, "dome-1", 1), row(5, "work_continued", 1, "dome-1", 1),
        stopped(10), stopped(10, worker="dome-2"),
    ]  # fmt: skip
    [(begin, end, who)] = overlaps(job_of(views(rows)).attempts, 99 * SECOND)
    assert (begin, end, [work.worker for work in who]) == (0, 10 * SECOND, ["dome-1", "dome-2"])


def test_handed_back_unstarted() -> None:
    """A job that its worker gave back waits again, and that attempt does not count."""
    assert told(
        *ON, came(10), out(10), row(20, "handed_back", 1, "dome-1", "queued", 1, 1), out(30, "dome-2", 2),
        began(30, "dome-2", 2),
    ) == [
        TOOK + " It never began to work.",
        "21:00:20 dome-1 gave it back unstarted; the attempt does not count.",
        "21:00:20 It waited 10 s for a worker, until 21:00:30: "
        "the request of an idle worker had not reached the broker yet.",
        "21:00:30 dome-2 took it: attempt 1, token 2, a lease of 1 min 30 s until 21:02:00.",
        UNFINISHED + "running on dome-2.",
    ]  # fmt: skip


def test_never_began() -> None:
    """A worker that is there, and never begins what was handed to it, loses the lease for that."""
    assert told(*ON, came(10), out(10), ended(100, *LOST), failed(100, "attempts_used_up")) == [
        TOOK + " It never began to work.",
        LEASE_LOST + "dome-1 never began to work on it.",
        "21:01:40 It failed, 1 min 30 s after submission, in 1 attempt (attempts used up).",
    ]


def test_no_heartbeat_got_through_though_it_worked() -> None:
    """Where nothing else explains it, no heartbeat got through; a skewed clock leads to it; the worker works on."""
    fault = row(5, "fault_began", 0, "dome-1", "skew_clock", "faults[0]", 1, "dome-1")
    rows = (*ON, fault, came(10), out(10), began(10), ended(100, *LOST), failed(100, "attempts_used_up"))
    assert told(*rows) == [
        TOOK,
        LEASE_LOST + "no heartbeat of dome-1 got through in time, though it was at work." + NO_BEAT,
        "21:01:40 dome-1 worked on without a lease from then on, to the end of what the log tells.",
        "21:01:40 It failed, 1 min 30 s after submission, in 1 attempt (attempts used up).",
    ]
    around, _ = surroundings(*rows)
    assert [fact.because for fact in job_story(around, 1).facts if fact.what == "lost"] == [(3,)]
    over = row(50, "fault_ended", 0, "dome-1", "skew_clock", "faults[0]", 1, "dome-1", cause=3)
    around, _ = surroundings(*rows[:5], over, *rows[5:])
    assert [fact.because for fact in job_story(around, 1).facts if fact.what == "lost"] == [()]


def test_a_fault_that_hit_nothing_loses_no_lease() -> None:
    """Heartbeats that a fault would have lost, had it hit anything, are not told to be the reason."""
    fault = "lose_heartbeats", "faults[0]", 1, "dome-1"
    began_ = row(20, "fault_began", 0, "dome-1", *fault)
    missed = row(20, "fault_missed", 0, "dome-1", *fault, "was_off", cause=5)
    tried, lost = (*ON, came(10), out(10), began(10), began_), (ended(100, *LOST), failed(100, "attempts_used_up"))
    assert "heartbeats of dome-1 were lost" in told(*tried, *lost)[1]
    assert told(*tried, missed, *lost)[1] == (
        LEASE_LOST + "no heartbeat of dome-1 got through in time, though it was at work." + NO_BEAT
    )


def test_an_outage_that_moved_the_end_of_a_lease_tells_of_no_heartbeat() -> None:
    """After an outage that pushed the ends of leases out, the end of a lease does not tell when it was renewed."""
    outage = row(20, "broker_down"), row(80, "broker_up"), row(85, "broker_up")
    lost = ended(160, *LOST), failed(160, "attempts_used_up")
    assert told(*ON, came(10), out(10), began(10), *outage, *lost) == [
        TOOK,
        "21:02:40 The lease of dome-1 ran out and was lost (attempt 1): no heartbeat of dome-1 got through in time, "
        "though it was at work.",
        "21:02:40 dome-1 worked on without a lease from then on, to the end of what the log tells.",
        "21:02:40 It failed, 2 min 30 s after submission, in 1 attempt (attempts used up).",
    ]


def test_states_told_after_the_end_of_work_do_not_concern_it() -> None:
    """A worker that stopped by its own clock, and froze after that: the freeze is no trouble of this attempt."""
    own = "own_clock"
    frozen = row(80, "worker_changed", 0, "dome-1", "frozen", "", 1)
    assert told(*ON, came(10), out(10), began(10), stopped(70, own), frozen, ended(100, *LOST)) == [
        TOOK,
        "21:01:10 dome-1 stopped by itself: its own clock said that the lease had ended.",
        LEASE_LOST + "dome-1 had stood still since 21:01:20." + NO_BEAT,
        UNFINISHED + "running on dome-1.",
    ]


def test_trouble_is_the_last_bad_state() -> None:
    """A worker that was cut off and is back by the time its lease ends had been cut off."""
    cut = row(20, "worker_changed", 0, "dome-1", "cut_off", "out", 1)
    back = row(90, "worker_changed", 0, "dome-1", "idle", "link_restored", 1)
    assert told(*ON, came(10), out(10), began(10), cut, back, ended(100, *LOST))[1:4] == [
        "21:00:20 dome-1 was cut off: no message got through to the broker, and it worked on.",
        "21:01:30 dome-1 could be reached again.",
        LEASE_LOST + "dome-1 had been cut off since 21:00:20." + NO_BEAT,
    ]


def test_a_heartbeat_that_was_refused() -> None:
    """A renewal under a lease that is over is told, also of a worker that never hears of it."""
    refused = row(120, "stale_refused", 1, "dome-1", 1, "renewal"), row(130, "stale_refused", 1, "dome-1", 1, "renewal")
    after = told(*ON, came(10), out(10), began(10), ended(100, *LOST), *refused, stopped(140, "power off"))[2:]
    assert after == [
        "21:02:00 The broker refused the renewal of dome-1: its token 1 was stale.",
        "21:02:20 dome-1 stopped its work on attempt 1, 40 s after the lease was over: power off.",
        UNFINISHED + "running on dome-1.",
        "With a lease longer than 1 min 50 s in the queue night (it is 1 min 30 s), attempt 1 would not have lost it.",
    ]


def test_a_call_that_was_served_late_and_an_outcome_without_an_answer() -> None:
    """What a system did after its caller had gone is told; so is an outcome that got no answer, with the broker up."""
    rows = (
        *ON, came(10), out(10), began(10), row(15, "part_finished", 1, "dome-1", 1, 1, "copy", "one", False),
        row(20, "call_served_late", 1, "dome-1", 1, 1, "archive"),
        stopped(30), row(40, "outcome_unanswered", 1, "dome-1", 1), ended(100, *LOST), failed(100, "attempts_used_up"),
    )  # fmt: skip
    assert told(*rows) == [
        TOOK,
        "21:00:15 dome-1 finished its part copy (one).",
        "21:00:20 archive finished the call of attempt 1 after its caller had gone.",
        "21:00:30 dome-1 had stopped and sent its outcome, but got no answer: none came in time.",
        LEASE_LOST + "dome-1 had stopped working on it at 21:00:30, and no heartbeat named it any more." + NO_BEAT,
        "21:01:40 It failed, 1 min 30 s after submission, in 1 attempt (attempts used up).",
    ]
    assert told(*rows[:7], row(35, "broker_down"), *rows[7:])[3].endswith(" no answer: the broker was down.")


@pytest.mark.parametrize(
    ("before", "outcome", "because"),
    [
        ([], "no_access", [6]),
        ([row(1, "access_changed", 0, "", "dome", "archive", "ended")], "no_access", [7, 3]),
        ([row(1, "access_changed", 0, "", "dome", "attic", "ended")], "no_access", [7]),
        ([row(1, "system_changed", 0, "", "archive", "down")], "refused", [7, 3]),
        ([row(1, "system_changed", 0, "", "archive", "up")], "refused", [7]),
        ([], "error", [6]),
        ([], "ok", []),
    ],
)
def test_what_led_to_a_bad_call(before: list[Row], outcome: str, because: list[int]) -> None:
    """An attempt that ended in error after a bad call names the call, and what was the matter with its system."""
    call = row(20, "call_ended", 1, "dome-1", 1, 1, "archive", outcome, 5 * SECOND)
    around, _ = surroundings(*ON, *before, came(10), out(10), began(10), call, stopped(20), ended(20, "error", "no"))
    assert [list(fact.because) for fact in job_story(around, 1).facts if fact.what == "ended"] == [because]


@pytest.mark.parametrize(
    ("before", "why", "because"),
    [
        ([row(1, "fault_began", 0, "", "poison_job", "faults[0]", 1, "copies#1")], "fails_every_time", [3]),
        ([row(1, "fault_began", 0, "", "poison_job", "faults[0]", 1, "copies#2")], "fails_every_time", []),
        ([], "fails_every_time", []),
        ([row(1, "equipment_changed", 0, "dome-1", "lens")], "dome-1 has no tape", []),  # which it does not require
    ],
)
def test_what_led_to_an_error(before: list[Row], why: str, because: list[int]) -> None:
    """An error of a poisoned job names the fault, whatever is said of it."""
    rows = (*ON, *before, came(10), out(10), began(10), stopped(20), ended(20, "error", why))
    around, _ = surroundings(*rows)
    assert [list(fact.because) for fact in job_story(around, 1).facts if fact.what == "ended"] == [because]


@pytest.mark.parametrize(
    ("has", "end", "because"),
    [
        (["lens"], 10, [3]),
        (["tape", "lens, filter"], 10, [4]),
        (["lens", "lens, tape"], 10, []),  # it had the tape
        (["lens"], 20, []),  # it had begun, and failed of itself
        ([], 10, []),  # nothing took it away
    ],
)
def test_what_took_a_tool_away(has: list[str], end: float, because: list[int]) -> None:
    """An error for lack of a tool names the change that took it away; whether it is one is told by no sentence."""
    changes = (row(1, "equipment_changed", 0, "dome-1", items) for items in has)
    wind = came(10, queue="any", routine="wind")
    rows = (*ON, *changes, wind, out(10), began(10), stopped(end), ended(end, "error", "no good"))
    around, _ = surroundings(*rows)
    assert [list(fact.because) for fact in job_story(around, 1).facts if fact.what == "ended"] == [because]


# -- what another setting would have changed ------------------------------------------------------------------------


def test_a_queue_that_does_not_match_equipment() -> None:
    """A job that failed for lack of a tool is not handed to such a worker where equipment is matched."""
    wind = came(10, queue="any", routine="wind")
    lacked = (*ON, wind, out(10), began(10), stopped(10), ended(10, "error", "dome-1 has no tape"))
    assert told(*lacked)[-1] == "With `matches_equipment: true`, the queue any would not have handed it to dome-1."
    copied = (*ON, came(10, queue="any"), *lacked[3:])  # requires nothing, whatever is said
    assert told(*copied)[-1] == UNFINISHED + "running on dome-1."


@pytest.mark.parametrize(
    ("queue", "sub_state", "sentence"),
    [
        ("timed", "out_of_time", "With a `total_limit` longer than 20 min in the queue timed, it would have gone on."),
        (
            "one",
            "time_limit",
            "With `at_most` above 2 for the time limit of the queue one, it would have been tried again.",
        ),
        ("spent", "time_limit", "21:00:20 It failed, 10 s after submission, in 1 attempt (time limit)."),
        ("within", "time_limit", "21:00:20 It failed, 10 s after submission, in 1 attempt (time limit)."),
        ("night", "out_of_time", "21:00:20 It failed, 10 s after submission, in 1 attempt (out of time)."),
    ],
)
def test_limits(queue: str, sub_state: str, sentence: str) -> None:
    """A job that failed at a limit is told which; where its queue has no such limit, nothing is.

    Nor is anything said of a cap where another limit would have ended the job all the same, or might have.
    """
    rows = (*ON, came(10, queue=queue), out(10), began(10), stopped(20), ended(20, "error", "no"))
    assert told(*rows, failed(20, sub_state))[-1] == sentence


LIMITED = SCENARIO.replace(
    "any: {lease: 90s, matches_equipment: false}",
    "any: {lease: 90s, retry: {attempts_in_all: 2, lost_leases_at_most: 0, retried: [error, lease_lost]}, "
    "time_limit: {after: 10m, then: start_over}}",
)
ABOVE = "With `{}` above {} in the queue any, it would have been tried again."
ALLOWED = ", if its attempts in all allowed that."
NOTHING = "21:0{}:{:02} It failed, {} after submission, in {} (attempts used up): SAID."
FIRST = (out(10), began(10), stopped(20, "no"), ended(20, "error", "no"))
AGAIN = {"token": 2, "attempt": 2}


@pytest.mark.parametrize(
    ("rows", "attempts", "end", "sentence"),
    [
        (  # a second error: no third attempt
            (*FIRST, out(30, **AGAIN), ended(40, "error", "no", **AGAIN)),
            2, 40, ABOVE.format("attempts_in_all", 2),
        ),
        ((out(10), ended(100, *LOST)), 1, 100, ABOVE.format("lost_leases_at_most", 0)[:-1] + ALLOWED),
        (  # either limit would have ended it
            (*FIRST, out(30, **AGAIN), ended(120, *LOST, **AGAIN)),
            2, 120, NOTHING.format(2, 0, "1 min 50 s", "2 attempts"),
        ),
        (  # the worker hands in an outcome that is not retried
            (out(10), began(10), stopped(20, "no"), ended(20, "time_limit", "no")),
            1, 20, NOTHING.format(0, 20, "10 s", "1 attempt"),
        ),
        (  # an outcome that no queue retries
            (out(10), began(10), stopped(20, "no"), ended(20, "permanent_error", "no")),
            1, 20, NOTHING.format(0, 20, "10 s", "1 attempt"),
        ),
        (  # the broker cuts it off at the time limit of the queue, after which it starts over
            (*FIRST, out(30, **AGAIN), began(30, **AGAIN), ended(40, "time_limit", "time_limit", **AGAIN)),
            2, 40, ABOVE.format("attempts_in_all", 2),
        ),
    ],
)  # fmt: skip
@pytest.mark.parametrize(
    "said", ["attempts in all: 2", "lost leases: 1, at most 0", "the outcome error is not retried"]
)
def test_which_limit_ended_a_job(rows: tuple[Row, ...], attempts: int, end: int, sentence: str, said: str) -> None:
    """Which limit on attempts ended a job is told by its attempts, and never by what the event says in words."""
    over = failed(end, "attempts_used_up", said, attempts)
    assert told(*ON, came(10, queue="any"), *rows, over, scenario=LIMITED)[-1] == sentence.replace("SAID", said)


def test_a_late_effect_under_the_strictest_fence_blames_no_setting() -> None:
    """An effect that came late although its system asks the broker: no other fence would have refused it."""
    landed = row(120, "effect_landed", 1, "dome-1", 1, 1, "copied", "plate-1", False)
    assert told(*ON, came(10), out(10), began(10), ended(100, *LOST), landed)[3:] == [
        "21:02:00 dome-1 left the effect 'copied' on plate-1, after its lease (token 1) had expired; "
        "archive took it all the same.",
        UNFINISHED + "running on dome-1.",
    ]


def test_effects_that_were_refused_or_found() -> None:
    """An effect that a system refused is told with the reason, one that was there already with whoever looked."""
    refused = row(20, "effect_refused", 1, "dome-1", 1, 1, "copied", "plate-1", "token_is_stale")
    unknown = row(21, "effect_refused", 1, "dome-1", 1, 1, "wound", "plate-1", "token_is_stale")
    found = row(22, "effect_found", 1, "dome-1", 1, 1, "copied", "plate-2")
    assert told(*ON, came(10), out(10), began(10), refused, unknown, found) == [
        TOOK,
        "21:00:20 archive refused copied on plate-1 from dome-1: its token is stale.",
        "21:00:21 The system refused wound on plate-1 from dome-1: its token is stale.",
        "21:00:22 dome-1 checked first: the effect copied was on plate-2 already; skipped.",
        UNFINISHED + "running on dome-1.",
    ]


# -- holds and waits --------------------------------------------------------------------------------------------------


def test_a_hold_of_no_length_and_an_end_without_a_hold_are_passed_over() -> None:
    """What was held and released at one instant was not held; the end of a hold that nothing tells of is no hold."""
    held = row(10, "held", 1, "", "queued_held", "by_person"), row(10, "hold_ended", 1, "", "queued", "by_person")
    unknown = row(10, "hold_ended", 1, "", "queued", "not_due")
    assert told(*ON, came(10), *held, unknown, out(10), began(10)) == [TOOK, UNFINISHED + "running on dome-1."]


def test_why_a_job_waited_changes_with_time() -> None:
    """A queue that a person held, an outage, a full queue, no worker: each reason has its time, in this order."""
    rows = (
        *ON, row(5, "queue_held", 0, "", "any"),
        came(10, 2, queue="one"), out(10, "dome-2", 1, job=2), began(10, "dome-2", 1, job=2),
        came(10, queue="one"),
        row(20, "queue_held", 0, "", "one"), row(22, "queue_held", 0, "", "one"),
        row(30, "queue_released", 0, "", "one"), row(30, "queue_released", 0, "", "one"),
        row(40, "broker_down"), row(50, "broker_up"),
        ended(60, "ok", "", "dome-2", job=2), stopped(60, "told", "dome-2", job=2),
        came(60, 3, queue="one"), out(60, "dome-2", 2, job=3), began(60, "dome-2", 2, job=3),
        ended(70, "error", "", "dome-2", 2, job=3), ended(70, "error", "", "dome-2", 2, job=3),
        stopped(70, "told", "dome-2", 2, job=3),
        row(75, "worker_changed", 0, "dome-1", "off", "", 1), row(75, "worker_changed", 0, "dome-2", "off", "", 1),
        row(80, "queue_held", 0, "", "one"),
    )  # fmt: skip
    assert told(*rows) == [
        "21:00:10 It waited 59 min 50 s for a worker, to the end. For 40 s the queue one ran as many jobs as it may. "
        "For 58 min 50 s a person had the queue one on hold. For 10 s the broker was down. "
        "For 5 s the request of an idle worker had not reached the broker yet. "
        "For 5 s of the 2 workers that can take it none was on and could be reached. "
        "Meanwhile these workers took 2 other jobs.",
        UNFINISHED + "queued.",
    ]


def test_a_key_that_stays_busy() -> None:
    """Two jobs with the key of one that never ends wait for the same lease."""
    rows = (*ON, came(10, 2, key="disk"), out(10, "dome-2", job=2), came(10, key="disk"), came(20, 3, key="disk"))
    around, clock = surroundings(*rows)
    assert [lines(job_story(around, job), clock)[1][2] for job in (1, 3)] == [
        "It waited 59 min 50 s for a worker, to the end: another job with the key disk was running. "
        "Meanwhile these workers took 1 other job.",
        "It waited 59 min 40 s for a worker, to the end: another job with the key disk was running.",
    ]


def test_equipment_comes_and_goes() -> None:
    """A job waits for a worker with its tool, then for the one that has it and is busy, then for none again."""
    rows = (
        *ON, came(10, routine="wind"), row(20, "equipment_changed", 0, "dome-2", "lens, tape"),
        row(30, "equipment_changed", 0, "dome-2", ""),
    )  # fmt: skip
    assert told(*rows) == [
        "21:00:10 It waited 59 min 50 s for a worker, to the end. For 59 min 40 s no worker was equipped with tape. "
        "For 10 s the request of an idle worker had not reached the broker yet.",
        UNFINISHED + "queued.",
        "A worker of the queue night equipped with tape could have taken it.",
    ]


def test_a_new_version_requires_something_else() -> None:
    """What a new version requires counts for what comes after it; one that says nothing of it changes nothing."""
    new = [row(5, "action_taken", 0, "", "new_version", f"actions[{number}]", "wind") for number in (0, 1)]
    waits = "21:00:10 It waited 59 min 50 s for a worker, to the end: "
    idle = waits + "the request of an idle worker had not reached the broker yet."
    none = waits + "no worker was equipped with tape."
    assert told(*ON, *new, came(10, routine="wind"))[0] == idle
    assert told(*ON, new[1], came(10, routine="wind"))[0] == none


def test_many_slots_taken() -> None:
    """Of a worker's slots the first twenty that are taken are named; those that were free again are not."""
    rows = [row(0, "worker_changed", 0, "wide-1", "idle", "", 1)]
    for job in range(2, 33):
        rows += [came(1, job, queue="far", routine="far"), out(1, "wide-1", job, job=job)]
        rows += [began(1, "wide-1", job, job=job)]
        if job == 5:
            rows += [stopped(2, "told", "wide-1", job, job=job), ended(2, "ok", "", "wide-1", job, job=job)]
    around, _ = surroundings(*rows, came(10, queue="far", routine="far"))
    [fact] = [fact for fact in job_story(around, 1).facts if fact.what == "waited"]
    outs = [number for number, one in enumerate(rows, 1) if one[1] == "handed_out" and one[3] != 5]
    assert (fact.values["pieces"][0].reason, fact.because) == ("all busy", tuple(outs[:20]))


def test_no_idle_worker_is_named_where_none_is() -> None:
    """To name an idle worker where there is none is a defect, and not passed over."""
    around, _ = surroundings(came(10))
    with pytest.raises(DefectError, match="no worker was idle at tick 0, though a story is to say so"):
        around.occupation("nowhere").idle_one((), 0)


def test_a_log_that_ends_with_the_submission() -> None:
    """Of a job that came with the last event that is known, nothing but that is told."""
    assert told(*ON, came(10, routine="wind"), finished=False) == [
        "21:00:10 It was unfinished at the last event that is known, 0 s after submission: queued."
    ]


def test_a_job_that_no_event_tells_of_has_no_name() -> None:
    """What is not known has no name."""
    around, _ = surroundings(came(10))
    assert (around.name(1), around.name(2)) == ("copies#1", "")


def test_a_fence_that_would_have_refused_a_late_effect() -> None:
    """Where a later token had left its effect before, the fence of the highest token would refuse the late one."""
    landed = [row(at, "effect_landed", 1, who, token, token, "copied", "plate-1", True)
              for at, who, token in ((115, "dome-2", 2), (120, "dome-1", 1))]  # fmt: skip
    rows = (*ON, came(10), out(10), began(10), ended(100, *LOST), out(110, "dome-2", 2, attempt=2), *landed)
    said = "With `fenced: highest_token`, the system archive would have refused the late effect 'copied'."
    loose = SCENARIO.replace("fenced: asks_broker", "fenced: no")
    assert [text for text in told(*rows, scenario=loose) if text.startswith("With")] == [said]


def test_a_job_that_a_fault_brought() -> None:
    """What came because of a fault says so, and names it."""
    surge = row(5, "fault_began", 0, "", "surge", "faults[0]", 1, "copies")
    rows = (*ON, surge, (*came(10)[:2], 3, *came(10)[3:]), out(10), began(10))
    around, clock = surroundings(*rows)
    said = "Submitted by a fault (surge) for copies (arrivals): queue night, routine copy."
    assert lines(job_story(around, 1), clock)[0][2] == said


def test_an_attempt_that_people_ended() -> None:
    """A worker that finishes and leaves, two parts that were done, a job that a person withdrew."""
    finishing = row(20, "worker_changed", 0, "dome-1", "draining", "", 1)
    parts = [row(at, "part_finished", 1, "dome-1", 1, 1, name, "", False) for at, name in ((30, "read"), (40, "write"))]
    withdrawn = (
        ended(50, "lease_lost", "withdrawn"),
        failed(50, "withdrawn"),
        stopped(50, "told_lease_lost"),
    )
    assert told(*ON, came(10), out(10), began(10), finishing, *parts, *withdrawn) == [
        TOOK,
        "21:00:20 dome-1 took nothing more, and finished what it had.",
        "21:00:40 dome-1 had finished 2 parts, the last write.",
        "21:00:50 Attempt 1 on dome-1 was over: the job was withdrawn.",
        "21:00:50 A person withdrew it, 40 s after submission, in 1 attempt: it failed (withdrawn).",
    ]


def test_a_lease_that_ended_during_an_outage() -> None:
    """A lease whose end the broker found late, because it was down, says how much earlier it had been due."""
    lost = row(160, "attempt_ended", 1, "dome-1", 1, 1, *LOST, 100 * SECOND)
    assert told(*ON, came(10), out(10), began(10), row(90, "broker_down"), row(160, "broker_up"), lost)[1] == (
        "21:02:40 The lease of dome-1 ran out and was lost (attempt 1): no heartbeat of dome-1 got through in time, "
        "though it was at work. No heartbeat had renewed it. It had been due to end 1 min before, while the broker was "
        "down."
    )
