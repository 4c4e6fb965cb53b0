"""On a system that lacks what Linux has, commands work, or say in a sentence what is missing."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SCENARIOS = ROOT / "scenarios"

pytestmark = pytest.mark.slow  # each starts an interpreter


def queuedrill(folder: Path, *arguments: str, blocked: bool = True) -> tuple[int, str, str]:
    """Run a command in a folder, as on another system unless said otherwise."""
    path = os.pathsep.join([*([str(ROOT / "tests" / "elsewhere")] if blocked else []), str(ROOT)])
    done = subprocess.run(
        [sys.executable, "-m", "emulator", *arguments],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": path, "NO_COLOR": "1", "COLUMNS": "100", "QUEUEDRILL_TRACEBACK": "1"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
    )
    return done.returncode, done.stdout, done.stderr


def test_the_prelude_takes_away_what_it_says(tmp_path: Path) -> None:
    """A process under it has no fcntl, no POSIX signals and no clock_gettime: else these tests would show nothing."""
    asks = "import os, signal, time; print(*(hasattr(*pair) for pair in (PAIRS)))".replace(
        "PAIRS", "(signal, 'SIGHUP'), (os, 'fork'), (time, 'clock_gettime')"
    )
    path = str(ROOT / "tests" / "elsewhere")
    told = subprocess.run([sys.executable, "-c", asks], env={"PYTHONPATH": path}, capture_output=True, text=True)
    assert told.stdout == "False False False\n"
    for module in ("fcntl", "resource", "pwd", "termios"):
        told = subprocess.run([sys.executable, "-c", f"import {module}"], env={"PYTHONPATH": path}, capture_output=True)
        assert told.returncode == 1, module


@pytest.mark.parametrize(
    "arguments",
    [
        ("check", str(SCENARIOS / "worker-lost-mid-run.yaml")),
        ("run", str(SCENARIOS / "worker-lost-mid-run.yaml")),
        ("run", str(SCENARIOS / "worker-lost-mid-run.yaml"), "--nights", "4", "--processes", "2"),
        ("watch", str(SCENARIOS / "worker-lost-mid-run.yaml")),
        (
            *("compare", str(SCENARIOS / "how-many-workers.yaml"), "--variants", "seven", "--nights", "8"),
            *("--processes", "2", "--measures", "makespan"),
        ),
    ],
    ids=lambda arguments: arguments[0],
)
def test_commands_print_the_same_as_on_linux(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    """What needs no more than Python has works, processes included, to the last letter."""
    found = queuedrill(tmp_path, *arguments)
    assert found == queuedrill(tmp_path, *arguments, blocked=False)
    assert found[0] in (0, 1, 4)
    assert found[1]


def test_pages_and_traces_are_the_same(tmp_path: Path) -> None:
    """`run --page` writes the same page, the night comes from a trace, and `page` and `story` read a log of Linux."""
    (tmp_path / "plates.csv").write_text("at,takes\n22:00,4m\n22:05,9m\n")
    (tmp_path / "night.yaml").write_text(
        "title: Plates as they came\nstarts: 2026-06-12T21:30:00\nlasts: 1h\nqueues: {night: {lease: 90s}}\n"
        "pools: {dome: {count: 1, serves: [night], heartbeat: 30s}}\n"
        "routines: {copy: {queue: night, parts: [{name: read, takes: {traced: true}}]}}\n"
        "arrivals: [{routine: copy, name: plates, trace: plates.csv}]\n"
    )
    here = queuedrill(tmp_path, "run", "night.yaml", "--page", "here.html", "--log", "here.qdlog", blocked=False)
    there = queuedrill(tmp_path, "run", "night.yaml", "--page", "there.html")
    assert (here[0], there[0]) == (0, 0), here[2] + there[2]
    assert queuedrill(tmp_path, "story", "here.qdlog", "plates#1")[0] == 0
    code, _, said = queuedrill(tmp_path, "page", "here.qdlog", "-o", "log.html")
    assert (code, (tmp_path / "log.html").stat().st_size > 10_000) == (0, True), said
    assert (tmp_path / "there.html").stat().st_size > 10_000


NEEDS_LINUX = "own scripts need Linux: processes are kept together by means that elsewhere does not have\n"


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (
            ("run", str(SCENARIOS / "worker-lost-mid-run.yaml"), "--log", "night.qdlog"),
            "night.qdlog: this system lacks the locks (fcntl) that keep two runs from writing one log: "
            "run without a log, or on Linux\n",
        ),
        (
            ("rerun", str(SCENARIOS / "scripts" / "scripts.yaml"), "copy-plates", "--yes"),
            NEEDS_LINUX,
        ),
        (
            (
                *("run", str(SCENARIOS / "worker-lost-mid-run.yaml")),
                *("--scripts", str(SCENARIOS / "scripts" / "scripts.yaml")),
            ),
            NEEDS_LINUX,
        ),
    ],
)
def test_what_is_missing_is_said_in_a_sentence(tmp_path: Path, arguments: tuple[str, ...], sentence: str) -> None:
    """What leans on the system ends with 2 and one sentence; nothing is left behind."""
    assert queuedrill(tmp_path, *arguments) == (2, "", sentence)
    assert list(tmp_path.iterdir()) == []
