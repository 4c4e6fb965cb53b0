"""What the tests of shown comparisons compare: eight copies on one worker, beside more workers and more patience."""

from typing import Any

__all__ = ["NIGHT"]

NIGHT: dict[str, Any] = {
    "title": "Copies of plates",
    "starts": "2026-06-12T21:30:00",
    "lasts": "2h",
    "queues": {"night": {"retry": {"attempts_in_all": 2}}},
    "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
    "routines": {
        "copy": {
            "queue": "night",
            "parts": [{"name": "copy", "takes": {"median": "4m", "p95": "9m"}, "error_share": 0.2}],
        }
    },
    "arrivals": [{"routine": "copy", "count": 8, "at": "21:30"}],
    "must_hold": [
        {"measure": "makespan", "at_most": "40m", "in_share": 0.5},
        {"measure": "done_share", "at_least": 0.8},
        {"measure": "wasted_work", "not_worse_by": "10m"},
    ],
    "variants": {
        "two": {"pools.dome.count": 2},
        "patient": {"queues.night.retry.attempts_in_all": 4},
        "the same": {"queues.night.lease": "90s"},
    },
}
