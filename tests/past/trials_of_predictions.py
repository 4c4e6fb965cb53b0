"""Trials by hand, of some minutes each: how good predictions are of nights that a draft has not seen.

    python tests/past/trials_of_predictions.py --zone America/Santiago [--truth FILE.py] EXPORT...
    python tests/past/trials_of_predictions.py --trace PATH.swf

The first learns from the first 28 nights of each export and predicts the 42 after them. Where the law of an export is
known, ``--truth FILE.py`` judges it in the same way: nobody can predict these nights better. The file has a function
``true_scenario(starts)`` that gives the settings of a night; demand and pace vary by factors of these names.

The second needs a real trace in the Standard Workload Format, which is no part of the project. Its jobs of 1 to 8 nodes
are put through 2 workers in the order in which they came, each day by itself; the last 48 days are predicted, learnt
anew each week.
"""

import argparse
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from runpy import run_path
from typing import Any

import numpy as np

from emulator.past.attempts import OK, Attempts
from emulator.past.draft import CLOSED
from emulator.past.foretelling import foretell
from emulator.past.hindcast import Hindcast, judged
from emulator.past.nights import Nights, nights_of, parse_night
from emulator.past.reading import read_history
from emulator.past.scoring import promise_kept

WORKERS, MOST_NODES, LATER_DAYS = 2, 8, 48
ZONE = "America/Los_Angeles"


def main() -> None:
    """Play the trials, and print what came of them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("exports", nargs="*")
    parser.add_argument("--night", default="18:00+14h")
    parser.add_argument("--zone", default="UTC")
    parser.add_argument("--learn", type=int, default=28)
    parser.add_argument("--later", type=int, default=42)
    parser.add_argument("--refit", type=int, default=0)
    parser.add_argument("--truth")
    parser.add_argument("--trace")
    parser.add_argument("--plays", type=int, default=100)
    parser.add_argument("--processes", type=int, default=1)
    given = parser.parse_args()
    for path in given.exports:
        nights = read_history([path], night=given.night, zone=given.zone).nights
        assert nights is not None
        until = nights.dates[given.learn]
        some = nights.until(until + timedelta(days=given.later))
        tell(path, some, until, given, given.refit)
    if given.trace:
        nights = days_of_trace(Path(given.trace))
        tell(given.trace, nights, nights.dates[-1] - timedelta(days=LATER_DAYS - 1), given, 7)


def tell(name: str, nights: Nights, until: date, given: argparse.Namespace, refit: int) -> None:
    """Predict the nights from a date on, and print what came of it; then what the truth comes to, if it is known."""
    laws = {"": None} if not given.truth or refit else {"": None, ", the truth": _truth(given.truth)}
    for law, adapt in laws.items():
        played = foretell(
            nights, until, plays=given.plays, refit=refit, closed=CLOSED, processes=given.processes, adapt=adapt
        )
        told(f"{name}{law}", judged(nights, until, played, plays=given.plays, refit=refit))


def _truth(path: str) -> Callable[[dict[str, Any]], dict[str, Any]]:
    """Put the true law in the place of a draft; where arrivals are given, they stay, and demand does not vary them."""
    law = run_path(path)["true_scenario"]

    def adapt(draft: dict[str, Any]) -> dict[str, Any]:
        settings: dict[str, Any] = law(draft["starts"])
        if "trace" in draft["arrivals"][0]:
            settings["arrivals"] = draft["arrivals"]
            settings["varies"].pop("demand")
        return settings

    return adapt


def told(name: str, found: Hindcast) -> None:
    """Print a hindcast: hits and scores of each figure, in brackets those of the draft's own intervals."""
    kept = promise_kept(0.8, 0, len(found.nights))
    print(f"{name}: {found.sentence}", flush=True)
    for table in found.tables:
        for one in table.figures:
            hits = ", ".join(f"{it.hits} ({own.hits})" for it, own in zip(one.promises, one.drafted, strict=True))
            same = "-" if one.same_kind is None else f"{one.same_kind:.2f}"
            week = "-" if one.last_week is None else f"{one.last_week:.2f}"
            print(
                f"  {table.way:5} {one.name:15} {hits} of {one.promises[0].nights}; score {one.score:.4g}, "
                f"beside same kind {same}, beside last week {week}"
            )
        told_apart = [one for one in table.figures if one.same_kind is not None]  # the others never differ
        shares = [one.promises[0].hits / one.promises[0].nights for one in told_apart]
        own = [one.drafted[0].hits / one.drafted[0].nights for one in told_apart]
        ratios = [one.same_kind for one in told_apart if one.same_kind is not None]
        print(
            f"  {table.way}: coverage of 80 %: mean {np.mean(shares):.2f}, least {min(shares):.2f}; "
            f"of the draft's own: mean {np.mean(own):.2f}, least {min(own):.2f} "
            f"({kept.low} to {kept.high} of {kept.nights} do not contradict); "
            f"score beside same kind: mean {np.mean(ratios):.2f}, {min(ratios):.2f} to {max(ratios):.2f}",
            flush=True,
        )


def days_of_trace(path: Path) -> Nights:
    """Read a trace, and put its small jobs through two workers, each day by itself."""
    begins, rows = 0, []
    for line in path.read_text().splitlines():
        if line.startswith("; UnixStartTime:"):
            begins = int(line.split(":")[1])
        elif line and not line.startswith(";"):
            cells = line.split()
            if 1 <= int(cells[4]) <= MOST_NODES and int(cells[3]) > 0:
                rows.append((begins + int(cells[1]), float(cells[3]), int(cells[4])))
    rows.sort()
    sizes = sorted({nodes for _, _, nodes in rows})
    count = len(rows)
    submitted = np.array([row[0] for row in rows], dtype=float)
    found = Attempts(
        job=np.arange(count),
        routine=np.array([sizes.index(row[2]) for row in rows]),
        submitted=submitted,
        begun=np.zeros(count),
        ended=np.zeros(count),
        worker=np.zeros(count, int),
        outcome=np.full(count, OK),
        number=np.ones(count, int),
        doubtful=np.zeros(count, bool),
        file=np.zeros(count, int),
        line=np.arange(count),
        routines=[f"{nodes} nodes" for nodes in sizes],
        workers=[f"worker-{at + 1}" for at in range(WORKERS)],
        files=[path.name],
        knows_submission=True,
    )
    nights = nights_of(found, parse_night("00:00+24h"), ZONE)
    free: list[float] = []
    day: int | None = None
    for at, night in enumerate(nights.night.tolist()):
        if night != day:
            day, free = night, [0.0] * WORKERS
        worker = int(np.argmin(free))
        begun = max(float(nights.attempts.submitted[at]), free[worker])
        free[worker] = begun + rows[at][1]
        nights.attempts.worker[at], nights.attempts.begun[at], nights.attempts.ended[at] = worker, begun, free[worker]
    return nights


if __name__ == "__main__":
    main()
