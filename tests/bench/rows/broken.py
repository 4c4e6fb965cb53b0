"""Leased work under faults: heartbeats break and go on; computed, beside our own mode that simulates each."""

import hashlib
from typing import Any

from bench.judging import Claim, Measured, Round, Row, as_fast, same
from bench.rows.leased import leased, ours
from bench.scenes import whole
from emulator.record.events import HEARTBEAT_KINDS

__all__ = ["ROW"]

HOURS = 400


def faults() -> list[dict[str, Any]]:
    """One fault for each worker and day: half of them cut power, half cut links."""
    every_other_day = {"mean": "48h", "law": "exponential"}
    return [
        {"power_off": "dome", "gaps": every_other_day, "back_after": "10m"},
        {"cut_link": "dome", "gaps": every_other_day, "lasts": "5m"},
    ]


def side(hours: int, heartbeats: str) -> Measured:
    """Run it one way or the other, and take a digest of all events but the heartbeats."""
    night, measured = ours(leased(hours, faults=faults()), heartbeats)
    sha = hashlib.sha256()
    for row in night.rows or ():
        if row[1] not in HEARTBEAT_KINDS:
            sha.update(repr((row[0], row[1], *row[3:])).encode())
    faulted = sum(row[1] == "fault_began" for row in night.rows or ())
    facts = {**measured.facts, "faults": faulted, "events": sha.hexdigest()}
    return Measured(measured.work, measured.seconds, measured.peak, facts)


def check(measured: Round) -> None:
    """Check that both ways gave the same events, heartbeats aside."""
    same(measured, "done of ours", "attempts", "leases lost", "hours of work", "faults", "events")


ROW = Row(
    name="broken",
    asks="the same under one power loss or cut link per worker and day, beside our mode that simulates each heartbeat",
    unit="jobs",
    sides={
        "ours": lambda scale: side(whole(HOURS * scale), "computed"),
        "simulated": lambda scale: side(whole(HOURS * scale), "simulated"),
    },
    check=check,
    claims=[Claim("as fast as simulating", as_fast("ours", "simulated"), 8, 20)],
)
