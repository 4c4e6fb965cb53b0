"""Trials by hand, of some minutes: how often drift is seen that is not there, and how soon real drift is.

    python tests/past/trials_of_drift.py --sequences 400

It draws sequences of 90 nights, of which 28 are past: undisturbed ones, ones in which nights lean on the night before
(correlation 0.4), and ones with a quarter more work for each job from night 60 on.
"""

import argparse
import sys
from pathlib import Path

import numpy as np
from scipy.stats import binom

sys.path.append(str(Path(__file__).parents[1]))
from test_drift import FIRST, looked, night_figures  # beside this file; it needs the folder above

from emulator.past.betting import LIMIT
from emulator.past.drifting import WATCHED

NIGHTS, CHANGE = 90, 60


def main() -> None:
    """Play the trial, and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sequences", type=int, default=400)
    parser.add_argument("--first-seed", type=int, default=1000)
    given = parser.parse_args()
    seeds = range(given.first_seed, given.first_seed + given.sequences)
    bound = int(binom.isf(0.01, len(seeds), 1 / LIMIT))
    print(f"{len(seeds)} sequences of {NIGHTS} nights; alarms that do not contradict 1 in 1,000 at 99 %: up to {bound}")
    for leans in (0.0, 0.4):
        found = [looked(*night_figures(seed, NIGHTS, leans)) for seed in seeds]
        alarms = sum(one.alarm is not None for one in found)
        refused = sum(bool(one.leaning) for one in found)
        promised = sum(one.alarm is not None and not one.leaning for one in found)
        print(f"correlation {leans}: {alarms} alarms, {promised} of them promised not to come; {refused} refusals")
        for name, (_, words) in WATCHED.items():
            bets = [max(it.capital) for one in found for it in one.figures if it.name == name]
            print(f"  {words}: its own bet reached {LIMIT:.0f} in {sum(it >= LIMIT for it in bets)}")
    found = [looked(*night_figures(seed, NIGHTS, slower=1.25, since=CHANGE)) for seed in seeds]
    after = [NIGHTS if one.alarm is None else (one.alarm - FIRST).days - CHANGE + 1 for one in found]
    early = sum(it < 1 for it in after)
    told = ", ".join(f"{share:.0%} {np.quantile(after, share):.0f}" for share in (0.1, 0.25, 0.5, 0.75, 0.9))
    print(f"work for each job +25 % from night {CHANGE} on: nights until the alarm: {told} ({NIGHTS}: never)")
    print(f"  within 25 nights in {sum(1 <= it <= 25 for it in after)} of {len(after)}, before the change in {early}")
    right = sum(one.alarm is not None and one.figures[0].name == "work" for one in found)
    print(f"  named as work for each job: {right} of {sum(one.alarm is not None for one in found)}")


if __name__ == "__main__":
    main()
