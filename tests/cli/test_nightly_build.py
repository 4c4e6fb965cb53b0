"""What ``run --nights`` gives a build: test results in XML, rows, one line of JSON, a page, and an exit code."""

import csv
import json
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from small_place import SCENARIO, Ended

import emulator
from emulator.measure.comparison.result import Lost
from emulator.show.comparison.exports import nights_xml

Call = Callable[..., Ended]

RANDOM = SCENARIO.replace("takes: 10m", "takes: {between: [4m, 6m]}").replace(
    "must_hold: [{measure: makespan, at_most: 20m}]",
    "must_hold: [{measure: makespan, at_most: 20m}, {measure: makespan, at_most: 5m, in_share: 0.5}, "
    "{measure: detection_delay_longest, at_most: 1m}]",
)
"""Two jobs of 4 to 6 minutes on one worker: always within 20 minutes, never within 5; no lease is lost."""


@pytest.fixture
def nights(place: Path) -> Path:
    """A scenario with a requirement that is kept, one that is missed, and one of which nothing can be judged."""
    (place / "nights.yaml").write_text(RANDOM)
    return place


def results(path: str) -> list[tuple[str, list[str]]]:
    """Give each test case with what became of it."""
    cases = ET.parse(path).getroot().iter("testcase")
    return [(case.get("name", ""), [child.tag for child in case]) for case in cases]


def test_every_requirement_is_a_test_result_and_nothing_passes_that_was_not_shown(
    nights: Path, queuedrill: Call
) -> None:
    options = ["--processes", "1", "--quiet", "--junit", "a.xml", "--csv", "a.csv"]
    assert queuedrill("run", "nights.yaml", "--nights", "36", *options).code == 1
    root = ET.parse("a.xml").getroot()
    assert [root.get(key) for key in ("tests", "failures", "errors", "skipped")] == ["3", "1", "1", "0"]
    assert results("a.xml") == [
        ("makespan at most 20 min", []),
        ("makespan at most 5 min, in 50 % of nights", ["failure"]),
        ("detection_delay_longest at most 1 min", ["error"]),
    ]
    failure = root.find(".//failure")
    assert failure is not None
    assert (failure.get("type"), (failure.text or "").splitlines()[:3]) == (
        "does_not_hold",
        ["Kept in 0 of 36 nights.", "Nights that missed it:", "queuedrill run nights.yaml --seed 1"],
    )
    rows = list(csv.DictReader(Path("a.csv").read_text("utf-8").splitlines()))
    assert {(row["measure"], row["variant"], row["nights"]) for row in rows[:1]} == {("makespan", "as written", "36")}


@pytest.mark.parametrize(
    ("options", "code", "tags"),
    [([], 4, ["error"]), (["--undecided", "0"], 0, ["skipped"]), (["--undecided", "1"], 1, ["failure"])],
)
def test_what_is_open_passes_only_where_that_is_wanted(
    nights: Path, queuedrill: Call, options: list[str], code: int, tags: list[str]
) -> None:
    text = RANDOM.partition("must_hold")[0] + "must_hold: [{measure: makespan, at_most: 20m}]\n"
    (nights / "nights.yaml").write_text(text)
    few = ["run", "nights.yaml", "--nights", "35", "--processes", "1", "--quiet", "--junit", "a.xml", *options]
    assert queuedrill(*few).code == code
    assert results("a.xml") == [("makespan at most 20 min", tags)]


def test_json_and_page_are_given_together_with_them(nights: Path, queuedrill: Call) -> None:
    options = ["--processes", "1", "--json", "--junit", "a.xml", "--csv", "a.csv", "--page", "a.html"]
    found = queuedrill("run", "nights.yaml", "--nights", "3", *options)
    assert (found.code, json.loads(found.out)["nights"]) == (4, 3)
    assert Path("a.html").read_text("utf-8").startswith("<!doctype html>")
    again = queuedrill("run", "nights.yaml", "--nights", "3", *options)
    assert (again.code, "there is a file already" in again.err) == (2, True)
    assert queuedrill("run", "nights.yaml", "--nights", "3", *options, "--overwrite") == found


def test_a_night_that_failed_to_run_is_an_error_of_its_own(nights: Path) -> None:
    from dataclasses import replace

    found = emulator.nights("nights.yaml", 2, processes=1)
    said = nights_xml(replace(found, lost=(Lost("as written", 2, "its process died each time"),)))
    [error] = [case for case in ET.fromstring(said).iter("testcase") if case.get("name") == "every night was run"]
    assert [(child.tag, child.get("message"), child.text) for child in error] == [
        ("error", "1 of 2 nights failed to run", "seed 2: its process died each time")
    ]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["fits.yaml", "--junit", "a.xml"], "--junit and --csv tell of many nights: give --nights too"),
        (["fits.yaml", "misses.yaml", "--nights", "2", "--csv", "a.csv"], "--csv takes one FILE"),
        (["fits.yaml", "--nights", "2", "--junit", "fits.yaml", "--overwrite"], "fits.yaml is what is read"),
        (["fits.yaml", "--nights", "2", "--junit", "a", "--csv", "a"], "a is named twice"),
    ],
)
def test_what_cannot_be_written_is_told_before_the_work(
    nights: Path, queuedrill: Call, arguments: list[str], message: str
) -> None:
    code, out, err = queuedrill("run", *arguments)
    assert (code, out, message in err) == (2, "", True), err
