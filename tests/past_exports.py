"""Writes small exports of past nights whose truth is known, for tests of what reads them."""

import csv
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

FIRST = datetime(2026, 3, 2, 18, tzinfo=UTC)
"""When the first night begins: a Monday."""

HEADER = ["Plate", "Kind", "Asked", "Begun", "Over", "Dome", "Said", "Try"]


def rows_of(nights: int = 28, seed: int = 1, slower_from: int | None = None) -> list[list[str]]:
    """Nights of 14 hours on dome-1 and dome-2: an index at 20:00, tapes on weekdays at 23:30, copies at random.

    Copies come at 6 an hour until midnight and at 3 after it, and each night has its own factor on them. A run of
    dome-2 takes twice as long; one copy in ten fails, and is tried again after 120 s. From a stated night on, every run
    takes half as long again.
    """
    draws = np.random.default_rng(seed)
    out: list[list[str]] = []
    number = 0
    for night in range(nights):
        start = FIRST + timedelta(days=night)
        factor = draws.gamma(1 / 0.09, 0.09)
        slower = 1.5 if slower_from is not None and night >= slower_from else 1.0
        come = [(7200.0 + draws.uniform(0, 5), "index", 600.0)]
        if start.weekday() < 5:
            come += [(19_800.0 + draws.uniform(0, 3), "tape", 300.0)] * 2
        for low, high, rate in ((0, 6, 6.0), (6, 14, 3.0)):
            count = draws.poisson(rate * factor * (high - low))
            come += [(float(at), "copy", 120.0) for at in draws.uniform(low * 3600, high * 3600, count)]
        free = [0.0, 0.0]
        for at, kind, median in sorted(come):
            number += 1
            again = at
            for attempt in range(1, 4):
                dome = int(np.argmin(free))
                begun = max(again, free[dome])
                over = begun + median * float(np.exp(draws.normal(0, 0.3))) * (1 + dome) * slower
                free[dome] = over
                fails = kind == "copy" and attempt < 3 and draws.uniform() < 0.1
                told = [
                    (start + timedelta(seconds=int(each))).strftime("%d.%m.%Y %H:%M:%S") for each in (at, begun, over)
                ]
                said = "failed" if fails else "done"
                out.append([f"P{number:05d}", kind, *told, f"dome-{dome + 1}", said, str(attempt)])
                if not fails:
                    break
                again = over + 120
    return out


def write_export(path: Path, nights: int = 28, seed: int = 1, slower_from: int | None = None) -> Path:
    """Write such nights as a file with semicolons."""
    with open(path, "w", newline="", encoding="utf-8") as file:
        csv.writer(file, delimiter=";").writerows([HEADER, *rows_of(nights, seed, slower_from)])
    return path
