"""What ``check`` warns of: for each hazard one scenario just inside its limit and one just outside."""

from collections import Counter
from typing import Any, NamedTuple

import pytest
from quiet_night import QUIET, RIGHT, quiet

from emulator.hazards import HAZARDS, Margin, hazards, heartbeat_margins
from emulator.hazards.work import span
from emulator.scenario.load import from_settings, load, varied
from emulator.scenario.models import Retry

SECOND = 1_000_000
NIGHTLY = {"name": "nightly", "routine": "plate-copy", "count": 40, "at": "22:00", "parameters": {"plates": ["a", "b"]}}


AGED = [{"measure": "effect_age_longest", "at_most": "9h"}]


class Case(NamedTuple):
    """Changes to the quiet night just inside and just outside a limit; ``path`` is where the hazard lies."""

    code: str
    inside: dict[str, Any]
    outside: dict[str, Any]
    path: str
    message: str
    always: tuple[str, ...] = ()
    """Other hazards that both sides have."""


def coming(**how: Any) -> list[dict[str, Any]]:
    return [{**NIGHTLY, "count": 1}, {"routine": "plate-copy", "parameters": {"plates": ["a", "b"]}, **how}]


def fault(**how: Any) -> dict[str, Any]:
    return {"faults": [how]}


def after(entry: str, **how: Any) -> dict[str, Any]:
    """Give one job that waits for those of another entry."""
    return {**NIGHTLY, "name": "last", "count": 1, "after": {"entry": entry, **how}}


def daily(sweep: str) -> list[dict[str, Any]]:
    """Give an entry that recurs, and one at 22:00 that waits for all its jobs of the same night."""
    one = {key: NIGHTLY[key] for key in ("routine", "parameters")}
    last = {**one, "name": "last", "recurs": "0 22 * * *", "after": {"entry": "sweep", "jobs": "all"}}
    return [{**one, "name": "sweep", "recurs": sweep}, last]


# The clocks of Santiago go back from 24:00 to 23:00 in the first of these nights, forward from 00:00 in the second.
AUTUMN, SPRING = "2026-04-04T21:30:00", "2026-09-05T21:30:00"


SWEEP = {"queue": "night", "parts": [{"name": "sweep", "takes": "1m"}]}
SWEEPS = {"add": [{"routine": "sweep", "name": "sweeps", "at": "22:00"}]}
BY_TWO = {"routines.plate-copy.takes_slots": 2}

GROWS = {"base": "3m", "per_element": "40s"}

# A job of the quiet night takes 4 min of its own and two calls of 40 s: 5 min 20 s (320 s), always.
CASES = [
    Case(
        "load-above-capacity",
        {"arrivals": coming(per_hour=33.7, **{"from": "22:00", "until": "23:00"})},
        {"arrivals": coming(per_hour=33.8, **{"from": "22:00", "until": "23:00"})},  # 33.75 = 3 slots / 320 s
        "pools.dome",
        "from 22:00 on work for 3 slots comes to night, and there are 3: the backlog grows as long as that goes on",
    ),
    Case(
        "load-above-capacity",  # a Friday; 33.75 = 3 slots / 320 s, and none comes by day
        {"arrivals": coming(per_hour={"fri": {"22:00": 33.7}, "sat": {"00:00": 33.7, "01:00": 5}})},
        {"arrivals": coming(per_hour={"fri": {"22:00": 33.7}, "sat": {"00:00": 33.8, "01:00": 5}})},
        "pools.dome",
        "from 00:00 on work for 3 slots comes to night, and there are 3: the backlog grows as long as that goes on",
    ),
    Case(
        "load-above-capacity",  # two entries together, where their hours meet: 20 + 13.8 from 23:00 on
        {
            "arrivals": [
                *coming(per_hour={"every_day": {"22:00": 20}}, name="one"),
                *coming(per_hour={"every_day": {"21:00": 13, "23:00": 13.7}}, name="other")[1:],
            ]
        },
        {
            "arrivals": [
                *coming(per_hour={"every_day": {"22:00": 20}}, name="one"),
                *coming(per_hour={"every_day": {"21:00": 13, "23:00": 13.8}}, name="other")[1:],
            ]
        },
        "pools.dome",
        "from 23:00 on work for 3 slots comes to night, and there are 3: the backlog grows as long as that goes on",
    ),
    Case(
        "load-above-capacity",  # a steady rate comes on its days only, and the run ends on Saturday
        {"arrivals": coming(per_hour=33.8, days=["sun"], until="01:00")},
        {"arrivals": coming(per_hour=33.8, days=["sat"], until="01:00")},
        "pools.dome",
        "from 00:00 on work for 3 slots comes to night, and there are 3: the backlog grows as long as that goes on",
    ),
    Case(
        "load-above-capacity",
        {"arrivals": coming(every="161s", until="22:30"), "queues.night.running_at_most": 2},
        {"arrivals": coming(every="160s", until="22:30"), "queues.night.running_at_most": 2},
        "queues.night.running_at_most",
        "work for 2 slots comes to night, and at most 2 of its jobs run at once: "
        "the backlog grows as long as that goes on",
    ),
    Case(
        "more-work-than-time",
        {"arrivals.nightly.count": 184},  # and one more by `rounds`: 185 * 320 s in 59,400 s from 22:00 on
        {"arrivals.nightly.count": 185},
        "pools.dome",
        "the jobs that come to night from 22:00 on are 16.5 hours of work, "
        "and from then to the end the workers have 16.5 hours",
    ),
    Case(
        "more-work-than-time",
        {"arrivals.nightly.count": 60, "queues.night.running_at_most": 1},  # 61 * 320 s in 19,800 s
        {"arrivals.nightly.count": 61, "queues.night.running_at_most": 1},
        "queues.night.running_at_most",
        "the jobs that come to night from 22:00 on are 5.51 hours of work, "
        "and from then to the end with at most 1 of its jobs at once there are 5.5 hours",
    ),
    Case(
        "burst-above-capacity",
        {"queues.night.capacity": 40},
        {"queues.night.capacity": 39},
        "queues.night.capacity",
        "40 jobs come at 22:00, and the queue holds 39: at least 1 are refused",
    ),
    Case(
        "poll-above-start-within",
        {"queues.night.start_within": "10s", "pools.dome.poll": "10s"},
        {"queues.night.start_within": "10s", "pools.dome.poll": "10001ms"},
        "queues.night.start_within",
        "jobs expire after 10s, and an idle worker asks every 10s1ms only: jobs can expire with workers idle",
    ),
    Case(
        "few-heartbeats",
        {"queues.night.lease": "80001ms"},
        {"queues.night.lease": "80s"},
        "queues.night.lease",
        "a lease of 1m20s with a heartbeat every 20s (pool dome) survives 2 lost heartbeats in a row; "
        "3 or more are advisable: a lease above 1m20s would do",
    ),
    Case(
        "jitter-outlasts-lease",
        {"queues.night.lease": "30s", "pools.dome.heartbeat_jitter": "5s"},
        {"queues.night.lease": "30s", "pools.dome.heartbeat_jitter": "5001ms"},
        "pools.dome.heartbeat_jitter",
        "two heartbeats can lie up to 30s2ms apart, longer than a lease of 30s (queue night): "
        "leases are lost though every heartbeat arrives",
        always=("few-heartbeats",),
    ),
    Case(
        "fixed-lease-short",
        {"queues.night.renewed": False, "queues.night.lease": "320s"},
        {"queues.night.renewed": False, "queues.night.lease": "319s"},
        "queues.night.lease",
        "the fixed lease of 5m19s is shorter than the p95 of plate-copy, 5m20s: "
        "such a job is handed out again while it is worked on",
    ),
    Case(
        "silence-short",
        {"pools.dome.silence": "20001ms"},
        {"pools.dome.silence": "20s"},
        "pools.dome.silence",
        "a worker is declared lost after 20s without a message, and two heartbeats can lie 20s apart: "
        "workers at work are declared lost",
    ),
    Case(
        "silence-short",
        {"pools.dome.silence": "24s", "pools.dome.heartbeat_jitter": "2s"},
        {"pools.dome.silence": "23999ms", "pools.dome.heartbeat_jitter": "2s"},
        "pools.dome.silence",
        "a worker is declared lost after 23s999ms without a message, and two heartbeats can lie 24s apart: "
        "workers at work are declared lost",
    ),
    Case(
        "clock-told-lease",
        {"queues.night.expiry_sent_as": "clock_time"},
        {"queues.night.expiry_sent_as": "clock_time", "pools.dome.clock.offset": "1us"},
        "queues.night.expiry_sent_as",
        "the lease's end is told as clock time, and clocks in the pool dome are wrong: "
        "a worker takes its lease for longer or shorter than it is",
    ),
    Case(
        "time-limit-short",
        {"queues.night.time_limit.after": "320001ms"},
        {"queues.night.time_limit.after": "320s"},
        "queues.night.time_limit.after",
        "plate-copy can never finish: it takes at least 5m20s, and an attempt is stopped after 5m20s",
    ),
    Case(
        "time-limit-short",
        # between 2 and 6 min, p95 5 min 48 s, and two calls of 40 s
        {"queues.night.time_limit.after": "428s", "routines.plate-copy.parts.0.takes": {"between": ["2m", "6m"]}},
        {
            "queues.night.time_limit": {"after": "427s", "then": "start_over"},
            "routines.plate-copy.parts.0.takes": {"between": ["2m", "6m"]},
        },
        "queues.night.time_limit.after",
        "the p95 of plate-copy is 7m8s, and an attempt is stopped after 7m7s: such a job starts over",
    ),
    Case(
        "time-limit-short",
        {"queues.night.time_limit": {"after": "321s", "then": "resume"}},
        {"queues.night.time_limit": {"after": "240s", "then": "resume"}},
        "queues.night.time_limit.after",
        "plate-copy can never finish: a single part of it takes at least 4m, and an attempt is stopped after 4m",
    ),
    Case(
        "recurrence-overlaps",
        {"arrivals.rounds.recurs": "*/6 * * * *"},
        {"arrivals.rounds.recurs": "*/5 * * * *"},
        "arrivals.1.recurs",
        "it comes again after 5m, and the p95 of plate-copy is 5m20s: two of its jobs run at once",
    ),
    Case(
        "unrepeatable-work",
        {"routines.plate-copy.parts.1.repeatable": False},
        {"routines.plate-copy.parts.1.repeatable": False, "systems.archive.fenced": "no"},
        "routines.plate-copy.parts.1.repeatable",
        "copied must not happen twice, and can: up to 4 attempts, and no system with a fence refuses the second",
    ),
    Case(
        "unrepeatable-work",
        {
            "routines.plate-copy.parts.1.repeatable": False,
            "systems.archive.fenced": "no",
            "queues.night.retry.attempts_in_all": 1,
        },
        {
            "routines.plate-copy.parts.1.repeatable": False,
            "systems.archive.fenced": "no",
            "queues.night.retry.attempts_in_all": 1,
            "actions": [{"run_again": "nightly#1", "at": "23:00"}],
            "faults": [{"hand_out_twice": "night", "at": "23:00"}],
        },
        "routines.plate-copy.parts.1.repeatable",
        "copied must not happen twice, and can: it is run again by hand, a job of its queue is handed out twice, "
        "and no system with a fence refuses the second",
    ),
    Case(
        "elements-not-given",
        {"arrivals.nightly.parameters": {"plates": ["a"]}},
        {"arrivals.nightly.parameters": {}},
        "arrivals.0",
        "the list plates is not given: copy is done not once",
    ),
    Case(
        "elements-not-given",
        {},
        {"arrivals.nightly.parameters": {"plates": []}},
        "arrivals.0",
        "the list plates is empty: copy is done not once",
    ),
    Case(
        "elements-not-given",
        {"routines.plate-copy.parts.0.takes": {"base": "200s", "per_element": "20s"}},
        {
            "routines.plate-copy.parts.0.takes": {"base": "4m", "per_unit": "20s"},
            "routines.plate-copy.parameters.weight": "number",
            "arrivals.rounds.parameters.weight": 1,
        },
        "arrivals.0",
        "weight is not given: checksum takes no more than its base",
    ),
    Case(
        "time-limit-short",  # 3 min and 2 elements of 40 s, then two calls of 40 s: 340 s
        {"routines.plate-copy.parts.0.takes": GROWS, "queues.night.time_limit": {"after": "341s"}},
        {"routines.plate-copy.parts.0.takes": GROWS, "queues.night.time_limit": {"after": "340s"}},
        "queues.night.time_limit.after",
        "plate-copy can never finish: it takes at least 5m40s, and an attempt is stopped after 5m40s",
    ),
    Case(
        "prerequisite-never-comes",
        {"arrivals": [NIGHTLY, {**NIGHTLY, "name": "follow", "after": {"entry": "nightly"}}]},
        {"arrivals": [NIGHTLY, {**NIGHTLY, "name": "follow", "count": 41, "after": {"entry": "nightly"}}]},
        "arrivals.1.after",
        "nightly brings 40 jobs at most, and 41 wait for them: 1 wait for ever",
    ),
    Case(
        "prerequisite-never-comes",
        {"arrivals": [*coming(per_hour=1, name="plates", until="02:00"), after("plates", jobs="all")]},
        {"arrivals": [*coming(per_hour=1, name="plates"), after("plates", jobs="all")]},
        "arrivals.2.after",
        "the last job of plates is known when the run is over, so these jobs wait for ever: give it `until` or `count`",
    ),
    Case(
        "waits-for-one-of-many",
        {"arrivals": [NIGHTLY, after("nightly", jobs="all")]},
        {"arrivals": [NIGHTLY, after("nightly")]},
        "arrivals.1.after",
        "last#1 waits for nightly#1 only; nightly has 40 jobs: write `jobs: all` to wait for the last of them",
    ),
    Case(
        "waits-for-one-of-many",
        {"arrivals": [NIGHTLY, after("nightly", number=1)]},
        {
            "arrivals": [
                NIGHTLY,
                {**after("nightly"), "after": [{"entry": "nightly", "number": 7}, {"entry": "nightly"}]},
            ]
        },
        "arrivals.1.after.1",
        "last#1 waits for nightly#1 only; nightly has 40 jobs: write `jobs: all` to wait for the last of them",
    ),
    Case(
        "crosses-clock-change",
        {"starts": AUTUMN, "actions": [{"drain": "dome-1", "at": "22:30", "back_after": "89m"}]},
        {"starts": AUTUMN, "actions": [{"drain": "dome-1", "at": "22:30", "back_after": "90m"}]},
        "actions.0.back_after",
        "from 22:30 to 23:00 the clocks are put back by 1h in between: it lasts 1h30m, and the clock shows 30m",
        always=("clock-change",),
    ),
    Case(
        "crosses-clock-change",
        {"starts": SPRING, **fault(freeze="dome-1", at="23:00", until="2026-09-05T23:59:59")},
        {"starts": SPRING, **fault(freeze="dome-1", at="23:00", until="02:00")},
        "faults.0.until",
        "from 23:00 to 02:00 the clocks are put forward by 1h in between: it lasts 2h, and not the 3h that the clock "
        "shows",
    ),
    Case(
        "waits-for-a-later-night",
        {"lasts": "23h", "arrivals": daily("0 10 * * *")},
        {"lasts": "23h", "arrivals": daily("1 10 * * *")},
        "arrivals.1.after",
        "last, due at 22:00, waits for sweep of the same night, due at 10:01: a night begins with the scenario, at "
        "21:30; let it start in between",
    ),
    Case(
        "pauses-outlast-night",
        {"queues.night.retry.first": "7199s"},
        {"queues.night.retry.first": "7200s"},  # three pauses: the six hours of the night
        "queues.night.retry",
        "the pauses between 4 attempts add up to 6h, and the run lasts 6h: the last attempts never come",
    ),
    Case(
        "retries-end-in-outage",
        {"systems.archive.outages": [{"from": "22:00", "until": "22:01"}]},  # three pauses of 20 s
        {"systems.archive.outages": [{"from": "22:00", "until": "22:01:01"}]},
        "systems.archive.outages.0",
        "archive is down for 1m1s, and the last retry of night comes 1m after the first error: "
        "jobs fail before it is back",
    ),
    Case(
        "retries-end-in-outage",
        fault(system_outage="archive", at="22:00", lasts="60s"),
        fault(system_outage="archive", at="22:00", lasts="61s"),
        "faults.0",
        "archive is down for 1m1s, and the last retry of night comes 1m after the first error: "
        "jobs fail before it is back",
    ),
    Case(
        "retries-end-in-outage",
        {**fault(system_outage="archive", **{"from": "22:00", "until": "22:02"}), "systems.archive.retry_after": "40s"},
        {**fault(system_outage="archive", **{"from": "22:00", "until": "22:02"}), "systems.archive.retry_after": "39s"},
        "faults.0",
        "archive is down for 2m, and the last retry of night comes 1m57s after the first error: "
        "jobs fail before it is back",
    ),
    Case(
        "grant-late",
        {"access.0.given": "22:01"},
        {"access.0.given": "22:00", "access.0.in_force_after": "61s"},
        "access.0",
        "it is in force at 22:01 (p95), and jobs of nightly that come at 22:00 have their last retry within 1m",
    ),
    Case(
        "credential-ends-early",
        {"credentials": [{"who": "dome", "to": "archive", "life": "320s"}]},
        {"credentials": [{"who": "dome-1", "to": "archive", "life": "319s"}]},
        "credentials.0.life",
        "it lives 5m19s and is not renewed in time, and the p95 of plate-copy is 5m20s: "
        "it ends in the middle of long work",
    ),
    Case(
        "credential-ends-early",
        {"credentials": [{"who": "dome", "to": "archive", "life": "6h", "issued": "at_start"}]},
        {"credentials": [{"who": "dome", "to": "archive", "life": "5h", "issued": "at_start", "renewed_every": "5h"}]},
        "credentials.0.life",
        "it is issued once, lives 5h and is not renewed in time, and the run lasts 6h",
    ),
    Case(
        "credential-ends-early",
        {"credentials": [{"who": "dome", "to": "archive", "ends": "+6h"}]},
        {"credentials": [{"who": "dome", "to": "archive", "ends": "+5h59m"}]},
        "credentials.0.ends",
        "it ends during the run, at 2026-06-13 03:29: from then on every call is refused",
    ),
    Case(
        "nobody-equipped",
        {
            "routines.plate-copy.requires": ["tape", "lamp"],
            "pools.dome.per_worker": {"dome-3": {"equipped_with": ["lamp", "tape"]}},
        },
        {
            "routines.plate-copy.requires": ["tape", "lamp"],
            "pools.dome.per_worker": {"dome-3": {"equipped_with": ["lamp"]}},
        },
        "routines.plate-copy.requires",
        "no worker of dome ever has all of tape, lamp at once: its jobs wait for ever",
    ),
    Case(
        "nobody-equipped",
        {
            "routines.plate-copy.requires": ["tape>=2.1"],
            "pools.dome.equipment_changes": [
                {"at": "23:00", "installs": ["tape 2.1"], "removes": ["tape"], "workers": ["dome-2"]}
            ],
        },
        {
            "routines.plate-copy.requires": ["tape>=2.1"],
            "pools.dome.equipment_changes": [{"at": "23:00", "installs": ["tape 2.0"]}],
            "queues.night.matches_equipment": False,
        },
        "routines.plate-copy.requires",
        "no worker of dome ever has tape>=2.1: its jobs fail on every worker",
    ),
    Case(
        "load-above-capacity",
        {
            "arrivals": coming(per_hour=33.7, **{"from": "22:00", "until": "23:00"}),
            "routines.plate-copy.takes_slots": 2,
            "pools.dome.slots": 2,
        },
        {
            "arrivals": coming(per_hour=33.8, **{"from": "22:00", "until": "23:00"}),  # 33.75 = 6 slots / (2 * 320 s)
            "routines.plate-copy.takes_slots": 2,
            "pools.dome.slots": 2,
        },
        "pools.dome",
        "from 22:00 on work for 6.01 slots comes to night, and there are 6: the backlog grows as long as that goes on",
    ),
    Case(
        "few-have-the-slots",
        {
            "routines.plate-copy.takes_slots": 2,
            "pools.dome.equipped_with": [],
            "pools.dome.per_worker": {"dome-2": {"slots": 2, "equipped_with": ["tape"]}},
        },
        {
            "routines.plate-copy.takes_slots": 2,
            "pools.dome.equipped_with": [],
            "pools.dome.per_worker": {"dome-2": {"slots": 2}, "dome-3": {"equipped_with": ["tape"]}},
        },
        "routines.plate-copy.takes_slots",
        "no worker of dome that has tape has 2 slots: its jobs wait for ever, unless such a worker comes",
    ),
    Case(
        "few-have-the-slots",
        {"routines.plate-copy.takes_slots": 2, "pools.dome.slots": 2},
        {  # the other pool has the slots, and no worker so far
            "routines.plate-copy.takes_slots": 2,
            "pools.annex": {"count": 0, "serves": ["night"], "slots": 2},
        },
        "routines.plate-copy.takes_slots",
        "no worker of dome that has tape has 2 slots: its jobs wait for ever, unless such a worker comes",
    ),
    Case(
        "slots-stay-taken",
        {"routines.sweep": {**SWEEP, "takes_slots": 2}, "arrivals": SWEEPS, "pools.dome.slots": 3, **BY_TWO},
        {"routines.sweep": SWEEP, "arrivals": SWEEPS, "pools.dome.slots": 3, **BY_TWO},
        "routines.plate-copy.takes_slots",
        "its jobs need 2 free slots at once, and jobs of sweep take fewer and go first where fewer are free: "
        "a job of it may wait as long as such jobs come",
    ),
    Case(
        "nobody-serves",
        {"pools.dome.count": 1},
        {"pools.dome.count": 0},
        "queues.night",
        "no pool with workers serves it: its jobs wait for ever",
    ),
    Case(
        "tool-nobody-has",
        fault(missing_tool="dome-1", tool="tape", at="23:00"),
        fault(missing_tool="dome-1", tool="lamp", at="23:00"),
        "faults.0.tool",
        "no worker ever has lamp: this fault changes nothing",
    ),
    Case(
        "power-off-in-run",
        {"pools.dome.power": {"off": "03:30"}},  # the run ends at that instant
        {"pools.dome.power": {"off": "03:29"}},
        "pools.dome.power.off",
        "the workers are switched off at 03:29 (Saturday): what runs is killed",
    ),
    Case(
        "power-off-in-run",
        # the run goes from 02:30 to 08:30 in London, on a Saturday
        {"pools.dome.power": {"off": "08:30", "zone": "Europe/London", "at_shutdown": "finish"}},
        {"pools.dome.power": {"off": "08:29", "zone": "Europe/London", "at_shutdown": "finish"}},
        "pools.dome.power.off",
        "the workers are switched off at 08:29 (Saturday): what runs is finished first",
    ),
    Case(
        "power-off-in-run",
        # the first window ends inside the second, and that one when the run does
        {"pools.dome.power": [{"on": "20:00", "off": "23:00"}, {"on": "22:00", "off": "03:30"}]},
        {"pools.dome.power": [{"on": "20:00", "off": "23:00"}, {"on": "22:00", "off": "03:29"}]},
        "pools.dome.power.1.off",
        "the workers are switched off at 03:29 (Saturday): what runs is killed",
    ),
    Case(
        "power-off-in-run",
        {"pools.dome.power": {"off": "03:00", "days": ["fri", "sun"]}},
        {"pools.dome.power": {"off": "03:00", "days": ["fri", "sat"]}},
        "pools.dome.power.off",
        "the workers are switched off at 03:00 (Saturday): what runs is killed",
    ),
    Case(
        "power-off-in-run",
        {},
        fault(power_off="dome-1", at="23:00"),
        "faults.0.power_off",
        "power is lost at 23:00: what runs there is gone in mid-run",
    ),
    Case(
        "power-off-in-run",
        {},
        fault(power_off="dome", gaps={"mean": "3h", "law": "exponential"}, back_after="5m"),
        "faults.0.power_off",
        "power is lost at random or in a window: what runs there is gone in mid-run",
    ),
    Case(
        "after-the-end",
        {"arrivals.nightly.at": "+5h59m59s", "arrivals.nightly.count": 0},
        {"arrivals.nightly.at": "+6h", "arrivals.nightly.count": 0},
        "arrivals.0.at",
        "2026-06-13 03:30 is +6h from the start, and the run ends at +6h: this never happens",
    ),
    Case(
        "nothing-comes",
        {"arrivals.rounds.until": "23:00:01"},
        {"arrivals.rounds.until": "23:00"},
        "arrivals.1.recurs",
        "0 23 * * * does not occur from 2026-06-12 21:30 to 2026-06-12 23:00: no job comes",
    ),
    Case(
        "nothing-comes",
        {"arrivals": coming(gaps="29m59s", until="22:00")},
        {"arrivals": coming(gaps="30m", until="22:00")},
        "arrivals.1.gaps",
        "the first gap is at least 30m, and the time for it is 30m: no job comes",
    ),
    Case(
        "clock-change",
        {"starts": "2026-09-05T21:30:00", "arrivals.nightly.at": "01:00"},
        {"starts": "2026-09-05T21:30:00", "arrivals.nightly.at": "00:59:59"},
        "arrivals.0.at",
        "the clock in America/Santiago is put forward over 2026-09-06 00:59:59, which it never shows: "
        "2026-09-06T01:59:59-03:00 is taken",
    ),
    Case(
        "recurrence-minute",
        {"arrivals.rounds.recurs": "FREQ=DAILY;BYHOUR=23;BYMINUTE=0"},
        {"arrivals.rounds.recurs": "FREQ=DAILY;BYHOUR=23"},
        "arrivals.1.recurs",
        "FREQ=DAILY;BYHOUR=23 takes its minute from the start: it comes at 23:30; for the full hour write BYMINUTE=0",
    ),
    Case(
        "age-of-single-results",  # two jobs, and one
        {"must_hold": AGED, "arrivals": [{**NIGHTLY, "count": 2}]},
        {"must_hold": AGED, "arrivals": [{**NIGHTLY, "count": 1}]},
        "must_hold.0.measure",
        "each target gets one result in this run, so its age says nothing of the next: name by `target` what is kept, "
        "and let the run hold the job more than once",
    ),
]


def found(changes: dict[str, Any]) -> list[Any]:
    loaded = quiet()
    return hazards(varied(loaded, changes) if changes else loaded)


def test_a_quiet_night_has_no_hazards() -> None:
    """A scenario without hazards gives none."""
    assert found({}) == []


@pytest.mark.parametrize("case", CASES, ids=[f"{number}-{case.code}" for number, case in enumerate(CASES)])
def test_just_inside_and_just_outside(case: Case) -> None:
    """Just inside its limit a hazard is not named; just outside it is, with its place, its figures, and no other."""
    assert [hazard.code for hazard in found(case.inside)] == list(case.always)
    outside = [hazard for hazard in found(case.outside) if hazard.code not in case.always]
    assert [(hazard.code, hazard.path, hazard.message) for hazard in outside] == [(case.code, case.path, case.message)]


def test_every_hazard_has_its_pair() -> None:
    """No hazard goes without a test on both sides of its limit."""
    assert {case.code for case in CASES} == set(HAZARDS)


def test_hazards_have_their_place() -> None:
    """A hazard of a file names line and column of the value that it hangs on, or of the nearest that is written."""
    seen = {hazard.code: hazard for hazard in hazards(load(RIGHT / "shown.yaml"))}
    file = RIGHT / "shown.yaml"
    assert Counter(hazard.code for hazard in hazards(load(file))) == Counter(
        {
            "few-heartbeats": 1,
            "unrepeatable-work": 1,
            "elements-not-given": 3,
            "power-off-in-run": 1,
            "recurrence-minute": 1,
        }
    )
    assert (seen["few-heartbeats"].place, seen["power-off-in-run"].place) == (f"{file}:7:12", f"{file}:30:17")
    assert str(seen["power-off-in-run"]) == (
        f"{file}:30:17: power-off-in-run: "
        "faults.0.power_off: power is lost at 22:11: what runs there is gone in mid-run."
    )


def test_variants_have_hazards_of_their_own() -> None:
    """The hazards of a variant are looked for in the variant."""
    loaded = load(RIGHT / "shown.yaml")
    mine = [hazard.message for hazard in hazards(loaded, loaded.variants["short-lease"])][:1]
    assert mine == [
        "a lease of 30s with a heartbeat every 30s (pool dome) always ends before it is renewed: "
        "every longer job loses it"
    ]


def test_margins_are_told_for_every_lease() -> None:
    """How many lost heartbeats are survived is told for every renewed lease on every pool that renews it."""
    assert heartbeat_margins(quiet()) == [Margin("night", "dome", 3)]
    assert heartbeat_margins(quiet(queues__night__renewed=False)) == []


@pytest.mark.parametrize(
    "lease, survived",
    [
        ("90s", 1),
        ("90001ms", 2),
        ("91s", 2),
        ("119s", 2),
        ("120s", 2),
        ("121s", 3),
        ("60s", 0),
        ("30s", -1),
        ("10s", -1),
    ],
)
def test_losses_survived(lease: str, survived: int) -> None:
    """With k = ceil(L/h) - 1 heartbeats strictly inside a lease, k - 1 losses in a row are survived (h = 30 s)."""
    loaded = quiet(queues__night__lease=lease, pools__dome__heartbeat="30s")
    assert [margin.survived for margin in heartbeat_margins(loaded)] == [survived]
    words = {1: "survives 1 lost heartbeat in a row", 0: "survives no lost heartbeat;", -1: "always ends before"}
    if survived in words:
        assert words[survived] in hazards(loaded)[0].message


@pytest.mark.parametrize(
    "retry, longest",
    [
        (Retry(attempts_in_all=4, pause="constant", first=20), 60),
        (Retry(attempts_in_all=4, pause="linear", first=20), 20 + 40 + 60),
        (Retry(attempts_in_all=4, pause="exponential", first=20), 20 + 40 + 80),
        (Retry(attempts_in_all=4, pause="exponential", first=20, longest=50), 20 + 40 + 50),
        (Retry(attempts_in_all=4, pause="exponential", first=20, grows_by=1.0), 60),
        (Retry(attempts_in_all=3, pause="constant", first=20, jitter="decorrelated", longest=100), 60 + 100),
        (Retry(attempts_in_all=4, pause="constant", first=20, total_limit=50), 50),
        (Retry(attempts_in_all=4), 0),
        (Retry(attempts_in_all=1, pause="constant", first=20), 0),
        (Retry(attempts_in_all=4, pause="constant", first=20, retried=("lease_lost",)), 0),
        (Retry(attempts_in_all=100_000, pause="constant", first=20), 99_999 * 20),
    ],
)
def test_the_span_of_retries(retry: Retry, longest: int) -> None:
    """The longest time from the first error to the last retry is the sum of the pauses, each at its longest."""
    assert span(retry) == longest


def test_the_span_of_retries_heeds_hints() -> None:
    """A hint lengthens each pause that is shorter, if hints are heeded."""
    retry = Retry(attempts_in_all=4, pause="linear", first=20)
    assert (span(retry, 50), span(retry.model_copy(update={"respects_retry_after": False}), 50)) == (50 + 50 + 60, 120)


def test_endless_pauses_have_an_end_in_words() -> None:
    """Pauses that grow beyond all bounds are told without a number that nobody can read."""
    [hazard] = found({"queues.night.retry": {"attempts_in_all": 200, "pause": "exponential", "first": "1h"}})
    assert hazard.message == (
        "the pauses between 200 attempts add up to more than 300 years, and the run lasts 6h: "
        "the last attempts never come"
    )


def test_the_slowest_worker_counts_for_what_is_long() -> None:
    """What a job can well take is told for the slowest worker; what it takes at best for the fastest."""
    slow = {"pools.dome.per_worker": {"dome-1": {"speed": 0.5}, "dome-2": {"speed": 4}}}
    [hazard] = found({**slow, "queues.night.time_limit.after": "141s"})  # at best 60 s and two calls of 40 s
    assert "the p95 of plate-copy is 9m20s" in hazard.message
    [hazard] = found({**slow, "queues.night.time_limit.after": "140s"})
    assert "plate-copy can never finish: it takes at least 2m20s" in hazard.message


def test_workers_that_differ_count_for_the_load() -> None:
    """Slots and speeds of workers that differ count for what a pool can do."""
    own = {"pools.dome.per_worker": {"dome-1": {"slots": 3}}, "arrivals.nightly.count": 202}
    assert found(own) == []


HOURS = {
    "title": "Few hours",
    "starts": "2026-06-12T20:00:00",  # a Friday
    "lasts": "10h",
    "queues": {"q": {}},
    "pools": {"p": {"count": 1, "serves": ["q"], "heartbeat": "20s", "power": {"on": "22:00", "off": "00:30"}}},
    "routines": {"r": {"queue": "q", "parts": [{"name": "a", "takes": "30m"}]}},
    "arrivals": [{"routine": "r", "count": 5, "at": "20:00"}],
}
TOO_MUCH = "the jobs that come to q from {} on are {} hours of work, and from then to the end the workers have {} hours"


def too_much(jobs: int, at: str = "20:00", **changes: Any) -> list[str]:
    """Say what is too much where so many jobs of half an hour come."""
    loaded = varied(from_settings(HOURS), {"arrivals.0.count": jobs, "arrivals.0.at": at, **changes})
    return [hazard.message for hazard in hazards(loaded) if hazard.code == "more-work-than-time"]


@pytest.mark.parametrize(
    ("fit", "changes"),
    [
        (5, {}),
        (4, {"pools.p.joins": "22:30"}),
        (3, {"at": "23:00"}),
        (0, {"at": "00:30"}),
        (7, {"pools.p.power": {"on": "22:00", "off": "00:30", "at_shutdown": "finish"}}),  # and waits for an hour
        (12, {"pools.p.power": {"on": "00:00", "off": "00:30", "at_shutdown": "finish", "finish_within": "24h"}}),
        (0, {"pools.p.power": {"on": "00:10", "off": "00:30", "days": ["mon"]}}),
        (20, {"pools.p.power": {"on": "22:00", "off": "00:30", "days": ["mon"]}}),  # on since Monday evening
        (3, {"pools.p.power": {"off": "21:30"}}),
        (8, {"pools.p.power": [{"on": "20:30", "off": "21:30"}, {"on": "22:00", "off": "01:00"}]}),
        (9, {"pools.p.power": [{"on": "20:30", "off": "23:30"}, {"on": "22:00", "off": "01:00"}]}),
        (
            10,  # the first window's hour of waiting counts, up to the next
            {
                "pools.p.power": [
                    {"on": "20:30", "off": "21:30", "at_shutdown": "finish"},
                    {"on": "22:00", "off": "02:00"},
                ],
                "lasts": "5h30m",
            },
        ),
        (16, {"pools.p.power": {"on": "22:00"}, "pools.p.woken_on_demand": True, "lasts": "8h"}),
        (20, {"pools.p.power": {"off": "21:30"}, "pools.p.woken_on_demand": True}),
        (20, {"pools.p.woken_on_demand": True, "pools.p.power": None, "pools.p.joins": "03:00"}),
        (6, {"pools.p.power": None, "pools.p.joins": "03:00"}),
        (5, {"pools.p.power": {"on": "18:00", "off": "20:30", "zone": "America/Santiago"}}),  # four hours behind UTC
        (16, {"pools.p.power": {"on": "02:00", "off": "00:00"}}),  # on from the start, four hours each
        (
            13,
            {
                "pools.p.power": {"on": "00:30", "off": "00:00", "at_shutdown": "finish", "finish_within": "9h"},
                "lasts": "6h30m",
            },
        ),
        (20, {"faults": [{"power_off": "p", "at": "20:10", "back_after": "1m"}]}),
        (5, {"faults": [{"power_off": "p", "at": "20:10"}]}),
        (20, {"faults": [{"poison_job": "r at 0s#1", "how": "takes_worker_down"}]}),
        (10, {"pools.p.count": 2}),
        (9, {"pools.p.count": 2, "pools.p.per_worker": {"p-2": {"joins": "22:30"}}}),
        (15, {"pools.p.count": 2, "pools.p.per_worker": {"p-2": {"slots": 2}}}),
        (5, {"pools.p.slots": 3, "queues.q.running_at_most": 1}),
    ],
)
def test_the_hours_that_schedules_leave_count(fit: int, changes: dict[str, Any]) -> None:
    """As many jobs as fit into the hours of the workers say nothing, and one more is too much."""
    assert (too_much(fit, **changes), len(too_much(fit + 1, **changes))) == ([], 1)


def test_what_rates_by_the_clock_bring_counts() -> None:
    """From Friday 20:00 to midnight five jobs of half an hour, for 2.5 hours of work; `count` bounds them."""
    rates = {"routine": "r", "per_hour": {"fri": {"20:00": 1.25}, "sun": 9}}
    few = [{"routine": "r", "name": "few", "count": 0, "at": "20:00"}]
    assert too_much(0, arrivals=[*few, rates]) == []
    more = {**rates, "per_hour": {"fri": {"20:00": 1.3}, "sun": 9}}  # 5.2 jobs
    assert too_much(0, arrivals=[*few, more]) == [TOO_MUCH.format("20:00", "2.6", "2.5")]
    assert too_much(0, arrivals=[*few, {**more, "count": 5}]) == []


def test_the_hours_of_workers_are_told() -> None:
    """What is too much is told with the time from which it comes, its hours and those of the workers."""
    assert too_much(9) == [TOO_MUCH.format("20:00", "4.5", "2.5")]
    late = [{"routine": "r", "count": 1, "at": "20:00"}, {"routine": "r", "count": 3, "at": "23:30"}]
    assert too_much(1, arrivals=late, **{"pools.p.power.on": "20:00"}) == [TOO_MUCH.format("23:30", "1.5", "1")]


def test_workers_that_differ_do_what_they_are_best_at() -> None:
    """Fast workers that compute beside slow ones that wait for a system do more than their average: no false alarm."""
    mixed = {
        "pools.fast": {"count": 1, "serves": ["q"], "heartbeat": "20s", "speed": 10},
        "pools.p.power": None,
        "systems.archive": {"answers_in": "30m"},
        "routines.s": {"queue": "q", "parts": [{"name": "b", "calls": "archive"}]},
    }
    arrivals = [{"routine": "r", "count": 200, "at": "20:00"}, {"routine": "s", "count": 20, "at": "20:00"}]
    loaded = varied(from_settings(HOURS), {**mixed, "arrivals": arrivals})  # 200 * 3 min, 20 * 30 min: ten hours each
    assert [hazard.code for hazard in hazards(loaded) if hazard.code == "more-work-than-time"] == []
    [hazard] = [h for h in hazards(varied(loaded, {"arrivals.0.count": 241})) if h.code == "more-work-than-time"]
    assert hazard.path == "pools"


def test_queues_that_share_workers_are_taken_together() -> None:
    """The load of queues is held against all the pools that serve any of them, each counted once."""
    both = {
        "queues.day": {"lease": "90s"},
        "pools.dome.serves": ["night", "day"],
        "pools.roof": {"count": 1, "serves": ["day"], "heartbeat": "20s"},
        "routines.sweep": {"queue": "day", "parts": [{"name": "sweep", "takes": "1h"}]},
        "arrivals": [NIGHTLY, {"routine": "sweep", "every": "15m", "until": "23:30"}],
    }
    [hazard] = found(both)
    assert (hazard.code, hazard.path, hazard.message) == (
        "load-above-capacity",
        "pools",
        "from 21:30 on work for 4 slots comes to night and day, and there are 4: "
        "the backlog grows as long as that goes on",
    )


def test_what_is_drawn_and_what_a_trace_tells() -> None:
    """Gaps count by their mean; what only a trace knows counts for nothing."""
    assert found({"arrivals": coming(gaps={"mean": "107s", "law": "exponential"}, until="22:30")}) == []
    [hazard] = found({"arrivals": coming(gaps={"mean": "106s", "law": "exponential"}, until="22:30")})
    assert hazard.code == "load-above-capacity"
    assert found({"arrivals": coming(again_after="1m", count=2)}) == []
    everything = load(RIGHT / "everything.yaml")
    assert "elements-not-given" not in {hazard.code for hazard in hazards(everything)}


@pytest.mark.parametrize("skewed", ["dome", "dome-2", ["dome-1", "dome-3"], {"pool": "dome", "some": 1}])
def test_clocks_can_be_skewed_by_a_fault_too(skewed: Any) -> None:
    """A lease told as clock time is a hazard where a fault skews a clock of the pool, however it is aimed."""
    clocks = fault(skew_clock=skewed, at="23:00", clock={"offset": "1s"})
    told = {"queues.night.expiry_sent_as": "clock_time", **clocks}
    assert [hazard.code for hazard in found(told)] == ["clock-told-lease"]
    other = {"pools.roof": {"count": 1, "serves": ["night"], "heartbeat": "20s", "equipped_with": ["tape"]}}
    assert [hazard.code for hazard in found({**told, **other})] == ["clock-told-lease"]  # dome's clocks, not roof's


def test_one_worker_with_a_wrong_clock_is_enough() -> None:
    """A drift of one worker that differs is a hazard for leases told as clock time."""
    drifts = {f"dome-{number}": {"clock": {"drift_ppm": 1}} for number in (1, 2, 3)}
    told = {"queues.night.expiry_sent_as": "clock_time", "pools.dome.per_worker": drifts}
    assert [hazard.code for hazard in found(told)] == ["clock-told-lease"]


def test_outages_outside_the_run_say_nothing() -> None:
    """An outage that is over before the start is no hazard; one that began before counts from the start."""
    before = [{"from": "2026-06-12T20:00:00", "until": "2026-06-12T21:30:00"}]
    assert found({"systems.archive.outages": before}) == []
    reaching_in = [{"from": "2026-06-12T20:00:00", "until": "2026-06-12T21:30:59"}]
    assert found({"systems.archive.outages": reaching_in}) == []
    for_ever = fault(system_outage="archive", at="22:00")
    assert [hazard.message for hazard in found(for_ever)] == [
        "archive is down for 5h30m, and the last retry of night comes 1m after the first error: "
        "jobs fail before it is back"
    ]
    assert found(fault(system_outage="archive", gaps="1h", lasts="2h")) == []  # when and whether is not stated
    assert [hazard.code for hazard in found(fault(system_outage="archive", at="+7h"))] == ["after-the-end"]


def test_grants_for_others_say_nothing() -> None:
    """A late grant is a hazard for jobs whose workers it means, and for the first of them that can come."""
    late = {"access.0.given": "22:02"}
    roof = {"pools.roof": {"count": 1, "serves": ["day"], "heartbeat": "20s"}, "queues.day": {"lease": "90s"}}
    assert found({**late, **roof, "access.0.who": "roof"}) == []
    assert found({**late, "arrivals.nightly.not_before": "22:01"}) == []
    assert [hazard.code for hazard in found({**late, "access.0.who": "dome-3"})] == ["grant-late"]
    never = [{"routine": "plate-copy", "recurs": "0 21 * * *", "parameters": {"plates": ["a"]}}]
    assert [hazard.code for hazard in found({**late, "arrivals": never})] == ["nothing-comes"]


def test_entries_that_are_to_bring_nothing_say_nothing() -> None:
    """A count of 0 is meant, and an entry that begins after the end is told by that."""
    assert found({"arrivals.rounds.recurs": "30 3 * * *", "arrivals.rounds.count": 0}) == []
    late = found({"arrivals.rounds.from": "+6h", "arrivals.rounds.until": "+30h"})
    assert [hazard.code for hazard in late] == ["after-the-end"]


def test_traces_keep_their_first_job_to_themselves(tmp_path: Any) -> None:
    """When the first job of a trace comes is not looked up, so a late grant says nothing of it."""
    (tmp_path / "a.csv").write_text("at\n21:31\n")
    arrivals = [{"routine": "plate-copy", "trace": "a.csv"}]
    assert hazards(from_settings({**QUIET, "arrivals": arrivals}, folder=tmp_path)) == []


FORWARD, BACK = "2026-09-05T21:30:00", "2026-04-04T21:30:00"  # in Santiago, by version 2026f of the zone database
AT_NOON = {"arrivals.rounds.recurs": "0 12 * * *", "lasts": "24h"}


def changed_clocks(changes: dict[str, Any]) -> list[Any]:
    return [hazard for hazard in found(changes) if hazard.code == "clock-change"]


@pytest.mark.parametrize(
    ("changes", "path", "said"),
    [
        (
            {"starts": "2026-09-06T00:30:00"},
            "starts",
            "2026-09-06 00:30:00, which it never shows: 2026-09-06T01:30:00-03",
        ),
        (
            {"starts": "2026-04-04T23:30:00"},
            "starts",
            "twice: 2026-04-04T23:30:00-03:00 is taken, and not 2026-04-04T23:3",
        ),
        (
            {"starts": BACK, "arrivals.nightly.at": "23:30"},
            "arrivals.0.at",
            "23:30:00 twice: 2026-04-04T23:30:00-03:00 ",
        ),
        (
            {"starts": BACK, "arrivals.nightly.at": "2026-04-04T23:30:00"},
            "arrivals.0.at",
            "put back and shows 2026-04-04",
        ),
        (
            {"starts": FORWARD, "arrivals.nightly.not_before": "00:15"},
            "arrivals.0.not_before",
            "2026-09-06T01:15:00-03:00",
        ),
        ({"starts": FORWARD, "pools.dome.power": {"on": "00:15"}}, "pools.dome.power.on", "2026-09-06T01:15:00-03:00"),
        (
            {
                "starts": FORWARD,
                "pools.dome.power": [{"on": "20:00", "off": "23:00"}, {"on": "00:15", "off": "12:00"}],
            },
            "pools.dome.power.1.on",
            "2026-09-06T01:15:00-03:00",
        ),
        (
            {"starts": FORWARD, "faults": [{"freeze": "dome", "from": "00:15", "until": "02:00"}]},
            "faults.0.from",
            "01:15",
        ),
        (
            {"zone": "America/Nuuk", "starts": "2024-03-30T20:00:00", "arrivals.nightly.at": "23:30"},
            "arrivals.0.at",
            "over 2024-03-30 23:30:00, which it never shows: 2024-03-31T00:30:00-01:00 is taken",
        ),
    ],
)
def test_times_in_a_clock_change_are_told(changes: dict[str, Any], path: str, said: str) -> None:
    """A stated time that the clock never shows, or shows twice, is told with the instant that is taken."""
    [hazard] = changed_clocks({**AT_NOON, **changes})
    assert (hazard.path, said in hazard.message) == (path, True), hazard.message


@pytest.mark.parametrize(
    "changes",
    [
        {"starts": BACK, "arrivals.nightly.at": "2026-04-04T23:30:00-04:00"},
        {"starts": BACK, "arrivals.nightly.at": "+2h30m"},
        {"starts": "2026-04-05T00:00:00", "arrivals.nightly.at": "23:30"},
        {"starts": FORWARD, "pools.dome.power": {"on": "00:15", "days": ["mon"]}},
        {"starts": FORWARD, "pools.dome.power": {"on": "00:15", "zone": "UTC"}},
    ],
)
def test_clear_times_around_a_clock_change_say_nothing(changes: dict[str, Any]) -> None:
    """An offset, an instant and the time of another day are clear."""
    assert changed_clocks({**AT_NOON, **changes}) == []


def test_the_second_of_two_is_clear_when_the_first_is_past() -> None:
    """A time of day that comes twice is the first from the start on: where that is the second, nothing is told."""
    told = changed_clocks({**AT_NOON, "starts": "2026-04-04T23:45:00", "arrivals.nightly.at": "23:30"})
    assert [hazard.path for hazard in told] == ["starts"]


def test_a_variant_states_times_of_its_own() -> None:
    """What a variant changes is read as the variant states it."""
    loaded = from_settings({**QUIET, "starts": FORWARD, "variants": {"late": {"arrivals.nightly.at": "00:15"}}})
    own = [hazard.path for hazard in hazards(loaded, loaded.variants["late"]) if hazard.code == "clock-change"]
    assert (own, [hazard for hazard in hazards(loaded) if hazard.code == "clock-change"]) == (["arrivals.0.at"], [])


def test_switches_without_an_off_time_say_nothing() -> None:
    """A schedule that only switches on, or a pool without workers, is no hazard."""
    assert found({"pools.dome.power": {"on": "22:00"}}) == []
    assert "power-off-in-run" not in {
        hazard.code for hazard in found({"pools.dome.power": {"off": "23:00"}, "pools.dome.count": 0})
    }
    assert found({"pools.dome.power": {"off": "23:00", "days": ["sun"]}}) == []


def test_every_moment_after_the_end_is_told() -> None:
    """Whatever is stated for a time after the end of the run is told, wherever it stands."""
    late = {
        "arrivals": [
            {**NIGHTLY, "not_before": "+7h"},
            {"routine": "plate-copy", "per_hour": 1, "from": "+7h", "parameters": {"plates": ["a"]}},
        ],
        "faults": [{"freeze": "dome", "at": "+7h"}, {"freeze": "dome", "from": "+7h", "until": "+8h"}],
        "actions": [{"hold": "nightly#1", "at": "+7h"}],
        "systems.archive.outages": [{"from": "+7h", "until": "+8h"}],
        "pools.dome.joins": "+7h",
        "pools.dome.per_worker": {"dome-2": {"joins": "+7h"}},
        "pools.dome.equipment_changes": [{"at": "+7h", "installs": ["lamp"]}],
        "access.0.given": "+7h",
    }
    told = [hazard.path for hazard in found(late) if hazard.code == "after-the-end"]
    assert sorted(told) == sorted(
        [
            "arrivals.0.not_before",
            "arrivals.1.from",
            "faults.0.at",
            "faults.1.from",
            "actions.0.at",
            "systems.archive.outages.0.from",
            "pools.dome.joins",
            "pools.dome.per_worker.dome-2.joins",
            "pools.dome.equipment_changes.0.at",
            "access.0.given",
        ]
    )
