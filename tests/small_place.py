"""What tests of commands work with: a small scenario, and how a command ended."""

from typing import NamedTuple

__all__ = ["FAULTY", "SCENARIO", "Ended"]

SCENARIO = """\
title: One copy
starts: 2026-06-12T21:30:00
zone: America/Santiago
lasts: 2h
queues: {night: {lease: 90s}}
pools: {dome: {count: 1, serves: [night], poll: 0s, heartbeat: 20s}}
routines: {copy: {queue: night, parts: [{name: copy, takes: 10m}]}}
arrivals: [{routine: copy, count: 2, at: "21:35"}]
must_hold: [{measure: makespan, at_most: 20m}]
"""
"""Two jobs of ten minutes come at 21:35 to one worker: the last is done at 21:55, just within its twenty minutes."""

FAULTY = (
    SCENARIO.replace("count: 2,", "name: copies, count: 2,").replace(
        "lease: 90s", "lease: 90s, retry: {attempts_in_all: 3}"
    )
    + 'faults: [{power_off: dome-1, at: "21:37", back_after: 5m}]\n'
)
"""The first of two jobs loses its worker after two minutes; another attempt begins when the worker is back."""


class Ended(NamedTuple):
    """How a command ended, and what it wrote."""

    code: int
    out: str
    err: str
