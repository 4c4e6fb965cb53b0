"""A scenario that is based on another file, on the command line: its log, its results, the identity of its events."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from emulator.record.log_reader import open_log
from emulator.record.meta import content_hash

Call = Callable[..., Any]

BASE = """\
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
"""


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    Path("../base.yaml").write_text(BASE)
    Path("night.yaml").write_text("based_on: ../base.yaml\npools: {dome: {count: 3}}\n")
    Path("stated.yaml").write_text(BASE.replace("count: 1,", "count: 3,"))
    return tmp_path


ALLOWED = ("--allow-folder", "..")


def test_a_base_above_needs_its_folder_allowed(queuedrill: Call, place: Path) -> None:
    """Without the option nothing is read, and the option is named."""
    code, _, err = queuedrill("run", "night.yaml")
    line, _, rest = err.partition(" leads out of the scenario's folder")
    assert (code, line) == (2, "night.yaml:1:11: wrong-reference: based_on: '../base.yaml'")
    assert "--allow-folder" in rest


def test_the_log_knows_all_files(queuedrill: Call, place: Path) -> None:
    """It holds their texts and hashes: with the base gone its story is told still, and a changed base is noticed."""
    assert queuedrill("run", "night.yaml", *ALLOWED, "--log", "night.db", "--quiet")[0] == 0
    assert queuedrill("run", "stated.yaml", "--log", "stated.db", "--quiet")[0] == 0
    log = open_log("night.db")
    assert list(log.rows()) == list(open_log("stated.db").rows())
    assert (log.meta.bases, log.meta.files) == (
        {"../base.yaml": BASE},
        {"../base.yaml": content_hash("../base.yaml")},
    )
    assert queuedrill("reproduce", "night.db", *ALLOWED)[0] == 0
    Path("../base.yaml").write_text(BASE + "# changed\n")
    code, _, err = queuedrill("reproduce", "night.db", *ALLOWED)
    assert (code, "the recorded run read another ../base.yaml" in err) == (2, True)
    Path("../base.yaml").unlink()
    code, out, _ = queuedrill("story", "night.db", "plates#1")
    assert (code, "plates#1" in out) == (0, True)
    assert queuedrill("page", "night.db", "-o", "night.html")[0] == 0


def test_what_the_base_says_tells_events_apart(queuedrill: Call, place: Path) -> None:
    """Two nights with the same events that were made of different files have different keys."""
    keys = set()
    for number, more in enumerate(["", "# more\n"]):
        Path("../base.yaml").write_text(BASE + more)
        queuedrill("run", "night.yaml", *ALLOWED, "--log", f"{number}.db", "--quiet")
        keys.add(json.loads(queuedrill("export", f"{number}.db", "--as", "cloudevents")[1])[0]["source"])
    assert len(keys) == 2


def test_a_broken_text_of_a_base_in_a_log_is_told(queuedrill: Call, place: Path) -> None:
    """As any other fact of a log that was damaged: exit code 2, and no traceback."""
    import sqlite3
    from contextlib import closing

    queuedrill("run", "night.yaml", *ALLOWED, "--log", "night.db", "--quiet")
    for value, message in (("[]", "bases is '[]', which is no JSON object of texts"), ("{}", "is not known")):
        with closing(sqlite3.connect("night.db", isolation_level=None)) as file:
            file.execute("UPDATE meta SET value = ? WHERE key = 'bases'", [value])
        code, _, err = queuedrill("story", "night.db", "plates#1")
        assert (code, message in err) == (2, True)


@pytest.mark.slow
def test_nights_are_run_elsewhere_without_the_base(queuedrill: Call, place: Path) -> None:
    """Other processes get the texts; the results are those of a file that says the same, and belong to this base."""
    many = ("--nights", "4", "--processes", "2", "--json")
    found = json.loads(queuedrill("compare", "night.yaml", *ALLOWED, *many, "--results", "it.db")[1])
    assert found["spreads"] == json.loads(queuedrill("compare", "stated.yaml", *many)[1])["spreads"]
    Path("../base.yaml").write_text(BASE + "# changed\n")
    code, _, err = queuedrill("compare", "night.yaml", *ALLOWED, *many, "--results", "it.db", "--resume")
    assert (code, "the scenario under its variants" in err) == (2, True)


def test_check_shows_the_whole(queuedrill: Call, place: Path) -> None:
    """With the file and line of each value; a mistake is told in the file in which it stands."""
    out = queuedrill("check", "--resolved", "night.yaml", *ALLOWED)[1]
    assert "    count: 3  # night.yaml:2\n" in out
    assert "  night:\n    lease: 1m30s  # ../base.yaml:6\n" in out
    Path("../base.yaml").write_text(BASE.replace("lasts:", "lats:"))
    code, _, err = queuedrill("check", "night.yaml", *ALLOWED)
    assert (code, "../base.yaml:4:1: unknown-key: lats: unknown key 'lats': did you mean 'lasts'?" in err) == (2, True)
