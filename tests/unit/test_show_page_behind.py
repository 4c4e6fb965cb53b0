"""Every number of a page leads to what is behind it."""

import re
from pathlib import Path

import pytest

import emulator

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@pytest.fixture(scope="module")
def page() -> str:
    """A night in which a worker that was given up for lost writes once more."""
    return emulator.run(SCENARIOS / "zombie-writes-twice.yaml").page()


def test_every_link_within_a_page_leads_somewhere(page: str) -> None:
    """No link is dead."""
    wanted = set(re.findall(r'href="#([^"]*)"', page))
    assert wanted - set(re.findall(r'id="([^"]*)"', page)) == set()


def test_the_numbers_of_tables_and_sentences_are_links(page: str) -> None:
    """Of effects, attempts, the backlog and ends, each number is a link; a zero of ends is none. (Values: a pin.)"""
    places = [
        ("landed", r">effects landed</th><td[^>]*>(.*?)</td>"),
        ("late", r">effects after their lease had ended</th><td[^>]*>(.*?)</td>"),
        ("peak", r"peak</th><td[^>]*>(.*?) job</td>"),
        ("done", r">done</th><td[^>]*>(.*?)</td>"),
        ("unfinished", r">unfinished</th><td[^>]*>(.*?)</td>"),
        ("makespan", r"Makespan: (.*?)\.</p>"),
        ("stale", r"Stale requests refused: (.*?)\. "),
    ]
    found = {what: re.findall(pattern, page)[0] for what, pattern in places}
    assert found == {
        "landed": '<a href="#figure-effects_landed">2</a>',
        "late": '<a href="#figure-late_effects">1</a>',
        "peak": '<a href="#figure-backlog_peak">1</a>',
        "done": '<a href="#end-0">1</a>',
        "unfinished": "0",
        "makespan": '<a href="#figure-makespan">13 min 28 s</a>',
        "stale": '<a href="#figure-stale_refused">2</a>',
    }


def test_what_is_behind_a_number_names_the_jobs_and_the_events(page: str) -> None:
    """The late effect is that of the one job, whose events the page lists; the backlog is drawn in the picture."""
    assert re.findall(r'<li id="figure-(?:late_effects|backlog_peak)">.*?</li>', page) == [
        '<li id="figure-backlog_peak">most jobs in the backlog: 1; drawn <a href="#night">in the picture</a>; '
        "events <code>submitted,handed_out</code>.</li>",
        '<li id="figure-late_effects">effects after their lease had ended: 1; seen in <a '
        'href="#job-1"><bdi>tapes#1</bdi></a>; '
        "events <code>effect_landed</code>.</li>",
    ]
