"""Briefs to try: of a small quiet night, and of a scenario whose every list is long."""

from functools import lru_cache
from typing import Any

from emulator.outlook.brief import Brief, brief

__all__ = ["CUT", "QUIET", "crowded", "made"]

CUT: dict[str, Any] = {"name": "cut", "power_off": "dome-1", "at": "+10m", "share_of_nights": 0.5}
QUIET: dict[str, Any] = {
    "title": "Six plates on one machine",
    "about": "Six plates are copied, each in ten minutes.",
    "starts": "2026-06-12T21:30:00",
    "zone": "America/Santiago",
    "lasts": "3h",
    "queues": {"night": {"lease": {"value": "60s", "from": "agreed", "on": "2026-05-01"}}},
    "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "20s"}},
    "routines": {"copy": {"queue": "night", "parts": [{"name": "read", "takes": "10m"}]}},
    "arrivals": [{"name": "plates", "routine": "copy", "count": 6, "at": "21:30"}],
    "must_hold": [
        {"measure": "done_share", "at_least": 1, "say": "every plate is copied"},
        {"measure": "makespan", "at_most": "90m"},
    ],
    "also_true": [{"measure": "accepted", "exactly": 6}, {"measure": "lost_leases", "at_least": 1}],
}


def made(nights: int = 40, **changes: Any) -> Brief:
    return brief({**QUIET, **changes}, nights=nights, processes=1)


@lru_cache(1)
def crowded() -> Brief:
    """Give the brief of a scenario whose every list is long and whose every text is as long as it may be."""
    word = "plate "
    texts = {key: (word * 70)[:most].strip() for key, most in (("purpose", 300), ("scope", 300), ("impact", 300))}
    long = {
        **texts,
        "way_back": (word * 70)[:400].strip(),
        "question": (word * 40)[:200].strip(),
        "risk_owner": "x" * 120,
    }
    names = [f"a field of the sky with a long name, number {number}" for number in range(20)]
    return made(
        1,
        title="y" * 200,
        about=word * 900,
        brief={**long, "not_looked_at": [f"thing {number}, which nobody has thought about" for number in range(10)]},
        arrivals=[{"name": name, "routine": "copy", "count": 1, "at": "21:30"} for name in names],
        also_true=[{"measure": "accepted", "at_least": 1, "entry": name} for name in names],
        must_hold=[
            {"measure": "done_share", "at_least": 1, "entry": name, "say": f"every {name} is copied in time"}
            for name in names
        ],
        questions=[
            {"ask": f"{'What if there were many more ' * 5}{number}?", "change": {"arrivals.0.count": 2}}
            for number in range(8)
        ],
        queues={f"q{n}": {"lease": {"value": "60s", "from": "measured"}} for n in range(20)} | QUIET["queues"],
        pools={**QUIET["pools"], "idle": {"count": 1, "serves": [f"q{n}" for n in range(20)]}},
    )
