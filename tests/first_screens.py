"""The first screens that tests keep whole: which command prints each, and how wide its terminal is.

``python tests/first_screens.py [NAME...]`` prints them anew into ``tests/golden/screens``; read the difference by eye.
"""

import os
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Final

__all__ = ["ROOT", "SCREENS", "WIDTHS", "golden"]

ROOT: Final = Path(__file__).parent.parent
WIDTHS: Final = (80, 120)
SCREENS: Final[dict[str, tuple[str, ...]]] = {
    "fits": ("run", "scenarios/worker-lost-mid-run.yaml"),
    "does-not-fit": ("run", "scenarios/pool-too-small.yaml"),
    "nothing-random": ("run", "scenarios/cap-too-short.yaml"),
    "take": ("compare", "scenarios/how-many-workers.yaml"),
    "too-few": ("compare", "scenarios/how-many-workers.yaml", "--nights", "20"),
    "none": ("compare", "scenarios/pool-too-small.yaml", "--variants", "four workers", "--nights", "42"),
    "tie": ("compare", "scenarios/how-many-workers.yaml", "--nights", "46", "--prefer", "done_share"),
    "quick-because-it-fails": (
        "compare",
        "scenarios/retry-storm.yaml",
        "--variants",
        "an allowance,an allowance that waits",
        "--nights",
        "46",
    ),
    "nights": ("run", "scenarios/how-many-workers.yaml", "--nights", "40"),
    "size": ("size", "scenarios/how-many-workers.yaml", "--by", "pools.dome.count", "--from", "4", "--to", "8"),
    "largest": (
        "size",
        "scenarios/how-many-workers.yaml",
        "--largest",
        "--by",
        "arrivals.volumes.count",
        "--values",
        "48,54,60,66",
        "--nights",
        "100",
    ),
    "hunt": ("hunt", "scenarios/zombie-fenced.yaml", "--tries", "100", "--kinds", "freeze,power_off"),
    "check": ("check", "scenarios/how-long-a-lease.yaml"),
}


def golden(name: str, width: int) -> Path:
    """Give where a screen is kept."""
    return ROOT / "tests" / "golden" / "screens" / f"{name}-{width}.txt"


def _renew(names: list[str]) -> None:
    for name in names or list(SCREENS):
        for width in WIDTHS:
            environment = {**os.environ, "COLUMNS": str(width), "NO_COLOR": "1"}
            command = [sys.executable, "-m", "emulator", *SCREENS[name]]
            done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
            golden(name, width).write_text(f"$ queuedrill {shlex.join(SCREENS[name])}\n{done.stdout}", "utf-8")
            sys.stdout.write(f"{golden(name, width).relative_to(ROOT)}: exit code {done.returncode}\n{done.stderr}")


if __name__ == "__main__":
    _renew(sys.argv[1:])
