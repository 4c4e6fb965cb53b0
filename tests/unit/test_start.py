"""What is loaded when the program starts: help and mistakes must answer at once."""

import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = ("aiosqlite", "asyncio", "hypothesis", "pydantic", "rich", "scipy", "sqlite3", "structlog", "yaml")
FIRST = Path(__file__).parents[2] / "scenarios" / "worker-lost-mid-run.yaml"
COMMAND = "import sys; sys.argv[0] = 'queuedrill'; from emulator.cli.main import main; main()"


def imported(*arguments: str) -> set[str]:
    """Give the names of the packages that a fresh interpreter imports for a command."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-c", *arguments], capture_output=True, text=True, timeout=60, check=True
    )
    lines = (line for line in done.stderr.splitlines() if line.startswith("import time:"))
    return {line.rpartition("|")[2].strip().split(".")[0] for line in lines}


@pytest.mark.parametrize("option", ["--help", "--version"])
def test_help_loads_nothing_heavy(option: str) -> None:
    """``queuedrill --help`` and ``--version`` load neither the models nor what reads, draws or logs."""
    loaded = imported(COMMAND, option)
    assert "click" in loaded
    assert sorted(loaded & set(HEAVY)) == []


@pytest.mark.slow
@pytest.mark.parametrize("how", [(COMMAND, "run", str(FIRST)), (f"import emulator; emulator.run({str(FIRST)!r})",)])
def test_a_first_night_loads_only_what_it_uses(how: tuple[str, ...]) -> None:
    """A run, by command or from a script, loads nothing for logs, loops, terminals, spelling, traces or recurrences."""
    loaded = imported(*how)
    unused = {"cronsim", "dateutil", "difflib", "logging", "statistics", *HEAVY} - {"pydantic", "yaml"}
    assert "yaml" in loaded
    assert sorted(loaded & unused) == []


def test_importing_the_package_configures_nothing() -> None:
    """``import emulator`` loads neither the logging library, which an embedding program configures, nor scipy."""
    assert sorted(imported("import emulator") & {"structlog", "scipy", "rich", "hypothesis"}) == []


@pytest.mark.slow
def test_every_public_name_is_there_without_hypothesis() -> None:
    """``from emulator import *`` works without the extra for searches; a schedule asked for says what to install."""
    code = """
import sys
sys.modules["hypothesis"] = None
from emulator import *
try:
    fault_schedules("night.yaml")
except InputError as error:
    print(error)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    told = "fault_schedules needs hypothesis: pip install 'queuedrill[search]'\n"
    assert (done.stdout, done.stderr) == (told, "")
