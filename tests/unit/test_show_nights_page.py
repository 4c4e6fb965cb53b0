"""The page of many nights: the answer and its table, the figure that decides with its limit, and the backlog."""

import re
from dataclasses import replace
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from compared_copies import NIGHT as COPIES
from nights_by_hand import compared, played

from emulator import ComparisonResult, nights
from emulator.experiment import compare as comparing
from emulator.measure.comparison.result import Comparison
from emulator.scenario.models.scenario import Requirement

GOLDEN = Path(__file__).parent.parent / "golden" / "nights.html"

QUEUED: dict[str, Any] = {
    "title": "Three copies",
    "starts": "2026-06-12T21:30:00",
    "lasts": "2h",
    "queues": {"night": {}},
    "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
    "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}]}},
    "arrivals": [{"routine": "copy", "count": 3, "at": "21:30"}],
}


@pytest.fixture(scope="module")
def many() -> ComparisonResult:
    """Ten nights of a small scenario."""
    alone = {key: value for key, value in COPIES.items() if key != "variants"}
    return nights(alone, 10, processes=1, measures=["makespan", "done_share"])


def test_the_page_of_many_nights_stays_as_it_is(many: ComparisonResult) -> None:
    """A pin, copied from a run and read by eye: the whole page without its style sheet."""
    page = replace(many, versions={"program": "0"}).page()
    text = re.sub(r"<style>[^\0]*?</style>", "<style></style>", re.sub("sha256-[^']*", "sha256-", page))
    assert text == GOLDEN.read_text("utf-8")


def test_the_answer_comes_first_and_all_else_is_folded(many: ComparisonResult) -> None:
    """The order of the headings; those of the rest are folded. What the first screen says in its table is said here."""
    page = many.page()
    heads = re.findall(r"(<summary>)?<h2>([^<]*)</h2>", page)
    assert [head for fold, head in heads if not fold] == [
        "The answer in figures",
        "What decides: makespan",
        "The backlog over the night",
        "Figures",
        "Settings and assumptions",
    ]
    assert [head for fold, head in heads if fold] == [
        "Requirements",
        "How each figure spreads over the nights",
        "Every night",
    ]
    shown = " ".join(unescape(re.sub("<[^>]*>", " ", page.split("</header>")[1])).split())
    table = many.summary(width=120).as_text().split("\n\n")[2]
    said = [cell for line in table.splitlines()[1:] for cell in re.split(r" {2,}", line.strip())]
    assert len(said) == 8
    assert [cell for cell in said if cell not in shown] == []


def test_the_backlog_is_read_at_moments_that_are_evenly_apart() -> None:
    """Three jobs of 10 min and one worker: two wait for 10 min and one for 10 more; a moment is 120 / 96 = 1.25 min."""
    found = nights(QUEUED, 1, processes=1)
    assert found.played[0].backlog == (2,) * 8 + (1,) * 8 + (0,) * 81
    page = found.page()
    table = page.split("The backlog in figures</caption>")[1].split("</table>")[0]
    cells = [re.sub("<[^>]*>", " ", row).split() for row in table.split("<tr>")[2:]]
    assert cells == [["22:00", "0", "0", "0"], ["23:00", "0", "0", "0"]]


def test_of_very_many_nights_no_backlog_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond a number of nights they would take too much memory; the page leaves that picture out."""
    monkeypatch.setattr(comparing, "_MOST_BACKLOGS", 1)
    found = nights(QUEUED, 2, processes=1)
    assert [night.backlog for night in found.played] == [(), ()]
    assert "The backlog over the night" not in found.page()


def test_a_night_without_a_backlog_says_so() -> None:
    """Three workers for three jobs: nobody waits."""
    page = nights({**QUEUED, "pools": {"dome": {**QUEUED["pools"]["dome"], "count": 3}}}, 1, processes=1).page()
    assert "No job had to wait in nine nights of ten." in page
    assert "<p>No requirement is stated.</p>" in page


def by_hand(values: list[float], **bounds: Any) -> Comparison:
    """Give nights in which a figure had such values, with a requirement on it."""
    asked = Requirement.model_validate({"measure": "failed", **bounds})
    held = [
        (("at_most" not in bounds or one <= bounds["at_most"]) and one >= bounds.get("at_least", 0),) for one in values
    ]
    one = played({"as written": {"failed": values}}, {"as written": held})
    return compared(one, ["as written"], requirements={"as written": [asked]}, nights=len(values))


def drawn(page: str) -> tuple[list[tuple[str, str]], list[float]]:
    """Give what each bar tells, and where the limits stand in the broad picture."""
    picture = page.split('<figure class="broad">')[1].split("</figure>")[0]
    bars = re.findall(r"<rect[^>]*><title>(\S+) *: ([^<]*)</title>", picture)
    limits = re.findall(r'<line x1="([\d.]+)"[^>]*stroke-dasharray="6 4"', picture)
    return bars, [float(one) for one in limits]


def bar_places(page: str) -> list[tuple[float, float]]:
    """Give where each bar begins and ends in the broad picture."""
    picture = page.split('<figure class="broad">')[1].split("</figure>")[0]
    found = re.findall(r'<rect x="([\d.]+)" y="[\d.]+" width="([\d.]+)"[^>]*><title>', picture)
    return [(float(x), float(x) + float(width)) for x, width in found]


def test_whole_numbers_have_a_bar_each_and_a_limit_beside_the_last_that_is_kept() -> None:
    """By hand: 0, 1, 1, 2, 4 with at most 2: bars of 1, 2, 1 and 1 nights; the line stands between 2 and 4."""
    page = ComparisonResult.of(by_hand([0, 1, 1, 2, 4], at_most=2)).page()
    bars, limits = drawn(page)
    assert bars == [("0", "1 night"), ("1", "2 nights"), ("2", "1 night"), ("4", "1 night")]
    places = bar_places(page)
    assert len(limits) == 1
    assert limits[0] == pytest.approx(places[2][1], abs=0.2)
    assert "at most 2</text>" in page


def test_a_limit_from_below_stands_before_the_first_that_is_kept() -> None:
    """By hand: 2, 3, 5 with at least 3: the line stands between 2 and 3."""
    page = ComparisonResult.of(by_hand([2, 3, 5], at_least=3)).page()
    bars, limits = drawn(page)
    assert bars == [("2", "1 night"), ("3", "1 night"), ("5", "1 night")]
    assert limits == pytest.approx([bar_places(page)[1][0]], abs=0.2)
    assert "at least 3</text>" in page


def test_many_values_stand_between_round_ones() -> None:
    """By hand: 0, 10, ..., 100 in bins of 20, the last of which holds its upper end: 2, 2, 2, 2, 3."""
    page = ComparisonResult.of(by_hand([10.0 * one for one in range(11)], at_most=100)).page()
    table = page.split("The nights in figures</caption>")[1].split("</table>")[0]
    cells = [unescape(re.sub("<[^>]*>", "|", row)).strip("|").split("||") for row in table.split("<tr>")[2:]]
    assert cells == [["0 to 20", "2"], ["20 to 40", "2"], ["40 to 60", "2"], ["60 to 80", "2"], ["80 to 100", "3"]]
