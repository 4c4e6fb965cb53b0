"""How each command ends: the table of exit codes in the reference, every cell of which is tried here."""

from collections.abc import Callable
from pathlib import Path

import pytest
from small_place import FAULTY, SCENARIO, Ended

import emulator
from emulator.cli.main import COMMANDS
from emulator.cli.options import worst

Call = Callable[..., Ended]

PAGE = Path(emulator.__file__).parents[1] / "docs" / "reference-command-line.md"

COPIES = """\
title: Copies of plates
starts: 2026-06-12T21:30:00
lasts: 2h
queues: {night: {lease: 90s}}
pools: {dome: {count: 1, serves: [night], poll: 0s, heartbeat: 20s}}
routines: {copy: {queue: night, parts: [{name: copy, takes: {median: 4m, p95: 9m}}]}}
arrivals: [{routine: copy, count: 6, at: "21:35"}]
must_hold: [{measure: makespan, at_most: 110m}]
variants: {two: {pools.dome.count: 2}}
"""
"""Six copies of about five minutes take one worker some thirty minutes: they never miss 110, and never keep 5."""

HOPELESS = COPIES.replace("at_most: 110m", "at_most: 5m")
UNJUDGED = SCENARIO.replace("measure: makespan, at_most: 20m", "measure: detection_delay_longest, at_most: 1m")
ONE = ["--processes", "1", "--quiet"]

CASES: dict[tuple[str, str], list[list[str]]] = {
    ("run", "0"): [["run", "fits.yaml"], ["run", "nothing-asked.yaml"]],
    ("run", "1"): [["run", "misses.yaml"], ["run", "not-a-fact.yaml"]],
    ("run", "4"): [["run", "unjudged.yaml"]],
    ("watch", "0"): [["watch", "--plain", "fits.yaml"]],
    ("watch", "1"): [["watch", "--plain", "misses.yaml"], ["watch", "--plain", "not-a-fact.yaml"]],
    ("watch", "4"): [["watch", "--plain", "unjudged.yaml"]],
    ("run --nights", "0"): [
        ["run", "copies.yaml", "--nights", "36", *ONE],
        ["run", "nothing-asked.yaml", "--nights", "1", *ONE],
    ],
    ("run --nights", "1"): [["run", "hopeless.yaml", "--nights", "1", *ONE]],
    ("run --nights", "4"): [
        ["run", "copies.yaml", "--nights", "35", *ONE],
        ["run", "unjudged.yaml", "--nights", "1", *ONE],
    ],
    ("compare", "0"): [["compare", "copies.yaml", "--nights", "42", *ONE]],
    ("compare", "1"): [["compare", "hopeless.yaml", "--nights", "2", *ONE]],
    ("compare", "4"): [["compare", "copies.yaml", "--nights", "41", *ONE]],
    ("size", "0"): [["size", "copies.yaml", "--by", "pools.dome.count", "--values", "1", "--nights", "72", *ONE]],
    ("size", "1"): [["size", "hopeless.yaml", "--by", "pools.dome.count", "--values", "1", "--nights", "20", *ONE]],
    ("size", "4"): [["size", "copies.yaml", "--by", "pools.dome.count", "--values", "1", "--nights", "71", *ONE]],
    ("brief", "0"): [["brief", "fits.yaml", "--nights", "1", *ONE, "--overwrite"]],
    ("brief", "1"): [["brief", "misses.yaml", "--nights", "1", *ONE, "--overwrite"]],
    ("brief", "4"): [["brief", "copies.yaml", "--nights", "35", *ONE, "--overwrite"]],
    ("forecast", "0"): [["forecast", "copies.yaml", "--nights", "100", "--months", "1", *ONE]],
    ("forecast", "1"): [["forecast", "hopeless.yaml", "--nights", "100", "--months", "1", *ONE]],
    ("forecast", "4"): [["forecast", "unjudged.yaml", "--nights", "100", "--months", "1", *ONE]],
    ("hunt", "0"): [["hunt", "fits.yaml", "--tries", "1", "--kinds", "freeze", "--at-most", "1", "--quiet"]],
    ("hunt", "1"): [["hunt", "fits.yaml", "--tries", "40", "--kinds", "power_off", "--quiet"]],
    ("reproduce", "0"): [["reproduce", "night.db"]],
    ("check", "0"): [["check", "fits.yaml"]],
    ("story", "0"): [["story", "night.db", "1"]],
    ("trail", "0"): [["trail", "night.db"]],
    ("export", "0"): [["export", "night.db", "--as", "junit"]],
    ("page", "0"): [["page", "night.db", "-o", "night.html"]],
    ("schema", "0"): [["schema"]],
    ("sketch", "0"): [["sketch", "rules", "--night", "18:00+14h", "--starts", "2026-06-12"]],
}
"""For each command and code, what makes it end so. How others of the table end is tried in the files named below."""

ELSEWHERE = {
    ("check", "1"): "test_evidence.py",
    **{("drift", code): "tests/past/test_drift.py" for code in "014"},  # 0 by the outcome that the code is read from
    **{("guesses", code): "test_guesses_command.py" for code in "014"},
    **{("hindcast", code): "tests/past/test_hindcast.py" for code in "014"},  # 0 and 1 by the outcome
    **{("thresholds", code): "tests/outlook/test_thresholds_small.py" for code in "04"},
    ("reproduce", "1"): "test_reproduce_command.py",
    ("rerun", "0"): "test_rerun_command.py",
    ("rerun", "1"): "test_rerun_command.py",
}


@pytest.fixture
def files(place: Path, queuedrill: Call) -> None:
    """Have every file that a case names."""
    written = {
        "copies": COPIES,
        "hopeless": HOPELESS,
        "unjudged": UNJUDGED,
        "nothing-asked": SCENARIO.partition("must_hold")[0],
        "not-a-fact": SCENARIO + "also_true: [{measure: lost_leases, exactly: 1}]\n",
        "faulty": FAULTY,
    }
    for name, text in written.items():
        (place / f"{name}.yaml").write_text(text)
    (place / "rules").write_text("30 21 * * * /opt/dome/copy-plates\n")
    queuedrill("run", "--quiet", "--log", "night.db", "faulty.yaml")


def table() -> set[tuple[str, str]]:
    """Give the cells of the table in the reference that tell of a command how it may end."""
    text = PAGE.read_text("utf-8").partition("## Exit codes\n")[2].partition("Each command")[0]
    head, _, *rows = [line.strip("|").split("|") for line in text.strip().splitlines()]
    codes = [cell.strip() for cell in head[1:]]
    return {
        (command.strip().strip("`"), code)
        for commands, *cells in rows
        for command in commands.split(",")
        for code, cell in zip(codes, cells, strict=True)
        if cell.strip() != "-"
    }


def test_every_cell_of_the_table_is_tried_and_every_command_stands_in_it() -> None:
    assert table() == {*CASES, *ELSEWHERE}
    assert {command.split()[0] for command, _ in table()} == set(COMMANDS)


@pytest.mark.slow
@pytest.mark.parametrize(("command", "code"), list(CASES), ids=[" ".join(case) for case in CASES])
def test_each_command_ends_as_the_table_says(files: None, queuedrill: Call, command: str, code: str) -> None:
    for arguments in CASES[command, code]:
        found = queuedrill(*arguments)
        assert (found.code, arguments) == (int(code), arguments), found


@pytest.mark.parametrize("command", ["run", "check"])
def test_of_several_files_the_worst_counts(files: None, queuedrill: Call, command: str) -> None:
    """In the order 3, 2, 1, 4, 0."""
    if command == "run":
        assert queuedrill("run", "fits.yaml", "unjudged.yaml").code == 4
        assert queuedrill("run", "unjudged.yaml", "misses.yaml", "fits.yaml").code == 1
    assert queuedrill(command, "unjudged.yaml", "misses.yaml", "wrong.yaml").code == 2
    assert worst([0, 1, 2, 3, 4]) == 3


@pytest.mark.parametrize("code", ["0", "1", "4"])
def test_undecided_says_how_to_end_where_it_is_not_decided(files: None, queuedrill: Call, code: str) -> None:
    for few in (
        ["run", "unjudged.yaml"],
        ["run", "copies.yaml", "--nights", "2", *ONE],
        ["compare", "copies.yaml", "--nights", "2", *ONE],
        ["size", "copies.yaml", "--by", "pools.dome.count", "--values", "1", "--nights", "2", *ONE],
    ):
        assert queuedrill(*few, "--undecided", code).code == int(code)
    assert queuedrill("run", "misses.yaml", "--undecided", "0").code == 1
    assert queuedrill("run", "fits.yaml", "--undecided", "3").code == 2
