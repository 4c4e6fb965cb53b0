"""``size --largest`` searches the other way; a list parameter may be sized by its length; names hold commas."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Call = Callable[..., Any]

NIGHT = """\
title: Disks are cleaned one after the other
starts: 2026-06-12T21:30:00
lasts: 3h
queues:
  night: {}
pools:
  dome: {count: 1, serves: [night], poll: 0s, heartbeat: 22s}
routines:
  clean:
    queue: night
    parameters: {disks: list}
    parts: [{name: wipe, for_each: disks, takes: 10m, effect: wiped, target: "{element}"}]
arrivals:
  - {name: clean, routine: clean, count: 2, at: "21:30", parameters: {disks: [north, south]}}
must_hold:
  - {measure: makespan, at_most: 65m}
variants:
  two, at once: {pools.dome.count: 2}
  slow: {routines.clean.parts.wipe.takes: 20m}
"""
MANY = ("--nights", "2", "--processes", "1")


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("night.yaml").write_text(NIGHT)


def size(queuedrill: Call, *more: str) -> Any:
    return queuedrill("size", "night.yaml", *more, *MANY)


def test_the_largest_number_of_jobs_that_fits(queuedrill: Call) -> None:
    """A job takes 20 minutes: three are done after 60 minutes, four after 80, and 65 are allowed."""
    by = ("--by", "arrivals.clean.count", "--from", "1", "--to", "5", "--largest")
    code, out, _ = size(queuedrill, *by)
    said = " ".join(out.split("\n\n")[0].split())
    assert code == 0
    assert said == (
        "Take 3: the largest arrivals.clean.count that keeps the requirements. "
        "Nothing in it is drawn, so one night decides."
    )
    assert "Why not 4" in out
    told = json.loads(size(queuedrill, *by, "--json")[1])
    assert (told["searched"], told["largest"], told["smallest"], told["monotone"]) == ("largest", 3, None, True)


def test_the_largest_number_of_elements_that_fits(queuedrill: Call) -> None:
    """Two jobs of three disks each take 60 minutes, of four 80: a whole number is the length of the list."""
    by = ("--by", "arrivals.clean.parameters.disks", "--from", "1", "--to", "6", "--largest", "--json")
    code, out, _ = size(queuedrill, *by)
    told = json.loads(out)
    assert (code, told["largest"], [one["held"] for one in told["tried"]]) == (0, 3, [2, 2, 2, 0, 0, 0])


def test_none_fits(queuedrill: Call) -> None:
    """Exit code 1, and the best value is named."""
    code, out, _ = size(queuedrill, "--by", "arrivals.clean.count", "--values", "4,5", "--largest")
    assert (code, " ".join(out.split("\n\n")[0].split())) == (
        1,
        "No arrivals.clean.count that was tried is shown to keep the requirements, and none is better than another. "
        "With each, 0 of 2 nights keep them.",
    )


def test_more_is_not_always_worse(queuedrill: Call) -> None:
    """Where a smaller value misses what a larger one keeps, the answer says so."""
    by = ("--by", "pools.dome.count", "--values", "1,2", "--largest", "--change", "arrivals.clean.count=4")
    code, out, _ = size(queuedrill, *by, "--json")
    told = json.loads(out)
    assert (code, told["largest"]) == (0, 2)


def test_a_variant_with_a_comma_in_its_name_is_named(queuedrill: Call) -> None:
    """As one text, or among others; a name that is none is told."""
    compare = ("compare", "night.yaml", *MANY, "--json")

    def named(*more: str) -> list[str]:
        found: list[str] = json.loads(queuedrill(*compare, *more)[1])["variants"]
        return found

    assert named("--variants", "two, at once") == ["as written", "two, at once"]
    assert named("--variants", "slow", "--variants", "two, at once") == ["as written", "slow", "two, at once"]
    assert named("--variants", "slow, as written") == ["as written", "slow"]
    code, _, err = queuedrill(*compare, "--variants", "two")
    assert (code, "there is no variant 'two': " in err) == (2, True)
