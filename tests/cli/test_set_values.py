"""``--change`` and ``--add``: what is set on the command line is as if the file said so, and every output tells it."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from emulator.record.log_reader import open_log
from emulator.scenario.written import Change

Call = Callable[..., Any]

NIGHT = """\
title: Copies
starts: 2026-06-12T21:30:00
zone: America/Santiago
lasts: 3h
queues:
  night: {lease: 90s, retry: {attempts_in_all: 2}}
pools:
  dome: {count: 1, serves: [night], poll: 0s, heartbeat: 22s}
routines:
  copy:
    queue: night
    parts: [{name: copy, takes: {between: [5m, 6m]}, effect: copied}]
arrivals:
  - {name: plates, routine: copy, count: 10, at: "22:00"}
must_hold:
  - {measure: makespan, at_most: 45m}
variants:
  two: {pools.dome.count: 2}
  slow: {pools.dome.heartbeat: 25s}
"""
STATED = NIGHT.replace("count: 1,", "count: 3,").replace(
    "must_hold:", 'faults:\n  - {power_off: dome-2, at: "22:03", back_after: 4m}\nmust_hold:'
)
SET = ("--change", "pools.dome.count=3", "--add", 'faults: {power_off: dome-2, at: "22:03", back_after: 4m}')
TOLD = "--change pools.dome.count=3 --add 'faults: {power_off: dome-2, at: \"22:03\", back_after: 4m}'"


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("night.yaml").write_text(NIGHT)
    Path("stated.yaml").write_text(STATED)
    return tmp_path


@pytest.mark.parametrize("variant", [(), ("--variant", "slow")])
def test_it_is_as_if_the_file_said_so(queuedrill: Call, place: Path, variant: tuple[str, ...]) -> None:
    """The events are those of a file that says the same, under a variant too; the log gives them again."""
    assert queuedrill("run", "night.yaml", *SET, *variant, "--log", "set.db", "--quiet")[0] == 0
    assert queuedrill("run", "stated.yaml", *variant, "--log", "stated.db", "--quiet")[0] == 0
    made, stated = open_log("set.db"), open_log("stated.db")
    assert list(made.rows()) == list(stated.rows()) != []
    assert [str(change) for change in made.meta.changes] == [f"{SET[0]} {SET[1]}", TOLD.partition("=3 ")[2]]
    code, out, _ = queuedrill("reproduce", "set.db")
    assert (code, out.partition(":")[0]) == (0, "The run is reproduced")
    assert "Copies, with --change pools.dome.count=3" in queuedrill("export", "set.db", "--as", "junit")[1]


def test_every_output_tells_what_was_set(queuedrill: Call, place: Path) -> None:
    """Summary, JSON and page of a night; the summary's last line is the command that runs it again."""
    wide = " ".join(queuedrill("run", "night.yaml", *SET, "--page", "night.html")[1].split())
    assert f"Copies, with {TOLD}. From 2026-06-12" in wide
    assert f"queuedrill run night.yaml --nights 40 {TOLD}" in wide.replace(" \\ ", " ")
    told = json.loads(queuedrill("run", "night.yaml", *SET, "--json")[1])
    assert told["changes"] == [f"{SET[0]} {SET[1]}", TOLD.partition("=3 ")[2]]
    assert "with --change pools.dome.count=3" in Path("night.html").read_text()
    code, out, _ = queuedrill("watch", "night.yaml", *SET, "--plain")
    assert (code, TOLD in " ".join(out.split())) == (0, True)


def test_many_nights_take_it_too(queuedrill: Call, place: Path) -> None:
    """So do comparisons and sizes, in whichever form; the variants are applied on top of it."""
    many = ("--nights", "4", "--processes", "1")
    files = ("--page", "it.html", "--csv", "it.csv", "--markdown", "it.md")
    told = json.loads(queuedrill("compare", "night.yaml", *SET, *many, *files, "--json")[1])
    assert told["changes"] == [f"{SET[0]} {SET[1]}", TOLD.partition("=3 ")[2]]
    same = json.loads(queuedrill("compare", "stated.yaml", *many, "--json")[1])
    assert told["spreads"] == same["spreads"]
    for name in ("it.html", "it.csv", "it.md"):
        assert "--change pools.dome.count=3" in Path(name).read_text(), name
    assert TOLD in " ".join(queuedrill("compare", "night.yaml", *SET, *many)[1].split())
    assert TOLD in " ".join(queuedrill("run", "night.yaml", *SET, *many)[1].split())
    by = ("--by", "pools.dome.count", "--values", "2,3")
    sized = json.loads(queuedrill("size", "night.yaml", *by, *SET, *many, "--json")[1])
    assert sized["changes"] == told["changes"]
    assert sized["tried"] == json.loads(queuedrill("size", "stated.yaml", *by, *many, "--json")[1])["tried"]


def test_a_hunt_takes_it_too(queuedrill: Call, place: Path) -> None:
    """The night in which something breaks is run with the same options."""
    asked = ("hunt", "night.yaml", *SET, "--tries", "40", "--kinds", "power_off")
    code, out, _ = queuedrill(*asked)
    again = "".join(f"queuedrill run night.yaml --seed 1 {TOLD}".split())
    assert (code, again in "".join(out.replace("\\\n", "").split())) == (1, True)
    assert json.loads(queuedrill(*asked, "--json")[1])["changes"][0] == "--change pools.dome.count=3"


def test_check_shows_it(queuedrill: Call, place: Path) -> None:
    """The whole scenario is shown with what was set."""
    assert "    count: 3  # --change pools.dome.count=3\n" in queuedrill("check", "--resolved", "night.yaml", *SET)[1]


@pytest.mark.parametrize(
    "option, text, message",
    [
        ("change", "pools.dome.count", "wrong-change: write PATH=VALUE, such as queues.night.lease=5m"),
        ("change", "=3", "wrong-change: write PATH=VALUE, such as queues.night.lease=5m"),
        (
            "change",
            "pools.dom.count=3",
            "unknown-key: pools.dom.count: there is no 'dom' in pools: did you mean 'dome'?",
        ),
        (
            "change",
            "pools.dome.count=-1",
            "wrong-value: pools.dome.count: found -1: a whole number from 0 to 100000 is wanted",
        ),
        ("change", "pools.dome.count={", "wrong-change: this is not valid YAML: did not find expected node content"),
        (
            "change",
            "seed=a: b",
            "wrong-value: seed: found a mapping: a whole number from 0 to 9223372036854775807 is wanted",
        ),
        (
            "change",
            "variants.two=",
            "unknown-key: variants.two: there is no 'variants' in the scenario: did you mean 'varies'?",
        ),
        (
            "add",
            "faults",
            "wrong-change: write a list and what is added to it, such as 'faults: {freeze: dome-1, at: \"23:00\"}'",
        ),
        (
            "add",
            "{}",
            "wrong-change: write a list and what is added to it, such as 'faults: {freeze: dome-1, at: \"23:00\"}'",
        ),
        (
            "add",
            "faults: {freeze: dome-4, at: '23:00'}",
            "wrong-reference: faults.0.freeze: there is no worker 'dome-4': workers of ",
        ),
        (
            "add",
            "queues: {day: {}}",
            "wrong-value: queues: `add` and `remove` change a list, and none stands here",
        ),
    ],
)
def test_what_is_wrong_is_told_by_the_option(
    queuedrill: Call, place: Path, option: str, text: str, message: str
) -> None:
    """Exit code 2, and one line that names the option, the path and what is wrong."""
    code, out, err = queuedrill("run", "night.yaml", f"--{option}", text)
    assert (code, out) == (2, "")
    assert err.startswith(f"{Change(option, text)}: {message}")
    assert err.count("\n") == 1


def test_what_the_file_cannot_be_with_it_is_told_in_the_file(queuedrill: Call, place: Path) -> None:
    """A place in the file that is right by itself says with what it is wrong."""
    code, _, err = queuedrill("run", "stated.yaml", "--change", "pools.dome.count=1")
    where = "stated.yaml:16:17: wrong-reference: faults.0.power_off: there is no worker 'dome-2': "
    where += "workers of 'dome' are called dome-1"
    assert (code, err) == (2, f"{where} (only with --change pools.dome.count=1)\n")


def test_a_change_without_effect_is_refused(queuedrill: Call, place: Path) -> None:
    """Of the one variant that is run; a comparison has others."""
    code, _, err = queuedrill("run", "night.yaml", "--variant", "two", "--change", "pools.dome.count=3")
    message = "--change pools.dome.count=3 has no effect: the variant 'two' sets pools.dome.count itself\n"
    assert (code, err) == (2, message)


def test_what_was_set_tells_events_apart(queuedrill: Call, place: Path) -> None:
    """Two nights with the same events that were made of different things have different keys."""
    keys = set()
    for number, more in enumerate([(), ("--change", "about=x"), ("--change", "about=y")]):
        queuedrill("run", "night.yaml", *more, "--log", f"{number}.db", "--quiet")
        events = json.loads(queuedrill("export", f"{number}.db", "--as", "cloudevents")[1])
        keys.add(events[0]["source"])
    assert len(keys) == 3
