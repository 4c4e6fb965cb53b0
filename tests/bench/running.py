"""Measures the sides of a row by turns, so that what the machine does meanwhile affects each alike."""

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from bench.judging import Measured, Round, Row

__all__ = ["ROOT", "measure"]

ROOT = Path(__file__).parents[2]

_Told = Callable[[str], object]


def measure(row: Row, runs: int, scale: float, tell: _Told = lambda _: None) -> list[Round]:
    """Measure every side once in each of so many rounds; the order turns round by round.

    Raises:
        MismatchError: when the sides of a round did not do the same work.
        SystemExit: when a side fails; what it printed is shown.
    """
    rounds: list[Round] = []
    names = list(row.sides)
    with tempfile.TemporaryDirectory() as compiled:
        for number in range(runs):
            tell(f"{row.name}: run {number + 1} of {runs}")
            turned = names if number % 2 == 0 else names[::-1]
            found = {name: _in_a_child(row.name, name, scale, compiled) for name in turned}
            measured = {name: found[name] for name in names}
            row.check(measured)
            rounds.append(measured)
    return rounds


def _in_a_child(row: str, side: str, scale: float, compiled: str) -> Measured:
    """Compiled modules are kept in a folder of their own, so that they are found again, as on a machine in use."""
    environment = {**os.environ, "PYTHONPYCACHEPREFIX": compiled}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    command = [sys.executable, str(Path(__file__).parent), "side", row, side, repr(scale)]
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(f"{row}, {side}: failed\n{done.stdout}{done.stderr}")
    return Measured(**json.loads(done.stdout.splitlines()[-1]))
