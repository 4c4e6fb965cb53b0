"""What is loaded when the program starts: help and mistakes must answer at once."""

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from emulator.__main__ import main as begin
from emulator.cli import help_text
from emulator.cli.main import answer, help_module, program

HEAVY = ("aiosqlite", "asyncio", "hypothesis", "pydantic", "rich", "scipy", "sqlite3", "structlog", "yaml")
FIRST = Path(__file__).parents[2] / "scenarios" / "worker-lost-mid-run.yaml"
COMMAND = "import sys; sys.argv[0] = 'queuedrill'; from emulator.cli.start import main; main()"


def imported(*arguments: str) -> set[str]:
    """Give the names of the packages that a fresh interpreter imports for a command."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-c", *arguments], capture_output=True, text=True, timeout=60, check=True
    )
    lines = (line for line in done.stderr.splitlines() if line.startswith("import time:"))
    return {line.rpartition("|")[2].strip().split(".")[0] for line in lines}


@pytest.mark.parametrize("option", ["--help", "-h", "--version"])
def test_help_loads_nothing_but_itself(option: str) -> None:
    """``queuedrill --help`` and ``--version`` load no library at all, and of the package where it begins."""
    loaded = imported(COMMAND, option)
    assert sorted(loaded & {*HEAVY, "click", "dataclasses", "importlib.metadata", "re", "typing"}) == []


def shown(columns: str, option: str, *, how: str = COMMAND) -> str:
    """Give what a fresh process prints in a terminal of that width."""
    environment = {**os.environ, "COLUMNS": columns}
    done = subprocess.run([sys.executable, "-c", how, option], capture_output=True, text=True, env=environment)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


@pytest.mark.slow
@pytest.mark.parametrize("option", ["--help", "-h", "--version"])
@pytest.mark.parametrize("columns", ["60", "79", "80", "200"])
def test_what_is_answered_at_once_is_what_the_commands_answer(option: str, columns: str) -> None:
    """At every width, ``--help`` and ``--version`` print what they would print with all commands loaded."""
    loaded = "import sys; from emulator.cli.main import answer; sys.exit(answer(sys.argv[1:]))"
    assert shown(columns, option) == shown(columns, option, how=loaded)


def test_the_help_that_is_kept_is_fresh() -> None:
    """The text that ``--help`` prints is the one that the commands give."""
    if Path(help_text.__file__).read_text("utf-8") != help_module():
        pytest.fail(
            "emulator/cli/help_text.py is stale: renew it with\n  python -m emulator.cli.main > "
            "emulator/cli/help_text.py",
            pytrace=False,
        )
    assert help_text.HELP.isascii()


@pytest.mark.slow
def test_help_that_cannot_be_written_is_told() -> None:
    """A full disk ends with 2 and a sentence, though nothing was loaded to tell it."""
    with open("/dev/full", "w") as full:
        done = subprocess.run([sys.executable, "-c", COMMAND, "--help"], stdout=full, stderr=subprocess.PIPE, text=True)
    told = "queuedrill: the output cannot be written: No space left on device: send it to another place\n"
    assert (done.returncode, done.stderr) == (2, told)


@pytest.mark.slow
@pytest.mark.parametrize("how", [(COMMAND, "run", str(FIRST)), (f"import emulator; emulator.run({str(FIRST)!r})",)])
def test_a_first_night_loads_only_what_it_uses(how: tuple[str, ...]) -> None:
    """A run, by command or from a script, loads nothing for logs, loops, terminals, spelling, traces or recurrences."""
    loaded = imported(*how)
    unused = {"cronsim", "dateutil", "difflib", "logging", "statistics", *HEAVY} - {"pydantic", "yaml"}
    assert "yaml" in loaded
    assert sorted(loaded & unused) == []


MADE = """
import gc, json, sys
sys.argv[0] = "queuedrill"
from emulator.cli.start import main
before = sum(each["collections"] for each in gc.get_stats())
try:
    main()
except SystemExit:
    pass
looked = sum(each["collections"] for each in gc.get_stats()) - before
own = {name: module for name, module in sys.modules.items() if name.split(".")[0] == "emulator"}
classes = {each for module in own.values() for each in vars(module).values() if isinstance(each, type)}
classes = {each for each in classes if each.__module__ in own}
made = {
    "looked for cycles": looked,
    "spared the end": gc.get_freeze_count() > 50_000,
    "modules": len(own),
    "dataclasses": sorted(each.__name__ for each in classes if "__dataclass_params__" in vars(each)),
    "validators": sorted(each.__name__ for each in classes if vars(each).get("__pydantic_complete__")),
}
print(json.dumps(made), file=sys.stderr)
"""


@pytest.mark.slow
def test_a_first_run_makes_few_classes_and_looks_for_no_cycles() -> None:
    """What a first run pays for before anything happens: modules, dataclasses, validators, the garbage collector.

    Each dataclass takes as long as twenty jobs, and the validator of a scenario as long as the night.
    """
    done = subprocess.run([sys.executable, "-c", MADE, "run", str(FIRST)], capture_output=True, text=True, check=True)
    made = json.loads(done.stderr)
    assert made.pop("modules") <= 165
    assert made == {
        "looked for cycles": 0,
        "spared the end": True,
        "dataclasses": [],
        "validators": ["Scenario"],
    }


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
    told = "fault_schedules needs hypothesis: python -m pip install '.[search]' in the folder of queuedrill\n"
    assert (done.stdout, done.stderr) == (told, "")


INTERRUPTED = """
import sys
class Stop:
    def find_spec(self, name, *_):
        if name == {module!r}:
            raise KeyboardInterrupt
sys.meta_path.insert(0, Stop())
sys.argv[0] = "queuedrill"
from {where} import main
main()
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("module", "command"),
    [("click", "run"), ("emulator.cli.run", "run"), ("pydantic", "check"), ("emulator.world.world", "run")],
)
@pytest.mark.parametrize("where", ["emulator.cli.start", "emulator.__main__"])
def test_ctrl_c_ends_the_start_in_one_line(module: str, command: str, where: str) -> None:
    """Ctrl-C while the program loads its commands, or a command what it needs, ends with 130 and one line."""
    written = INTERRUPTED.format(module=module, where=where)
    done = subprocess.run(
        [sys.executable, "-c", written, command, str(FIRST)], capture_output=True, text=True, timeout=60
    )
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "queuedrill: stopped by Ctrl-C\n")


def test_ctrl_c_between_commands_is_ctrl_c(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C while arguments are read is not told as a traceback of the library that reads them."""

    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(program, "make_context", stop)
    with pytest.raises(KeyboardInterrupt):
        answer(["run", "fits.yaml"])


def test_the_command_is_the_guarded_one() -> None:
    """The console script and ``python -m emulator`` begin at the same guarded place."""
    scripts = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["project"]["scripts"]
    assert (scripts, begin.__module__) == ({"queuedrill": "emulator.cli.start:main"}, "emulator.cli.start")
