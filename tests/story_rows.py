"""Rows of events written short by hand, with moments in seconds, and the stories that they give."""

from typing import Any

from emulator.measure.story.facts import Rows, settings_of
from emulator.measure.story.job import job_story, worker_story
from emulator.measure.story.surroundings import Surroundings
from emulator.record.events import Row
from emulator.record.reasons import EVENT_REASONS, Because, said
from emulator.scenario.load import load_text
from emulator.show.story.writing import lines
from emulator.timeline.ticks import SECOND

SCENARIO = """\
title: By hand
starts: 2026-06-12T21:00:00
zone: UTC
lasts: 1h
broker: {leases_during_outage: extend}
queues:
  night: {lease: 90s, retry: {attempts_in_all: 3}}
  any: {lease: 90s, matches_equipment: false}
  one:
    lease: 90s
    running_at_most: 1
    retry: {attempts_in_all: 2}
    time_limit: {after: 10m, then: start_over, at_most: 2}
  spent: {lease: 90s, retry: {attempts_in_all: 1}, time_limit: {after: 10m, then: start_over, at_most: 2}}
  within: {lease: 90s, retry: {attempts_in_all: 2, total_limit: 20m}, time_limit: {after: 10m, then: start_over}}
  timed: {lease: 90s, retry: {attempts_in_all: 9, total_limit: 20m}}
  far: {lease: 90s}
pools:
  dome: {count: 2, serves: [night, any, one, spent, within, timed], heartbeat: 20s}
  wide: {count: 1, serves: [far], slots: 30, heartbeat: 20s}
systems:
  archive: {answers_in: 5m, fenced: asks_broker}
routines:
  copy: {queue: night, parts: [{name: copy, calls: archive, effect: copied}]}
  wind: {queue: night, requires: [tape], parts: [{name: wind, takes: 5m}]}
  far: {queue: far, parts: [{name: far, takes: 5m}]}
arrivals: [{routine: copy, name: copies, at: "21:00"}]
actions:
  - {new_version: wind, at: "21:00", requires: []}
  - {new_version: wind, at: "21:00"}
"""
"""Two workers for the queues, and one of 30 slots for another one; what happens is told by the rows of a test."""


def row(at: float, kind: str, job: int = 0, worker: str = "", *details: object, cause: int = 0) -> Row:
    """Write a row whose moment is given in seconds."""
    return (round(at * SECOND), kind, cause, job, worker, *details)


def came(at: float, job: int = 1, *, queue: str = "night", routine: str = "copy", key: str = "") -> Row:
    return row(at, "submitted", job, "", "queued", routine, queue, "copies", job, key, 0, "", 0)


def out(at: float, worker: str = "dome-1", token: int = 1, *, job: int = 1, attempt: int = 1) -> Row:
    return row(at, "handed_out", job, worker, attempt, token, round((at + 90) * SECOND), 1)


def began(at: float, worker: str = "dome-1", token: int = 1, *, job: int = 1, attempt: int = 1) -> Row:
    return row(at, "work_began", job, worker, attempt, token)


Why = str | Because
"""A reason as a test writes it: a code, a code with values, or other words, which are those of a user's own code."""


def because(why: Why, *rest: object) -> tuple[object, ...]:
    """Give the last fields of a row, from its reason on."""
    if isinstance(why, str):
        why = said(why) if why not in EVENT_REASONS else Because(why)
    return (why.code, *rest, *((why.values,) if why.values else ()))


def stopped(at: float, why: Why = "finished", worker: str = "dome-1", token: int = 1, *, job: int = 1) -> Row:
    return row(at, "work_stopped", job, worker, 1, token, *because(why))


def ended(
    at: float,
    outcome: str,
    why: Why = "",
    worker: str = "dome-1",
    token: int = 1,
    *,
    job: int = 1,
    attempt: int = 1,
) -> Row:
    return row(at, "attempt_ended", job, worker, attempt, token, outcome, *because(why, round(at * SECOND)))


def failed(at: float, sub_state: str, why: Why = "", attempts: int = 1) -> Row:
    return row(at, "finished", 1, "", "failed", sub_state, *because(why, attempts))


LOST = ("lease_lost", "lease_ran_out")
ON = (row(0, "worker_changed", 0, "dome-1", "idle", "", 1), row(0, "worker_changed", 0, "dome-2", "idle", "", 1))


def surroundings(*rows: Row, finished: bool = True, scenario: str = SCENARIO) -> tuple[Surroundings, Any]:
    loaded = load_text(scenario, "by-hand.yaml")
    around = Surroundings(Rows(rows, finished=finished), settings_of(loaded.scenario), loaded.scenario.lasts)
    return around, loaded.clock


def told(*rows: Row, job: int = 1, finished: bool = True, scenario: str = SCENARIO) -> list[str]:
    """Tell the story of a job, after the sentence that says how it came."""
    around, clock = surroundings(*rows, finished=finished, scenario=scenario)
    return [f"{time} {text}".lstrip() for _, time, text, _ in lines(job_story(around, job), clock)][1:]


def told_of(worker: str, *rows: Row) -> list[str]:
    """Tell the story of a worker, without its sum."""
    around, clock = surroundings(*rows)
    return [f"{time} {text}" for _, time, text, _ in lines(worker_story(around, worker), clock)][:-1]
