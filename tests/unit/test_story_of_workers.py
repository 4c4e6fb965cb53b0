"""Stories of workers on rows written by hand: what they are told as, sentence by sentence."""

from story_rows import began, came, ended, out, row, stopped, told_of

from emulator.record.reasons import GOES_ON
from emulator.show.words import told


def changed(at: float, state: str, why: str = "") -> tuple[object, ...]:
    return row(at, "worker_changed", 0, "dome-1", state, why, 1)


def test_what_happened_to_a_worker_itself() -> None:
    """Its states, faults, people, speed, equipment, silence and lost messages are told in their order."""
    fault = "freeze", "faults[0]", 1, "dome-1"
    assert told_of(
        "dome-1",
        changed(0, "booting"), changed(1, "idle"), row(5, "fault_began", 0, "dome-1", *fault),
        changed(5, "frozen"), row(6, "worker_declared_lost", 0, "dome-1", 1, 4_000_000),
        row(7, "fault_ended", 0, "dome-1", *fault), row(7, "worker_registered", 0, "dome-1", 1),
        row(8, "worker_speed_changed", 0, "dome-1", 0.5), row(9, "equipment_changed", 0, "dome-1", "lens, tape"),
        row(10, "equipment_changed", 0, "dome-1", ""), row(11, "message_lost", 0, "dome-1", "renewal", 1, "out"),
        row(12, "message_lost", 0, "dome-1", "poll", 2, "out"),
        row(13, "action_taken", 0, "dome-1", "finish", "actions[0]", "dome-1"),
        changed(13, "draining"), changed(14, "off", "finished_and_left"),
    ) == [
        "21:00:00 It was switched on.",
        "21:00:01 It was ready for work.",
        "21:00:05 A fault hit it: freeze.",
        "21:00:05 It froze, and stood still.",
        "21:00:06 The broker declared it lost: it had last heard of it at 21:00:04.",
        "21:00:07 That fault ended: freeze.",
        "21:00:08 It worked at speed 0.5 from then on.",
        "21:00:09 It was equipped with lens and tape from then on.",
        "21:00:10 It was equipped with nothing from then on.",
        "21:00:11 2 messages between it and the broker were lost, the last at 21:00:12.",
        "21:00:13 A person told it: finish.",
        "21:00:13 It took nothing more, and finished what it had.",
        "21:00:14 It was off: finished and left.",
    ]  # fmt: skip


def test_one_message_that_was_lost() -> None:
    """One message is told as one."""
    lost = row(12, "message_lost", 0, "dome-1", "poll", 1, "out")
    assert told_of("dome-1", lost) == ["21:00:12 A message between it and the broker was lost."]


def test_attempts_that_ended_well_are_told_together() -> None:
    """Three jobs in a row that ended ok are one sentence; two are told one by one; so is one that ended in error."""
    rows = []
    for job in (1, 2, 3, 4, 5, 6):
        at = job * 10
        rows += [came(at, job), out(at, token=job, job=job), began(at, token=job, job=job)]
        outcome = ("error", "no") if job == 4 else ("ok", "")
        rows += [stopped(at + 5, token=job, job=job), ended(at + 5, *outcome, token=job, job=job)]
    assert told_of("dome-1", *rows) == [
        "21:00:10 It took 3 jobs until 21:00:35, copies#1 first and copies#3 last: all ok.",
        "21:00:40 It took copies#4, attempt 1, token 4, and worked on it for 5 s: error (no).",
        "21:00:50 It took copies#5, attempt 1, token 5, and worked on it for 5 s: ok.",
        "21:01:00 It took copies#6, attempt 1, token 6, and worked on it for 5 s: ok.",
    ]


def test_a_fault_that_hit_nothing_did_not_hit_the_worker() -> None:
    """One that began and missed at once is told as that, with the reason, and never as one that hit it."""
    fault = "freeze", "faults[0]", 1, "dome-1"
    missed = row(5, "fault_missed", 0, "dome-1", *fault, "was_off_or_frozen", cause=1)
    assert told_of("dome-1", row(5, "fault_began", 0, "dome-1", *fault), missed) == [
        "21:00:05 A fault hit nothing: freeze of dome-1: it was off or stood still."
    ]


def test_work_without_a_lease() -> None:
    """Work that went on after its lease is told with its length; so is what the broker refused as stale."""
    stale = [row(at, "stale_refused", 1, "dome-1", 1, what) for at, what in ((110, "renewal"), (120, "outcome"))]
    lost = ended(100, "lease_lost", "lease_ran_out")
    assert told_of("dome-1", came(10), out(10), began(10), lost, stale[0], stopped(120), stale[1]) == [
        "21:00:10 It took copies#1, attempt 1, token 1, and worked on it for 1 min 50 s: lease lost (lease ran out). "
        "Of that, 20 s were without a lease. The broker refused its outcome as stale."
    ]
    assert told_of("dome-1", came(10), out(10), lost) == [
        "21:00:10 It took copies#1, attempt 1, token 1, and never began: lease lost (lease ran out)."
    ]
    assert told_of("dome-1", came(10), out(10), began(10), lost, stopped(100, "power off")) == [
        "21:00:10 It took copies#1, attempt 1, token 1, and worked on it for 1 min 30 s (power off): lease lost "
        "(lease ran out). Its lease was over by then."
    ]
    assert told_of("dome-1", came(10), out(10), began(10)) == [
        "21:00:10 It took copies#1, attempt 1, token 1, and still worked on it at the end."
    ]


def test_a_double_hand_out() -> None:
    """A worker that got the lease of another is told so; that lease ends with the other's, whenever that is."""
    both = [came(10), out(10), began(10), began(10, "dome-2")]
    second = "21:00:10 A double hand-out gave it copies#1, attempt 1, token 1 too, and worked on it for 30 s"
    after = [ended(20, "ok"), stopped(40, worker="dome-2")]
    assert told_of("dome-2", *both, *after) == [second + ". Of that, 20 s were without a lease."]
    assert told_of("dome-2", *both, after[1]) == [second + "."]


def test_what_is_told_under_a_token_that_is_not_known() -> None:
    """In a log with gaps, what comes under a token whose hand-out and work are not there tells of no attempt."""
    assert told_of("dome-1", stopped(20, token=9), ended(20, "ok", token=9)) == []


def test_a_worker_that_goes_on_is_told_of_alike_in_a_story_and_where_a_night_is_watched() -> None:
    """Without a reason in brackets: the words say it."""
    event = changed(5, "busy", GOES_ON)
    assert told_of("dome-1", changed(0, "frozen"), event)[1:] == ["21:00:05 It went on as if no time had passed."]
    assert told(event, "", str) == "dome-1 went on as if no time had passed"
