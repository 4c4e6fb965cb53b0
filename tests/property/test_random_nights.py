"""Random scenarios under random faults of every kind keep what a queue with leases promises."""

import json
from collections import Counter
from typing import Any

import pytest
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from emulator.record.events import DETAILS, HEARTBEAT_KINDS, Row
from emulator.record.fold import fold, verify
from emulator.record.recorder import Recorder
from emulator.scenario.load import from_settings
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

MINUTES = 60
_seconds = st.integers(1, 40 * MINUTES).map(lambda n: f"{n}s")
_moments = st.integers(0, 55 * MINUTES).map(lambda n: f"+{n}s")
_workers = st.sampled_from(["dome-1", "dome-2", "annex-1", "dome", "annex"])


def _window(kind: str, **more: Any) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({kind: _workers, "at": _moments, "lasts": _seconds} | more)


_worker_faults = st.one_of(
    st.fixed_dictionaries({"power_off": _workers, "at": _moments, "back_after": _seconds}),
    st.fixed_dictionaries({"power_off": _workers, "at": _moments}),
    _window("freeze"),
    _window("cut_link", direction=st.sampled_from(["out", "back", "both"])),
    _window("slow_down", to=st.sampled_from([0.25, 0.5, 2.0])),
    _window("lose_heartbeats", share=st.sampled_from([0.3, 0.7, 1.0])),
    _window("lose_results", share=st.sampled_from([0.5, 1.0])),
    _window("skew_clock", clock=st.just({"offset": "30s", "drift_ppm": 20_000.0})),
    _window("missing_tool", tool=st.just("tape")),
)
_other_faults = st.one_of(
    st.fixed_dictionaries({"broker_outage": st.just(True), "at": _moments, "lasts": _seconds}),
    st.fixed_dictionaries({"system_outage": st.just("archive"), "at": _moments, "lasts": _seconds}),
    st.fixed_dictionaries(
        {"brown_out": st.just("archive"), "factor": st.sampled_from([0.5, 3.0]), "at": _moments, "lasts": _seconds}
    ),
    st.fixed_dictionaries(
        {"error_burst": st.just("plate-copy"), "share": st.just(0.5), "at": _moments, "lasts": _seconds}
    ),
    st.fixed_dictionaries({"poison_job": st.just("plates#2"), "how": st.sampled_from(["fails", "takes_worker_down"])}),
    st.fixed_dictionaries(
        {"hand_out_twice": st.just("night"), "at": _moments, "how": st.sampled_from(["same_token", "forgets"])}
    ),
)
_jobs = st.sampled_from(["plates#1", "plates#3", "logs#1"])
_actions = st.one_of(
    *(
        st.fixed_dictionaries({kind: _jobs, "at": _moments})
        for kind in ("withdraw", "hold", "release", "suspend", "resume", "run_again")
    ),
    st.fixed_dictionaries({"hold_queue": st.just("night"), "at": _moments, "lasts": _seconds}),
    st.fixed_dictionaries({"drain": _workers, "at": _moments}),
)


def _link(slow: bool, lossy: bool) -> dict[str, Any]:
    link: dict[str, Any] = {"answer_within": "5s"}
    if slow:
        link |= {"delay_out": {"between": ["100ms", "2s"]}, "delay_back": "300ms"}
    if lossy:
        link |= {"loss_out": 0.2, "loss_back": 0.1}
    return link


@st.composite
def scenarios(draw: st.DrawFn) -> dict[str, Any]:
    """Scenarios of an hour with two pools, two routines, a system, faults and actions of every kind."""
    pick = lambda *values: draw(st.sampled_from(values))  # noqa: E731 - a shorthand that is read often below
    retry = {
        "attempts_in_all": pick(1, 3, 6),
        "pause": "exponential",
        "first": pick("1s", "20s"),
        "longest": "2m",
        "jitter": pick("none", "full", "equal", "decorrelated"),
    }
    if draw(st.booleans()):
        retry["lost_leases_at_most"] = pick(0, 1, 2)
    if draw(st.booleans()):
        retry["total_limit"] = pick("10m", "40m")
    queue: dict[str, Any] = {
        "lease": pick("20s", "90s", "100s", "4m"),
        "renewed": pick(True, True, False),
        "retry": retry,
        "matches_equipment": pick(True, False),
        "requeued_keep_place": pick(True, False),
    }
    if draw(st.booleans()):
        queue["time_limit"] = {"after": pick("3m", "15m"), "then": pick("fail", "start_over", "resume")}
    if draw(st.booleans()):
        queue["start_within"] = pick("5m", "20m")
    if draw(st.booleans()):
        queue["running_at_most"] = 2
    dome: dict[str, Any] = {
        "count": 3,
        "serves": ["night"],
        "poll": pick("0s", "7s", "10s"),
        "heartbeat": pick("10s", "30s", "45s"),
        "heartbeat_jitter": pick("0s", "3s"),
        "slots": pick(1, 2),
        "equipped_with": ["tape"],
        "boots_in": pick("0s", "20s"),
        "stops_at_lease_end": pick(True, False),
        "link": _link(draw(st.booleans()), draw(st.booleans())),
    }
    if draw(st.booleans()):
        dome["silence"] = pick("40s", "2m")
    annex = {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s", "equipped_with": pick([], ["tape 2.1"])}
    return {
        "title": "a random night",
        "starts": "2026-06-12T21:30:00",
        "lasts": "1h",
        "broker": {"leases_during_outage": pick("expire", "extend")},
        "queues": {"night": queue},
        "pools": {"dome": dome, "annex": annex},
        "systems": {
            "archive": {
                "slots": 1,
                "answers_in": {"median": "20s", "p95": "2m"},
                "patience": pick("30s", "5m"),
                "fenced": pick("no", "highest_token", "asks_broker"),
            }
        },
        "routines": {
            "plate-copy": {
                "queue": "night",
                "requires": ["tape"],
                "after_failure": pick("start_over", "resume"),
                "key": pick(None, "one key"),
                "parts": [
                    {"name": "checksum", "takes": {"median": "1m", "p95": "5m"}, "error_share": 0.1},
                    {
                        "name": "copy",
                        "calls": "archive",
                        "effect": "copied",
                        "repeatable": pick(True, False, "checks_first"),
                        "lands": pick("at_request", "at_end", "remotely"),
                    },
                    {"name": "seal", "takes": "40s", "effect": "sealed", "repeatable": False},
                ],
            },
            "log-export": {
                "queue": "night",
                "parts": [{"name": "export", "takes": {"mean": "3m", "law": "exponential"}}],
            },
        },
        "arrivals": [
            {"routine": "plate-copy", "name": "plates", "count": 5, "at": "+1m"},
            {"routine": "log-export", "name": "logs", "per_hour": 20.0},
        ],
        "faults": draw(st.lists(st.one_of(_worker_faults, _worker_faults, _other_faults), max_size=6)),
        "actions": draw(st.lists(_actions, max_size=3)),
    }


def _run(settings_: dict[str, Any], seed_: int, mode: str) -> tuple[World, list[Row]]:
    recorder, agenda = Recorder(), Agenda()
    world = World(from_settings(settings_), seed_, agenda, recorder, heartbeats=mode)
    world.start()
    world.run()
    world.close()
    return world, recorder.rows


def job_events(rows: list[Row]) -> list[Row]:
    """Leave heartbeats out and number the rest anew; a cause that was left out becomes 0."""
    numbers: dict[int, int] = {0: 0}
    kept: list[Row] = []
    for number, row in enumerate(rows, 1):
        if row[1] not in HEARTBEAT_KINDS:
            kept.append(row)
            numbers[number] = len(kept)
    return [(row[0], row[1], numbers.get(row[2], 0), *row[3:]) for row in kept]


def in_words(rows: list[Row]) -> list[str]:
    """Write rows one a line, so that a difference is readable."""
    return [json.dumps([number, *row], default=str) for number, row in enumerate(rows, 1)]


_SETTINGS = settings(
    max_examples=60,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


@pytest.mark.slow
@seed(20260612)
@_SETTINGS
@given(scenarios(), st.integers(0, 1000))
def test_computed_heartbeats_give_the_same_job_events_as_simulated_ones(said: dict[str, Any], number: int) -> None:
    """Whatever goes wrong, both modes of heartbeats agree on every event that is not itself a heartbeat."""
    _, computed = _run(said, number, "computed")
    _, simulated = _run(said, number, "simulated")
    first, second = in_words(job_events(computed)), in_words(job_events(simulated))
    for one, other in zip(first, second, strict=False):
        assert one == other
    assert first == second


@pytest.mark.slow
@seed(20260613)
@_SETTINGS
@given(scenarios(), st.integers(0, 1000), st.sampled_from(["computed", "simulated"]))
def test_a_random_night_keeps_the_promises_of_leases(said: dict[str, Any], number: int, mode: str) -> None:
    """At most one valid lease per job, rising tokens, attempts within limits, nothing lost, and fold equals broker."""
    world, rows = _run(said, number, mode)
    verify(rows)  # one lease at a time, rising tokens and attempts, time never back, causes before effects
    assert fold(rows) == world.broker.snapshot()
    kinds = Counter(row[1] for row in rows)
    finished = [row[3] for row in rows if row[1] == "finished"]
    assert len(finished) == len(set(finished))
    submitted = {row[3] for row in rows if row[1] == "submitted"}
    assert submitted == set(finished) | set(world.explanations())
    limit = said["queues"]["night"]["retry"]["attempts_in_all"] + kinds["lease_forgotten"]
    assert all(row[5] <= limit for row in rows if row[1] == "handed_out")
    assert kinds["work_stopped"] <= kinds["work_began"]
    names = {"run_began", *DETAILS}
    assert set(kinds) <= names


def _with_others(said: dict[str, Any]) -> dict[str, Any]:
    """Add a queue, a pool and a routine of their own, with jobs and heartbeats at every second."""
    return {
        **said,
        "queues": {**said["queues"], "other": {}},
        "pools": {
            **said["pools"],
            "other": {"count": 2, "serves": ["other"], "heartbeat": "1s", "silence": "59m"},
        },
        "routines": {**said["routines"], "other": {"queue": "other", "parts": [{"name": "do", "takes": "1s"}]}},
        "arrivals": [*said["arrivals"], {"routine": "other", "name": "others", "every": "1s"}],
    }


def _without_others(rows: list[Row]) -> list[Row]:
    """Leave out what belongs to them, and number jobs, tokens and events anew; what a sentence says is left out too."""
    others = {row[3] for row in rows if row[1] == "submitted" and row[7] == "other"}
    jobs: dict[int, int] = {0: 0}
    tokens: dict[int, int] = {0: 0}
    kept: list[Row] = []
    for row in job_events(rows):
        if row[3] in others or row[4].startswith("other"):
            continue
        details = list(row[5:])
        for place, name in enumerate(DETAILS.get(row[1], ())[: len(details)]):
            if name == "token":
                details[place] = tokens.setdefault(details[place], len(tokens))
            elif name == "resubmitted_from":
                details[place] = jobs[details[place]]
            elif name == "why":
                details[place] = ""
        kept.append((row[0], row[1], 0, jobs.setdefault(row[3], len(jobs)), row[4], *details))
    return kept


@pytest.mark.slow
@seed(20260614)
@_SETTINGS
@given(scenarios(), st.integers(0, 1000), st.sampled_from(["computed", "simulated"]))
def test_what_has_nothing_to_do_with_it_changes_no_event_of_a_night(
    said: dict[str, Any], number: int, mode: str
) -> None:
    """Not even what is due at the same instants: jobs, heartbeats and a silence of another queue, every second."""
    _, alone = _run(said, number, mode)
    _, beside = _run(_with_others(said), number, mode)
    assert any(row[7] == "other" for row in beside if row[1] == "submitted")
    assert in_words(_without_others(beside)) == in_words(_without_others(alone))
