"""Logs that break off, have lost an event, or are no logs: what is said of them, and what is not."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from emulator.cli.main import answer

PLATES = """\
title: Plate copies
starts: 2026-06-12T21:30:00
zone: America/Santiago
lasts: 2h
queues: {night: {lease: 90s}}
pools: {dome: {count: 1, serves: [night]}}
routines: {copy: {queue: night, parts: [{name: copy, takes: 10m}]}}
arrivals: [{routine: copy, name: plates, count: 2, at: "21:35"}]
must_hold: [{measure: done_share, at_least: 1}, {measure: lost_leases, exactly: 2}]
"""
Change = Callable[[str], Path]


@pytest.fixture
def changed(place: Path) -> Change:
    """Give what runs the night and then changes its finished log by SQL."""

    def change(sql: str) -> Path:
        (place / "plates.yaml").write_text(PLATES)
        answer(["run", "--quiet", "--log", "night.db", "plates.yaml"])
        with closing(sqlite3.connect(place / "night.db")) as file:
            file.executescript(f"DROP TRIGGER events_refuse_delete; DROP TRIGGER events_refuse_update; {sql}")
        return place

    return change


KILLED = "DELETE FROM events WHERE at > 1500000000; DELETE FROM meta WHERE key IN ('finished', 'events', 'digest')"
"""As a kill leaves it after both jobs were done: 25 minutes of the two hours."""
NOT_JUDGED = "Not judged: the log ends after 25 min of 2 h, before its run was finished."
BREAKS_OFF = "The log ends at 2026-06-12 21:55:00, after 25 min of 2 h, before its run was finished: nothing is judged."


def test_nothing_is_judged_by_a_log_that_breaks_off(changed: Change, capsys: pytest.CaptureFixture[str]) -> None:
    """Of a killed night no requirement is met or missed in any form, each says where the log ends, the page at its top.

    What was found until then would have been enough to meet the one and to miss the other.
    """
    place = changed(KILLED)
    capsys.readouterr()
    assert answer(["export", "night.db", "--as", "junit"]) == 0
    tests = capsys.readouterr().out
    assert (tests.count('tests="2" failures="0" errors="0" skipped="2"'), "<failure" in tests) == (2, False)
    assert tests.count(f'<skipped message="{NOT_JUDGED}" />') == 2
    assert f'<property name="verdict" value="{BREAKS_OFF}" />' in tests

    assert answer(["export", "night.db", "--as", "openmetrics"]) == 0
    samples = [line for line in capsys.readouterr().out.splitlines() if line.startswith("queuedrill_requirement{")]
    now = [line.split('queuedrill_requirement="')[1].split('"} ') for line in samples]
    assert [state for state, value in now if value.startswith("1 ")] == ["not judged", "not judged"]

    assert answer(["page", "night.db"]) == 0
    page = (place / "page.html").read_text()
    assert f"<h1 class='verdict'>{BREAKS_OFF}</h1>" in page
    assert (page.count(NOT_JUDGED), 'class="met"' in page, 'class="missed"' in page) == (2, False, False)

    capsys.readouterr()
    assert answer(["story", "night.db", "--requirement", "1"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert told == (
        f"Requirement 1: done_share at least 100 % {NOT_JUDGED} [1] "
        "The log ends at 21:55:00, before its run was finished: what came then is not known."
    )


def test_a_log_that_breaks_off_as_it_begins_is_exported(changed: Change, capsys: pytest.CaptureFixture[str]) -> None:
    """What is taken per hour or over time is left out where no time has passed."""
    changed(KILLED.replace("at > 1500000000", "n > 1"))
    capsys.readouterr()
    assert answer(["export", "night.db", "--as", "openmetrics"]) == 0
    text = capsys.readouterr().out
    assert (text.endswith("# EOF\n"), "queuedrill_figure_backlog_mean" in text) == (True, False)
