"""Trials by hand of tables of thresholds: plays many nights of three scenarios and checks what tables promise.

``python tests/tried_thresholds.py --tables 3 --nights 1000`` makes that many tables of each scenario in
``tests/outlook``, each from nights of its own, and looks at nights that had no part in them. It ends with 1 when

- false alarms lie above the 99.8 % bounds of what the promise allows, or
- fewer than 90 of 100 bad nights are found in time.

The bounds are beta-binomial. A limit is one of the scores of the nights that made it, so the share of quiet nights
above it is itself drawn: from a beta distribution with n + 1 - k and k, where the limit has rank k of n. All nights of
one report share that draw and vary together. Binomial bounds take the share for known and are too narrow for that: they
fail a right program far more often than they say. Reports of several tables are independent, and their counts add up.
Thresholds are rounded up to whole jobs and minutes, and scores may be equal, so that there are fewer false alarms than
such a law says: what lies below the lower bound is told, and only what lies above the upper one fails.
"""

import argparse
import sys
from fractions import Fraction
from pathlib import Path

from scipy.signal import fftconvolve
from scipy.stats import betabinom, binom

from emulator.outlook.table import Limit
from emulator.outlook.thresholds import Thresholds, share_from, thresholds
from emulator.scenario.load import load

FOLDER = Path(__file__).parent / "outlook"
OUTSIDE = 0.001
"""On each side of the bounds."""


def bounds(reports: list[tuple[int, Limit]]) -> tuple[int, int]:
    """Give the 99.8 % bounds of the false alarms of several reports: of so many nights, by a table of such a limit."""
    law = [1.0]
    for nights, limit in reports:
        of_one = betabinom(nights, limit.nights + 1 - limit.rank, limit.rank).pmf(range(nights + 1))
        law = list(fftconvolve(law, of_one))
    low = high = 0
    below = 0.0
    for count, probability in enumerate(law):
        if below <= OUTSIDE:
            low = count
        if below < 1 - OUTSIDE:
            high = count
        below += probability
    return low, high


def binomial_bounds(nights: int, share: Fraction) -> tuple[int, int]:
    """Give the bounds that take the promised share for the true one."""
    law = binom(nights, float(share))
    return int(law.ppf(OUTSIDE)), int(law.ppf(1 - OUTSIDE))


def tried(file: Path, share: Fraction, nights: int, tables: int, seed: int, processes: int | None) -> bool:
    """Make some tables of a scenario, say how good they are, and give whether they are as good as promised."""
    loaded = load(file)
    made: list[Thresholds] = []
    for number in range(tables):
        first = seed + number * nights
        one = thresholds(
            loaded, share=share, nights=nights, first_seed=first, more_work=0, processes=processes, helps=False
        )
        assert isinstance(one, Thresholds), f"{nights} nights are too few: {one}"
        made.append(one)
        print(f"  seeds {first} to {first + nights - 1}: {_told(one)}", flush=True)
    false = sum(one.found.quiet.count for one in made)
    quiet = sum(one.found.quiet.of for one in made)
    low, high = bounds([(one.found.quiet.of, one.table.limit) for one in made])
    found, bad = sum(one.found.in_time.count for one in made), sum(one.found.in_time.of for one in made)
    right = false <= high and 10 * found >= 9 * bad
    plain = binomial_bounds(quiet, share)
    print(
        f"{file.name}: {false} of {quiet} quiet nights alarm ({100 * false / quiet:.2f} %; {low} to {high} are "
        f"allowed, binomial ones would be {plain[0]} to {plain[1]}); {found} of {bad} bad nights are found in "
        f"time ({100 * found / bad:.1f} %): {'as promised' if right else 'NOT as promised'}",
        flush=True,
    )
    return right


def _told(one: Thresholds) -> str:
    found, limit = one.found, one.table.limit
    return (
        f"rank {limit.rank} of {limit.nights}, score {one.table.score:.2f}; {found.quiet.count} of {found.quiet.of} "
        f"quiet nights alarm, {found.survived.count} of {found.survived.of} that survived a fault; "
        f"{found.in_time.count} of {found.in_time.of} bad ones are found in time"
    )


def main() -> int:
    """Try the tables of all scenarios."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--tables", type=int, default=3, help="tables of each scenario (3)")
    options.add_argument("--nights", type=int, default=1_000, help="nights of each table (1000)")
    options.add_argument("--false-alarms", default="1%", help="the share that is promised (1%%)")
    options.add_argument("--seed", type=int, default=1, help="of the first night (1)")
    options.add_argument("--processes", type=int, help="run nights in so many processes")
    options.add_argument("files", nargs="*", type=Path, default=sorted(FOLDER.glob("*.yaml")))
    given = options.parse_args()
    share = share_from(given.false_alarms)
    right = [tried(file, share, given.nights, given.tables, given.seed, given.processes) for file in given.files]
    return 0 if all(right) else 1


if __name__ == "__main__":
    sys.exit(main())
