"""Makes messy exports of nights whose truth is known, because the emulator itself played them.

Two files tell the same rows in two ways: with semicolons, a mark at the start and days first; and with tabs, in UTF-16
and months first, on a clock of twelve hours. Names differ in case, workers have their domain at times, ends are missing
or swapped, rows come twice, a header comes again, a row lies ten years away, and a clock change is among the nights.
"""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

import emulator

__all__ = ["COLUMNS", "TRUE_SCHEDULES", "ZONE", "Truth", "messy_nights"]

ZONE = "America/Santiago"
FIRST = datetime.fromisoformat("2026-03-16T18:00")  # local time of the zone; the clocks are put back on 5 April
COLUMNS = ("job", "routine", "submitted", "begun", "ended", "worker", "outcome", "attempt")
TAKES = {
    "stock-plates": (38, 60), "tape-out": (11, 25), "scan": (4, 11), "report": (6, 9), "pulse": (1 / 3, 3 / 4),
}  # fmt: skip
ERRORS = {"stock-plates": 0.05, "tape-out": 0.03, "scan": 0.06}
RATES = (
    ("scan", 0, 2, 10.0),
    ("scan", 2, 6, 26.0),
    ("scan", 6, 10, 14.0),
    ("scan", 10, 14, 6.0),
    ("report", 0, 5, 8.0),
)
DEMAND, PACE, SLOW, POLL, PAUSE, GAP_HOURS = 0.30, 0.12, 0.6, 30, 120, 60
TRUE_SCHEDULES = {("stock-plates", 14_400.0, "every day"), ("tape-out", 19_800.0, "weekdays")} | {
    ("pulse", 900.0 * number, "every day") for number in range(56)
}
"""Routine, seconds into the night, and days: 58 schedules."""
WORDS = {
    "ok": ["OK", "Success", "ok ", "done"],
    "error": ["FAILED", "Error 17", "failed"],
    "lease_lost": ["LOST", "aborted"],
    "in_progress": ["RUNNING"],
    "queued": ["waiting"],
}


@dataclass
class Truth:
    """What was played: the factors of each night, the rows as they were, and the files that were written."""

    demand: list[float] = field(default_factory=list)
    pace: list[float] = field(default_factory=list)
    rows: dict[tuple[str, int], tuple[str, str, str]] = field(default_factory=dict)
    files: tuple[Path, ...] = ()


def _night(draws: np.random.Generator, day: datetime, truth: Truth) -> dict[str, object]:
    demand = float(draws.gamma(1 / DEMAND**2, DEMAND**2))
    pace = float(np.exp(draws.normal(-(PACE**2) / 2, PACE)))
    truth.demand.append(demand)
    truth.pace.append(pace)
    weekend = day.weekday() >= 5
    times = demand * (0.5 if weekend else 1)
    arrivals: list[dict[str, object]] = [
        {"routine": name, "per_hour": rate * times, "from": f"+{low}h", "until": f"+{high}h", "name": f"{name}-{low}"}
        for name, low, high, rate in RATES
    ]
    arrivals.append({"routine": "stock-plates", "at": f"+{14_400 + int(draws.uniform(0, 180))}s", "name": "stock"})
    if not weekend:
        late, count = int(draws.uniform(0, 20)), int(draws.integers(10, 15))
        arrivals.append({"routine": "tape-out", "at": f"+{19_800 + late}s", "count": count, "name": "tapes"})
    for number in range(56):
        at = 900 * number + int(draws.uniform(0, 3))
        arrivals.append({"routine": "pulse", "at": f"+{at}s", "name": f"pulse-{number}"})
    routines = {
        name: {"queue": "night", "drawn": "each_attempt", "parts": [{
            "name": "work", "error_share": ERRORS.get(name, 0.0),
            "takes": {"median": f"{median * 60 * pace:.3f}s", "p95": f"{p95 * 60 * pace:.3f}s"},
        }]}
        for name, (median, p95) in TAKES.items()
    }  # fmt: skip
    pool = {"serves": ["night"], "poll": f"{POLL}s", "heartbeat": "25s"}
    return {
        "title": "A messy night", "starts": day.isoformat(), "zone": ZONE, "lasts": "14h", "routines": routines,
        "queues": {"night": {"lease": "90s", "retry": {
            "attempts_in_all": 3, "pause": "constant", "first": f"{PAUSE}s",
        }}},
        "pools": {
            "dome": {**pool, "count": 3, "per_worker": {"dome-3": {"speed": SLOW}}},
            "late": {**pool, "count": 2, "joins": "+2h"},
        },
        "arrivals": arrivals,
        "faults": [
            {"power_off": name, "gaps": {"mean": f"{GAP_HOURS}h", "law": "exponential"}, "back_after": "20m"}
            for name in ("dome", "late")
        ],
    }  # fmt: skip


def messy_nights(folder: Path, seed: int, nights: int) -> Truth:
    """Play nights, and write their attempts as ``a.csv`` and ``b.txt``.

    Args:
        folder: where both files and the logs in between are written.
        seed: of everything that is drawn.
        nights: how many.
    """
    draws, truth = np.random.default_rng(seed), Truth()
    told: list[tuple[str, ...]] = []
    for number in range(nights):
        log = folder / "night.qdlog"
        emulator.run(_night(draws, FIRST + timedelta(days=number), truth), seed=seed * 1000 + number, log=log)
        attempts = list(csv.DictReader(io.StringIO(emulator.export(log, "attempts-csv"))))
        jobs = list(csv.DictReader(io.StringIO(emulator.export(log, "jobs-csv"))))
        log.unlink()
        name = {row["job"]: f"{number:03d}{int(row['job']):05d}" for row in jobs}
        begun = {row["job"] for row in attempts}
        told += [
            (name[row["job"]], row["routine"], row["submitted"], row["handed_out"], row["ended"], row["worker"],
             row["outcome"], row["attempt"])
            for row in attempts if row["handed_out"]
        ]  # fmt: skip
        told += [
            (name[row["job"]], row["routine"], row["submitted"], "", "", "", "queued", "0")
            for row in jobs if row["job"] not in begun
        ]  # fmt: skip
    truth.rows = {(row[0], int(row[7])): (row[2], row[3], row[4]) for row in told}
    truth.files = _write(folder, told, np.random.default_rng(seed))
    return truth


def _write(folder: Path, told: Sequence[tuple[str, ...]], dice: np.random.Generator) -> tuple[Path, ...]:
    zone = ZoneInfo(ZONE)

    def local(text: str) -> datetime | None:
        return datetime.fromisoformat(text).astimezone(zone).replace(tzinfo=None) if text else None

    rows: list[list[object]] = []
    for job, routine, submitted, begun, ended, worker, outcome, attempt in told:
        begin, end = local(begun), local(ended)
        if outcome == "lease_lost" or dice.random() < 0.01:
            end = None  # nobody was there to write it, or it was lost
        if begin and end and dice.random() < 0.002:
            begin, end = end, begin
        where = str(dice.choice([worker, worker.upper(), f"{worker}.site.lan"])) if worker else ""
        kind = routine if dice.random() > 0.05 else routine.upper()
        rows.append([job, kind, local(submitted), begin, end, where, str(dice.choice(WORDS[outcome])), attempt])
    true = len(rows)
    rows += [list(rows[int(dice.integers(true))]) for _ in range(true * 15 // 1000)]
    rows.sort(key=lambda row: (row[3] or row[2], row[0]))  # type: ignore[return-value]
    far = datetime.fromisoformat("2036-01-01")
    rows.append(["99999999", "scan", far, far, far + timedelta(minutes=5), "dome-1", "OK", 1])
    header = ["Ticket", "Job type", "Requested", "Begun", "Finished", "Host", "Outcome", "Try"]
    other = ["Nr", "Vorgang", "Eingang", "Anfang", "Schluss", "Rechner", "Zustand", "Versuch"]
    ways = (
        ("a.csv", "utf-8-sig", ";", "%d.%m.%Y %H:%M:%S", "", header, ["Export of operations\r\n"]),
        ("b.txt", "utf-16", "\t", "%m/%d/%Y %I:%M:%S %p", "-", other, []),
    )
    for name, charset, delimiter, form, blank, names, before in ways:
        with open(folder / name, "w", encoding=charset, newline="") as file:
            file.writelines(before)
            out = csv.writer(file, delimiter=delimiter)
            out.writerow(names)
            for at, row in enumerate(rows):
                if at == len(rows) // 2:
                    out.writerow(names)
                out.writerow(
                    [blank if it is None else f"{it:{form}}" if isinstance(it, datetime) else it for it in row]
                )
            file.write(f"Total rows: {len(rows)}\r\n")
    return folder / "a.csv", folder / "b.txt"
