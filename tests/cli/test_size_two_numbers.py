"""``size`` with --by twice: the smallest second number for each first, on the command line."""

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Call = Callable[..., Any]

NIGHT = """\
title: Plates are copied
starts: 2026-06-12T21:30:00
lasts: 3h
queues:
  night: {}
pools:
  dome: {count: 1, serves: [night], poll: 0s, heartbeat: 22s}
routines:
  copy: {queue: night, parts: [{name: copy, takes: 10m}]}
arrivals:
  - {name: plates, routine: copy, count: 3, at: "21:30"}
must_hold:
  - {measure: makespan, at_most: 35m}
"""
BY = ("--by", "pools.dome.count", "--by", "arrivals.plates.count")
MANY = ("--nights", "1", "--processes", "1")


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("night.yaml").write_text(NIGHT)


def test_how_many_plates_fit_for_each_number_of_workers(queuedrill: Call) -> None:
    """A worker copies three plates in 35 minutes, so one has room for 3, two for 6."""
    ranges = ("--from", "1", "--to", "2", "--from", "3", "--to", "9", "--step", "1", "--step", "3")
    code, out, err = queuedrill("size", "night.yaml", *BY, *ranges, "--largest", *MANY, "--csv", "pairs.csv")
    said = " ".join(out.split("\n\n")[0].split())
    assert (code, err) == (0, "")
    assert said == (
        "Largest arrivals.plates.count that keeps the requirements: 3 with pools.dome.count 1, 6 with 2. "
        "Nothing in it is drawn, so one night decides."
    )
    command = "queuedrill run night.yaml --change pools.dome.count=1 --change arrivals.plates.count=6 --seed 1"
    assert ("Why not 1 with 6" in out, command in " ".join(out.replace("\\\n", " ").split())) == (True, True)
    with open("pairs.csv", encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["recommended"] == "1"]
    assert [(row["pools.dome.count"], row["arrivals.plates.count"]) for row in rows] == [("1", "3"), ("2", "6")]
    told = json.loads(queuedrill("size", "night.yaml", *BY, *ranges, "--largest", *MANY, "--json")[1])
    assert told["recommended"] == [[1, 3], [2, 6]]
    quiet = queuedrill("size", "night.yaml", *BY, *ranges, "--largest", *MANY, "--quiet")[1]
    assert quiet == f"{said}\n"


def test_no_pair_does(queuedrill: Call) -> None:
    """The exit code is 1, and no pair is called the best where all are alike."""
    code, out, _ = queuedrill("size", "night.yaml", *BY, "--values", "1,2", "--values", "30,60", *MANY)
    said = "No pair is shown to keep the requirements, and none is better than another."
    assert (code, out.split("\n")[0]) == (1, said)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--values", "1,2"), "--values has to be given twice, in the order of --by."),
        (("--values", "1", "--values", "2", "--from", "1"), "both say which values: choose one way"),
        ((), "which values? give --from and --to, or --values."),
        (("--from", "1", "--to", "2"), "--from and --to have to be given twice"),
        (("--from", "1", "--to", "2", "--from", "1", "--to", "2", "--step", "2"), "--step has to be given twice"),
        (("--by", "seed", "--values", "1"), "--by is given once or twice"),
        (("--values", "1", "--values", "2", "--csv", "night.yaml"), "night.yaml is what is read"),
    ],
)
def test_wrong_options(queuedrill: Call, options: tuple[str, ...], said: str) -> None:
    """They are told before any night is run."""
    code, out, err = queuedrill("size", "night.yaml", *BY, *options, *MANY)
    assert (code, out, said in " ".join(err.split())) == (2, "", True)


def test_one_number_takes_one_range(queuedrill: Call) -> None:
    code, _, err = queuedrill("size", "night.yaml", "--by", "pools.dome.count", "--values", "1", "--values", "2", *MANY)
    assert (code, "--values has to be given once." in err) == (2, True)


def test_all_tells_each_requirement_of_each_value(queuedrill: Call) -> None:
    by = ("--by", "pools.dome.count", "--values", "1,2", "--change", "arrivals.plates.count=4")
    out = queuedrill("size", "night.yaml", *by, *MANY, "--all")[1]
    assert "makespan at most 35 min: nights kept\n  1  0 of 1\n  2  1 of 1\n" in out
    assert "More: --json   --csv FILE   --nights N\n" in out
    assert "More: --all   --json   --csv FILE   --nights N\n" in queuedrill("size", "night.yaml", *by, *MANY)[1]
