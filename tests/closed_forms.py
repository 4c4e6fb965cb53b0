"""Hold every formula against nights of the shipped scenarios: ``python tests/closed_forms.py [--nights 60]``.

A line for each formula that a scenario or a variant of it allows: what it gives, the simulated mean with its interval,
how far apart they are, and whether they agree. Ends with 1 if any differs that is not explained below.
"""

import argparse
import sys
from pathlib import Path

from emulator.experiment.executors import replicate
from emulator.experiment.settings import setting_of
from emulator.measure.words import value
from emulator.outlook.closed_forms import figures_needed, formulas
from emulator.scenario.load import load, varied

SCENARIOS = Path(__file__).parent.parent / "scenarios"


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--nights", type=int, default=60)
    nights = asked.parse_args().nights
    apart = 0
    for path in sorted(SCENARIOS.glob("*.yaml")):
        read = load(path)
        for variant, patch in {"": {}, **read.patches}.items():
            loaded = varied(read, patch, variant) if variant else read
            if not any(one.value is not None for one in formulas(loaded, [])):
                continue
            setting = setting_of(read, variant or "as written", patch)
            played = [replicate(setting, seed, figures_needed(loaded.scenario)) for seed in range(1, nights + 1)]
            for one in formulas(loaded, played):
                if one.value is None or one.simulated is None or one.low is None or one.high is None:
                    continue
                differs = one.value / one.simulated - 1 if one.simulated else 0.0
                apart += one.agrees is False
                told = [value(amount, one.unit) for amount in (one.value, one.simulated, one.low, one.high)]
                print(
                    f"{path.stem} {variant or '-'}: {one.name}, {one.of}: {told[0]}; simulated {told[1]} "
                    f"({told[2]} to {told[3]}), {differs:+.1%}{' (a bound)' if one.bound else ''}: "
                    f"{'agrees' if one.agrees else 'differs'}"
                )
    return 1 if apart else 0


if __name__ == "__main__":
    sys.exit(main())
