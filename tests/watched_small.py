"""A small scenario with quiet nights, survived ones and bad ones, and its nights made by hand."""

from array import array
from collections.abc import Sequence
from typing import Final

from emulator.measure.signals import WatchedNight
from emulator.outlook.table import Hour
from emulator.timeline.ticks import MINUTE

__all__ = ["HOURS", "SMALL", "night"]

SMALL: Final = """\
title: Strips are scanned while a scanner may lose power
starts: 2026-06-12T22:00:00
zone: America/Santiago
lasts: 3h
queues:
  strips: {lease: 20m, retry: {attempts_in_all: 2}}
  previews: {lease: 20m, retry: {attempts_in_all: 2}}
pools:
  scanner: {count: 2, serves: [strips, previews], poll: 0s, heartbeat: 5m}
routines:
  scan: {queue: strips, parts: [{name: scan, takes: {median: 8m, p95: 14m}}]}
  preview: {queue: previews, parts: [{name: preview, takes: 6m}]}
arrivals:
  - {name: strips, routine: scan, count: 8, at: "22:10"}
  - {name: previews, routine: preview, priority: 1, every: 15m, until: "23:30"}
faults:
  - {name: power lost, power_off: scanner-2, at: "22:20", share_of_nights: 0.25}
must_hold:
  - {measure: makespan, queue: strips, at_most: 100m}
questions:
  - ask: What if previews are held from half past ten on?
    change: {actions: {add: [{hold_queue: previews, at: "22:30"}]}}
  - ask: What if there is a third scanner?
    change: {pools.scanner.count: 3}
  - ask: What if there are twice as many strips?
    change: {arrivals.strips.count: 16}
"""

HOURS: Final = (Hour(0, 10 * MINUTE, 0, 2, "22:00"), Hour(10 * MINUTE, 20 * MINUTE, 2, 4, "23:00"))
"""Two very short hours, of two samples each."""


def night(
    *samples: Sequence[float], seed: int = 1, fault: float | None = None, missed: float | None = None, place: int = 0
) -> WatchedNight:
    """Make a night of samples of some signals; times are in minutes."""
    faults = () if fault is None else ((round(fault * MINUTE), "freeze", f"faults[{place}]"),)
    miss = None if missed is None else round(missed * MINUTE)
    return WatchedNight(seed, tuple(array("d", its) for its in samples), faults, miss, "" if miss is None else "late")
