"""One run of one side, in a process of its own: neither side inherits the other's memory, imports or garbage.

``python tests/bench side ROW SIDE SCALE`` prints what was measured as one line of JSON. With ``--profile FILE`` it
does the same under cProfile and writes the functions that took most time by themselves to the file instead.
"""

import cProfile
import json
import pstats
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path

from bench.rows import ROWS

__all__ = ["main"]


def main(arguments: Sequence[str]) -> None:
    """Measure what the arguments name."""
    row, side, scale, *rest = arguments
    run = ROWS[row].sides[side]
    if rest[:1] == ["--profile"]:
        _profile(lambda: run(float(scale)), Path(rest[1]))
        return
    measured = run(float(scale))
    print(json.dumps(asdict(measured)))


def _profile(run: Callable[[], object], path: Path) -> None:
    profile = cProfile.Profile()
    profile.runcall(run)
    with path.open("w") as file:
        pstats.Stats(profile, stream=file).strip_dirs().sort_stats("tottime").print_stats(40)
