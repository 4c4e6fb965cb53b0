"""What do heartbeats renew, and when is a worker that sends none declared lost? The same in both modes of heartbeats.

Every instant is worked out by hand; ``s`` is a second in ticks. Faults and actions of an instant go before messages.
"""

from typing import Any

import pytest
from broker_driver import Driver

from emulator.broker.rules import DataRetry, QueueRules
from emulator.broker.workers import HeartbeatReply
from emulator.record.events import HEARTBEAT_KINDS, Row
from emulator.record.fold import fold, verify
from emulator.record.recorder import Recorder
from emulator.scenario.load import from_settings
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

s = 1_000_000
MODES = ("computed", "simulated")


def _run(mode: str, pool: dict[str, Any], *, takes: str = "10m", seed: int = 1, **more: Any) -> list[Row]:
    """Run a night of one worker (unless said otherwise) that does jobs of one part."""
    settings = {
        "title": "a night",
        "starts": "2026-06-12T21:30:00",
        "lasts": "1h",
        "queues": {"night": {"retry": {"attempts_in_all": 3}}},
        "pools": {"dome": {"count": 1, "serves": ["night"], **pool}},
        "routines": {"plate-copy": {"queue": "night", "parts": [{"name": "copy", "takes": takes}]}},
        "arrivals": [{"routine": "plate-copy", "name": "plates", "at": "+5m"}],
        **more,
    }
    agenda, recorder = Agenda(), Recorder()
    world = World(from_settings(settings), seed, agenda, recorder, heartbeats=mode)
    world.start()
    world.run()
    world.close()
    verify(recorder.rows)
    assert fold(recorder.rows) == world.broker.snapshot()
    return recorder.rows


def _seconds(rows: list[Row], *kinds: str) -> list[tuple[float, str]]:
    return [(row[0] / s, row[1]) for row in rows if row[1] in kinds]


def _in_both(pool: dict[str, Any], **more: Any) -> list[Row]:
    """Run in both modes, see that everything but heartbeats is alike, and give the rows of the computed one."""
    computed, simulated = ([row for row in _run(mode, pool, **more) if row[1] not in HEARTBEAT_KINDS] for mode in MODES)
    assert [(row[0], row[1], *row[3:]) for row in computed] == [(row[0], row[1], *row[3:]) for row in simulated]
    return computed


def test_a_lease_that_an_outage_pushed_out_is_lost_when_its_worker_has_stopped_itself() -> None:
    """Heartbeats every 30 s from 0 on, a lease of 90 s, the broker down from 600 to 900 s.

    The job of 300 s is handed out then and renewed up to the heartbeat of 570 s: until 660 s, when the worker stops by
    its own clock. The outage pushes that end to 960 s. Attempt 2 runs from 960 s for 20 min.
    """
    rows = _in_both(
        {"heartbeat": "30s", "stops_at_lease_end": True},
        takes="20m",
        broker={"leases_during_outage": "extend"},
        faults=[{"broker_outage": True, "at": "+10m", "lasts": "5m"}],
    )
    kinds = ("handed_out", "work_stopped", "attempt_ended", "finished")
    assert _seconds(rows, *kinds) == [
        (300, "handed_out"),
        (660, "work_stopped"),
        (960, "attempt_ended"),
        (960, "handed_out"),
        (2160, "work_stopped"),
        (2160, "attempt_ended"),
        (2160, "finished"),
    ]


def test_a_lease_that_an_outage_pushed_out_is_lost_when_its_worker_has_no_power() -> None:
    """The same with the power cut at 590 s: the lease from the heartbeat of 570 s, until 660 s, is lost at 960 s."""
    rows = _in_both(
        {"heartbeat": "30s"},
        broker={"leases_during_outage": "extend"},
        faults=[
            {"power_off": "dome-1", "at": "+590s", "back_after": "1s"},
            {"broker_outage": True, "at": "+10m", "lasts": "5m"},
        ],
    )
    assert _seconds(rows, "handed_out", "attempt_ended", "finished") == [
        (300, "handed_out"),
        (960, "attempt_ended"),
        (960, "handed_out"),
        (1560, "attempt_ended"),
        (1560, "finished"),
    ]


# -- messages that overtake each other --------------------------------------------------------------------------------


def test_an_overtaken_heartbeat_renews_nothing() -> None:
    """The second message came at 20 and renewed until 120; the first, at 30, is old: no answer, no event."""
    d = Driver(QueueRules("night", lease=100, retry=DataRetry(attempts_in_all=9)))
    d.register("dome-1", silence=None)
    d.submit()
    d.taken()
    assert d.broker.heartbeat(20, 0, d.message(2, 2), (1,)) == HeartbeatReply()
    events = len(d.recorder.rows)
    assert d.broker.heartbeat(30, 0, d.message(1, 1), (1, 7)) is None
    assert (d.broker.lease_of(1), len(d.recorder.rows)) == ((1, "dome-1", 1, 120), events)
    assert d.broker.heartbeat(40, 0, d.message(3, 3), (1,)) == HeartbeatReply()
    assert d.broker.lease_of(1) == (1, "dome-1", 1, 140)


def test_silence_runs_from_the_newest_message_that_has_come() -> None:
    """Message 3 came at 10, 1 and 2 at 30: silent for 40 at 50. Message 2 again, at 60, is old; 4, at 70, is a sign."""
    d = Driver(QueueRules("night", lease=1000))
    d.register("dome-1", silence=40)
    d.submit()
    d.broker.heartbeat(10, 0, d.message(3, 3), ())
    d.at(30)
    assert d.broker.heartbeat(30, 0, d.message(1, 1), ()) is None
    assert d.broker.take(30, d.message(1, 2), ("night",), frozenset(), None) is not None
    assert d.broker.silence_end("dome-1", 1) == 50
    d.at(60)
    assert d.broker.is_lost("dome-1", 1)
    assert d.broker.hand_in(60, 0, d.message(2, 2), 1, "ok") is False
    assert d.broker.is_lost("dome-1", 1)
    d.broker.heartbeat(70, 0, d.message(4, 4), ())
    assert (d.broker.is_lost("dome-1", 1), d.broker.silence_end("dome-1", 1)) == (False, 110)
    assert d.rows("worker_declared_lost") == [(50, "worker_declared_lost", 0, "dome-1", 1, 10)]


def test_of_two_programs_of_one_worker_that_are_lost_at_one_instant_the_earlier_goes_first() -> None:
    """Job 1 ends at 10 s. At 30 s its worker sends a heartbeat and is switched off, and job 2 wakes it at once.

    The second program dies at 31 s. Both were last heard at 30 s: with a silence of 100 s both are lost at 130 s.
    """
    lossy = {"link": {"loss_back": 1e-9}}  # so that it does not say that it leaves
    rows = _in_both(
        {"heartbeat": "30s", "silence": "100s", **lossy, "woken_on_demand": True, "idle_off_after": "20s"},
        lasts="140s",
        takes="10s",
        arrivals=[{"routine": "plate-copy", "name": f"at-{at}", "at": f"+{at}s"} for at in (0, 30)],
        faults=[{"power_off": "dome-1", "at": "+31s"}],
    )
    lost = [(row[0] / s, *row[5:]) for row in rows if row[1] == "worker_declared_lost"]
    assert lost == [(130, 1, 30 * s), (130, 2, 30 * s)]


@pytest.mark.parametrize("seed", range(4))
def test_no_renewal_is_refused_in_a_night_in_which_no_lease_is_lost(seed: int) -> None:
    """With drawn delays an outcome overtakes heartbeats that named its token: they are old, and nothing is refused."""
    rows = _in_both(
        {"count": 3, "heartbeat": "10s", "link": {"delay_out": {"mean": "8s", "law": "gamma", "shape": 2.0}}},
        takes="4m",
        seed=seed,
        queues={"night": {"lease": "90s"}},
        arrivals=[{"routine": "plate-copy", "name": "plates", "at": "+1m", "count": 12}],
    )
    assert {row[7] for row in rows if row[1] == "attempt_ended"} == {"ok"}
    assert _seconds(rows, "stale_refused") == []


def test_over_a_constant_delay_messages_come_in_the_order_in_which_they_were_sent() -> None:
    """Work ends at the instant of a heartbeat: that one, sent first, comes first and renews for the last time.

    The request of 300 s comes at 302 s, its answer takes no time: work from 302 s to 400 s.
    """
    rows = _run("simulated", {"heartbeat": "10s", "link": {"delay_out": "2s"}}, takes="98s")
    last = [(row[0] / s, row[1]) for row in rows if row[1] in ("lease_renewed", "attempt_ended", "stale_refused")][-2:]
    assert last == [(402, "lease_renewed"), (402, "attempt_ended")]


def test_the_answer_to_an_older_heartbeat_is_old() -> None:
    """Answers take 25 s: three heartbeats are under way before the first is told, and the work stands still once.

    Asked at 400 s to stand still, it is told by the heartbeat of 400 s, at 425 s, and that of 430 s says that it does.
    Asked at 500 s to go on, it is told at 525 s, and that of 530 s says so.
    """
    rows = _in_both(
        {"heartbeat": "10s", "link": {"delay_back": "25s"}},
        actions=[{"suspend": "plates#1", "at": "+400s"}, {"resume": "plates#1", "at": "+500s"}],
    )
    assert _seconds(rows, "work_paused", "suspended", "work_continued", "resumed") == [
        (425, "work_paused"),
        (430, "suspended"),
        (525, "work_continued"),
        (530, "resumed"),
    ]


def test_work_that_stands_still_while_the_broker_is_down_is_suspended_when_it_is_up() -> None:
    """Told at 425 s, it stands still; the broker is down from 410 to 500 s, and the heartbeat of 500 s says so."""
    rows = _in_both(
        {"heartbeat": "10s", "link": {"delay_back": "25s"}},
        queues={"night": {"lease": "10m"}},
        actions=[{"suspend": "plates#1", "at": "+400s"}],
        faults=[{"broker_outage": True, "from": "+410s", "until": "+500s"}],
    )
    assert _seconds(rows, "work_paused", "suspended") == [(425, "work_paused"), (500, "suspended")]


def test_a_heartbeat_says_what_stands_still_and_is_told_what_is_to() -> None:
    """Told to stand still, it says so by its next heartbeat, and only once; the same for going on."""
    d = Driver(QueueRules("night", lease=100, retry=DataRetry(attempts_in_all=9)))
    d.submit(), d.taken()
    number = iter(range(1, 99))

    def beat(*standing: int, is_recorded: bool = True) -> tuple[Any, str]:
        reply = d.broker.heartbeat(10, 0, d.message(next(number)), (1,), is_recorded, standing)
        return reply, d.state(1)

    d.broker.suspend(10, 0, 1)
    assert beat() == (HeartbeatReply(suspend=(1,)), "running")
    assert beat(is_recorded=False) == (HeartbeatReply(suspend=(1,)), "running")
    assert beat(1, is_recorded=False) == (HeartbeatReply(), "suspended")
    events = len(d.recorder.rows)
    assert beat(1, is_recorded=False) == (HeartbeatReply(), "suspended")
    assert len(d.recorder.rows) == events
    d.broker.resume(10, 0, 1)
    assert beat(1) == (HeartbeatReply(resume=(1,)), "suspended")
    assert beat() == (HeartbeatReply(), "running")
    assert [row[1] for row in d.rows("suspended", "resumed", "heartbeat_received", "lease_renewed")] == [
        *("heartbeat_received", "lease_renewed") * 3,
        "suspended",
        *("heartbeat_received", "lease_renewed") * 2,
        "resumed",
    ]


def test_heartbeats_that_are_not_recorded_renew_what_is_renewed() -> None:
    """A lease of 100 renewed at 10 ends at 110; a fixed one stays; a refused token is told and recorded."""
    d = Driver(QueueRules("night", lease=100), QueueRules("fixed", lease=100, renewed=False))
    d.submit("night"), d.submit("fixed")
    d.taken(), d.taken()
    events = len(d.recorder.rows)
    assert d.broker.heartbeat(10, 0, d.message(1), (1, 2), False) == HeartbeatReply()
    assert [d.broker.lease_of(token)[3] for token in (1, 2)] == [110, 100]  # type: ignore[index]  # both are out
    assert len(d.recorder.rows) == events
    assert d.broker.heartbeat(20, 0, d.message(2), (1, 7), False) == HeartbeatReply(refused=(7,))
    assert [row[:2] for row in d.recorder.rows[events:]] == [
        (20, "heartbeat_received"),
        (20, "lease_renewed"),
        (20, "stale_refused"),
    ]


@pytest.mark.parametrize(
    "fault", [{"lose_heartbeats": "dome-1"}, {"broker_outage": True}, {"freeze": "dome-1"}, {"cut_link": "dome-1"}]
)
def test_a_worker_that_is_lost_before_each_heartbeat_is_known_again_by_each(fault: dict[str, Any]) -> None:
    """Heartbeats every 45 s and a silence of 40 s: lost 40 s after each that comes; the one of 405 s does not."""
    window = {"from": "+402s", "until": "+427s"}
    rows = _in_both({"heartbeat": "45s", "silence": "40s"}, arrivals=[], lasts="12m", faults=[fault | window])
    heard = [45 * k for k in range(16) if k != 9]
    if "freeze" in fault:
        heard[9:9] = [427]  # its overdue heartbeat is sent at the thaw
    lost = [at + 40 for at in heard if not any(at < other < at + 40 for other in heard)]
    assert _seconds(rows, "worker_declared_lost") == [(at, "worker_declared_lost") for at in lost]


def test_a_lease_that_a_second_worker_renews_is_lost_to_the_silence_of_the_first() -> None:
    """Both work under one token, handed out at 310 s for 40 s; worker 1 is cut off at 315 s: silent at 350 s.

    Worker 2 renewed the lease at 330 s, until 370 s: it is not the lease that ran out.
    """
    rows = _in_both(
        {"count": 2, "heartbeat": "30s", "silence": "40s"},
        queues={"night": {"lease": "40s", "retry": {"attempts_in_all": 1}}},
        arrivals=[{"routine": "plate-copy", "name": "plates", "at": "+310s"}],
        faults=[{"hand_out_twice": "night", "at": "+5m"}, {"cut_link": "dome-1", "at": "+315s"}],
        lasts="6m",
    )
    assert [(row[0] / s, row[8]) for row in rows if row[1] == "attempt_ended"] == [(350, "worker_silent")]


def test_a_worker_that_stops_itself_while_the_broker_is_down_is_not_heard() -> None:
    """Last heard at 300 s, it stops its work at 340 s by its own clock, and has another slot: it would ask for work.

    The broker is down from 310 to 400 s and gives it 90 s more: with a silence of 20 s it is lost at 410 s.
    """
    rows = _in_both(
        {"heartbeat": "10s", "silence": "20s", "slots": 2, "stops_at_lease_end": True},
        broker={"leases_during_outage": "extend"},
        queues={"night": {"lease": "40s", "renewed": False}},
        faults=[
            {"broker_outage": True, "from": "+310s", "until": "+400s"},
            {"cut_link": "dome-1", "from": "+350s", "until": "+10m"},
        ],
        lasts="10m",
    )
    assert _seconds(rows, "work_stopped", "worker_declared_lost") == [
        (340, "work_stopped"),
        (410, "worker_declared_lost"),
    ]


# -- clocks -----------------------------------------------------------------------------------------------------------


def test_a_clock_that_is_put_right_brings_the_next_heartbeat_forward() -> None:
    """At half speed, heartbeats of 30 s come every 60 s, silence is 55 s: lost 55 s after each.

    Put right at 508 s, after the one of 480 s: the next, due at 540 s, keeps its time, and one comes a period before.
    """
    pool = {"heartbeat": "30s", "silence": "55s", "clock": {"drift_ppm": -500_000}}
    more = {"arrivals": [], "lasts": "12m", "faults": [{"skew_clock": "dome-1", "at": "+508s", "clock": {}}]}
    rows = _in_both(pool, **more)
    assert _seconds(rows, "worker_declared_lost") == [
        (at, "worker_declared_lost") for at in (55, 115, 175, 235, 295, 355, 415, 475)
    ]
    heard = [(row[0] / s, row[6]) for row in _run("simulated", pool, **more) if row[1] == "heartbeat_received"]
    assert heard[6:] == [(420, 7), (480, 8), (510, 9), (540, 10), (570, 11), (600, 12), (630, 13), (660, 14), (690, 15)]


def test_a_clock_that_goes_slow_delays_the_heartbeats_after_the_next() -> None:
    """At half speed from 508 s on: the heartbeat of 510 s keeps its time, that of 570 s follows; lost at 565 s."""
    faults = [{"skew_clock": "dome-1", "at": "+508s", "clock": {"drift_ppm": -500_000}}]
    rows = _in_both({"heartbeat": "30s", "silence": "55s"}, arrivals=[], lasts="12m", faults=faults)
    assert _seconds(rows, "worker_declared_lost") == [(at, "worker_declared_lost") for at in (565, 625, 685)]


def test_a_duration_is_counted_on_by_a_clock_that_is_put_right() -> None:
    """At half speed, 90 s told at 300 s last until 480 s. Cut off at 355 s and put right at 390 s: 45 s are left."""
    rows = _in_both(
        {"heartbeat": "30s", "stops_at_lease_end": True, "clock": {"drift_ppm": -500_000}},
        faults=[
            {"cut_link": "dome-1", "from": "+355s", "until": "+50m"},
            {"skew_clock": "dome-1", "at": "+390s", "clock": {}},
        ],
    )
    assert _seconds(rows, "attempt_ended", "work_stopped") == [(390, "attempt_ended"), (435, "work_stopped")]


def test_an_expiry_sent_as_clock_time_comes_with_the_clock() -> None:
    """Told the end of 390 s and cut off, the worker's clock is put 30 s ahead at 330 s: it stops at 360 s."""
    rows = _in_both(
        {"heartbeat": "30s", "stops_at_lease_end": True},
        queues={"night": {"expiry_sent_as": "clock_time"}},
        faults=[
            {"cut_link": "dome-1", "from": "+310s", "until": "+50m"},
            {"skew_clock": "dome-1", "at": "+330s", "clock": {"offset": "30s"}},
        ],
    )
    assert _seconds(rows, "attempt_ended", "work_stopped")[:2] == [(360, "work_stopped"), (390, "attempt_ended")]


def test_an_outcome_at_the_end_of_its_lease_comes_too_late() -> None:
    """Handed out at 310 s, renewed at 315 s, and not at 330 s, when the heartbeat is lost: the lease ends at 335 s.

    There the caller's patience of 25 s ends too. What ends goes first, and the outcome is a message.
    """
    rows = _in_both(
        {"heartbeat": "15s"},
        faults=[{"lose_heartbeats": "dome-1", "from": "+316s", "until": "+331s"}],
        queues={"night": {"lease": "20s"}},
        systems={"archive": {"answers_in": "36s"}},
        routines={"plate-copy": {"queue": "night", "parts": [{"name": "a", "calls": "archive", "patience": "25s"}]}},
        lasts="350s",
        arrivals=[{"routine": "plate-copy", "name": "plates", "at": "+310s"}],
    )
    told = [(row[0] / s, row[1], row[7]) for row in rows if row[1] in ("attempt_ended", "work_stopped")]
    assert told == [(335, "attempt_ended", "lease_lost"), (335, "work_stopped", "call_ended")]
    assert _seconds(rows, "stale_refused") == [(335, "stale_refused")]


def test_a_heartbeat_that_is_overdue_at_a_thaw_is_sent_though_the_clock_was_set_meanwhile() -> None:
    """Frozen from 400 to 430 s, the heartbeat of 405 s is overdue; the clock is set at 410 s. It is sent at 430 s."""
    faults = [
        {"freeze": "dome-1", "from": "+400s", "until": "+430s"},
        {"skew_clock": "dome-1", "at": "+410s", "clock": {"offset": "5s"}},
    ]
    rows = _in_both({"heartbeat": "45s", "silence": "15s"}, arrivals=[], lasts="9m", faults=faults)
    lost = [at for at, _ in _seconds(rows, "worker_declared_lost")]
    assert lost[7:] == [330, 375, 445, 465, 510]  # 15 s after 315, 360, 430, 450 and 495 s


@pytest.mark.parametrize(
    ("fault", "ends"),
    [
        ({"power_off": "dome-1", "at": "+600s"}, [(660, "lease_lost")]),
        ({"freeze": "dome-1", "from": "+600s", "until": "+630s"}, [(630, "error")]),
    ],
)
def test_a_worker_hands_in_nothing_at_the_instant_at_which_it_is_off_or_stands_still(
    fault: dict[str, Any], ends: list[Any]
) -> None:
    """The patience of 300 s ends at 600 s, and the fault goes before the message; the lease was renewed at 570 s."""
    part = {"name": "a", "calls": "archive", "patience": "300s"}
    rows = _in_both(
        {"heartbeat": "30s"},
        queues={"night": {"lease": "90s", "retry": {"attempts_in_all": 1}}},
        systems={"archive": {"answers_in": "10m"}},
        routines={"plate-copy": {"queue": "night", "parts": [part]}},
        faults=[fault],
        lasts="11m10s",
    )
    assert [(row[0] / s, row[7]) for row in rows if row[1] == "attempt_ended"] == ends
    assert _seconds(rows, "outcome_unanswered") == []


# -- hand-outs that come too late -------------------------------------------------------------------------------------

_LATE = {"heartbeat": "10s", "link": {"delay_out": "1s", "answer_within": "10s"}}


def test_a_hand_out_whose_lease_is_over_is_not_begun_and_slots_are_kept() -> None:
    """The request of 0 s is answered at 1 s with job 1, and the answer is lost: its lease runs until 91 s.

    The worker stands still from 2 s to 100 s. Then it sends the same request again and has the same answer at 101 s: it
    counts the lease from 0 s, so it is over. It asks anew, and from 102 s on it does one job after another.
    """
    rows = _in_both(
        _LATE,
        arrivals=[{"routine": "plate-copy", "name": "plates", "at": "+0s", "count": 2}],
        faults=[
            {"cut_link": "dome-1", "direction": "back", "from": "+1s", "until": "+50s"},
            {"freeze": "dome-1", "from": "+2s", "until": "+100s"},
        ],
    )
    assert [(row[0] / s, row[1], row[5]) for row in rows if row[1] == "worker_notified"] == [
        (101, "worker_notified", 1)
    ]
    work = [(row[0] / s, row[1], row[6]) for row in rows if row[1] in ("work_began", "work_stopped")]
    assert work == [
        (102, "work_began", 2),
        (702, "work_stopped", 2),
        (704, "work_began", 3),
        (1304, "work_stopped", 3),
    ]


def test_a_worker_whose_clock_is_ahead_of_the_lease_begins_nothing() -> None:
    """Told the end as clock time, a worker 100 s ahead takes a lease of 90 s to be over as it comes."""
    rows = _in_both(
        {"heartbeat": "30s", "clock": {"offset": "100s"}},
        queues={"night": {"expiry_sent_as": "clock_time", "retry": {"attempts_in_all": 2}}},
    )
    assert _seconds(rows, "handed_out", "worker_notified", "work_began", "attempt_ended") == [
        (300, "handed_out"),
        (300, "worker_notified"),
        (390, "attempt_ended"),
        (390, "handed_out"),
        (390, "worker_notified"),
        (480, "attempt_ended"),
    ]


# -- effects ----------------------------------------------------------------------------------------------------------


def test_an_effect_lands_as_the_part_begins_though_its_call_waits() -> None:
    """Two parts call a system with one slot at 300 s; it takes a minute for each. Both effects land at 300 s."""
    part = {"name": "copy", "calls": "archive", "effect": "copied", "lands": "at_request"}
    rows = _in_both(
        {"count": 2},
        systems={"archive": {"slots": 1, "answers_in": "1m"}},
        routines={"plate-copy": {"queue": "night", "parts": [part]}},
        arrivals=[{"routine": "plate-copy", "name": "plates", "at": "+5m", "count": 2}],
    )
    assert _seconds(rows, "effect_landed", "finished") == [
        (300, "effect_landed"),
        (300, "effect_landed"),
        (360, "finished"),
        (420, "finished"),
    ]


@pytest.mark.parametrize(("key", "refused"), [(None, []), ("one key", [(600, "effect_refused")])])
def test_a_fence_knows_the_jobs_of_one_key_or_else_each_job_alone(key: str | None, refused: list[Any]) -> None:
    """Job 1 has token 1 and writes on the tape at 600 s, after its lease is lost; job 2 has token 2 and wrote at 500 s.

    With one exclusive key, job 2 may begin when the link of worker 1, cut at 310 s, has cost it the lease of 300 s, at
    390 s: 110 s of work. Without a key, job 2 has nothing to do with job 1, whose late write lands.
    """
    part = {"name": "copy", "effect": "copied", "effect_in": "archive", "target": "tape"}
    routine = {"queue": "night", **({"key": key} if key else {})}
    rows = _in_both(
        {"count": 2, "heartbeat": "30s"},
        systems={"archive": {"fenced": "highest_token"}},
        queues={"night": {"retry": {"attempts_in_all": 1}}},
        routines={
            "long": {**routine, "parts": [{**part, "takes": "300s"}]},
            "short": {**routine, "parts": [{**part, "takes": "110s"}]},
        },
        arrivals=[
            {"routine": "long", "name": "long", "at": "+300s"},
            {"routine": "short", "name": "short", "at": "+390s"},
        ],
        faults=[{"cut_link": "dome-1", "at": "+310s"}],
    )
    assert _seconds(rows, "effect_refused") == refused
    assert _seconds(rows, "effect_landed")[:1] == [(500, "effect_landed")]


def test_a_lease_that_ends_as_its_worker_gives_up_a_call_is_lost() -> None:
    """Handed out at 300 s under a lease of 90 s; the outage from 310 to 385 s takes the heartbeats of 330 and 360 s.

    At 390 s the lease ends, and so does the patience of the call. Ends of leases go first, and an outcome is a message:
    it comes too late. Before, the order hung on which of the two had been looked at last, and so on the mode.
    """
    rows = _in_both(
        {},
        queues={"night": {"lease": "90s"}},
        systems={"archive": {"answers_in": "10m", "patience": "90s"}},
        routines={"plate-copy": {"queue": "night", "parts": [{"name": "copy", "calls": "archive"}]}},
        faults=[{"broker_outage": True, "at": "+310s", "lasts": "75s"}],
    )
    assert _seconds(rows, "attempt_ended", "call_ended", "stale_refused") == [
        (390, "attempt_ended"),
        (390, "call_ended"),
        (390, "stale_refused"),
    ]
    assert [row[7] for row in rows if row[1] == "attempt_ended"] == ["lease_lost"]


def test_a_second_worker_of_a_suspended_job_is_told_by_its_next_heartbeat() -> None:
    """A token is delivered to a second worker at 340 s, when its job of 300 s is suspended already.

    The first worker was told by its heartbeat of 330 s. The second, which was busy until 340 s, works on until its
    heartbeat of 360 s, in both modes.
    """
    short = {"queue": "night", "priority": 1, "parts": [{"name": "look", "takes": "40s"}]}
    long = {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}]}
    rows = _in_both(
        {"count": 2},
        routines={"look": short, "plate-copy": long},
        arrivals=[
            {"routine": "look", "name": "looks", "at": "+5m"},
            {"routine": "plate-copy", "name": "plates", "at": "+302s"},
        ],
        faults=[{"hand_out_twice": "night", "at": "+301s"}],
        actions=[{"suspend": "plates#1", "at": "+310s"}],
        lasts="400s",
    )
    told = [(row[0] / s, row[4]) for row in rows if row[1] == "work_paused"]
    assert told == [(330, "dome-2"), (360, "dome-1")]
