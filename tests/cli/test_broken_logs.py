"""Logs that break off, have lost an event, or are no logs: what is said of them, and what is not."""

import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from emulator.cli.main import answer
from emulator.errors import LogError
from emulator.record.log_reader import open_log

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


@pytest.mark.slow
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
    assert [state for state, value in now if value.startswith("1 ")] == ["not_judged", "not_judged"]

    assert answer(["page", "night.db"]) == 0
    page = (place / "page.html").read_text()
    assert f"<h1 class='verdict'>{BREAKS_OFF}</h1>" in page.replace("\N{NO-BREAK SPACE}", " ")
    assert (page.count(NOT_JUDGED), 'class="met"' in page, 'class="missed"' in page) == (2, False, False)

    capsys.readouterr()
    assert answer(["story", "night.db", "--requirement", "1"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert told == (
        f"Requirement 1: share of jobs done at least 100 % {NOT_JUDGED} [1] "
        "The log ends at 21:55:00, before its run was finished: what came then is not known."
    )


def test_a_log_that_breaks_off_as_it_begins_is_exported(changed: Change, capsys: pytest.CaptureFixture[str]) -> None:
    """What is taken per hour or over time is left out where no time has passed."""
    changed(KILLED.replace("at > 1500000000", "n > 1"))
    capsys.readouterr()
    assert answer(["export", "night.db", "--as", "openmetrics"]) == 0
    text = capsys.readouterr().out
    assert (text.endswith("# EOF\n"), "queuedrill_figure_backlog_mean" in text) == (True, False)


ALL_WAYS = (
    ("page", "night.db"),
    ("story", "night.db", "1"),
    ("story", "night.db", "--worker", "dome-1"),
    ("story", "night.db", "--requirement", "1"),
    ("trail", "night.db"),
    ("trail", "night.db", "--job", "1"),
    ("trail", "night.db", "--kind", "run_began"),
    ("trail", "night.db", "--job", "1", "--causes"),
    ("trail", "night.db", "--follow", "--kind", "run_began"),
    *(("export", "night.db", "--as", form) for form in ("junit", "openmetrics", "attempts-csv", "cloudevents", "otlp")),
    ("reproduce", "night.db"),
)
MISSING = (
    "night.db: event {} is missing: the file was changed or damaged after the run had written it: take a "
    "copy that was made before, or run its night anew (plates.yaml, seed 1)\n"
)


@pytest.mark.slow
@pytest.mark.parametrize("number", [1, 9, 17])
def test_a_log_that_has_lost_an_event_is_refused(
    number: int, changed: Change, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever reads a log in which an event is missing, the first, the last or one between, is told which."""
    place = changed(f"DELETE FROM events WHERE n = {number}")
    for asked in ALL_WAYS:
        capsys.readouterr()
        assert answer(asked) == 2, asked
        assert capsys.readouterr().err == MISSING.format(number), asked
    assert not (place / "page.html").exists()
    with pytest.raises(LogError, match=f"event {number} is missing"):
        open_log("night.db").jobs()


def test_a_log_that_breaks_off_is_refused_for_an_event_in_its_midst(
    changed: Change, capsys: pytest.CaptureFixture[str]
) -> None:
    """Only what would come after the last event may be missing from the log of a killed run."""
    changed(f"{KILLED}; DELETE FROM events WHERE n = 9")
    capsys.readouterr()
    assert answer(["story", "night.db", "2"]) == 2
    assert capsys.readouterr().err == MISSING.format(9)


@pytest.mark.parametrize("cause", [9, 12, -1])
def test_a_cause_that_does_not_come_before_is_refused(
    cause: int, changed: Change, capsys: pytest.CaptureFixture[str]
) -> None:
    """No event leads to itself or back in time, so that no chain of causes can go round."""
    changed(f"UPDATE events SET cause = {cause} WHERE n = 9")
    for asked in ALL_WAYS[:2]:
        capsys.readouterr()
        assert answer(asked) == 2, asked
        assert capsys.readouterr().err == (
            f"night.db: event 9 is damaged: event {cause}, which it names as its cause, does not come before it\n"
        )


def test_an_empty_file_is_told_as_such(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file of no bytes, which SQLite would take for a database, is said to be empty."""
    (place / "empty.db").touch()
    assert answer(["page", "empty.db"]) == 2
    assert (
        capsys.readouterr().err == "empty.db: it is empty, not an event log of this program (`run --log` writes one)\n"
    )


@pytest.mark.parametrize(
    ("sql", "complaint"),
    [
        ("UPDATE meta SET value = 'two' WHERE key = 'seed'", "seed is 'two', which is no whole number"),
        ("UPDATE meta SET value = '' WHERE key = 'events'", "events is '', which is no whole number"),
        ("UPDATE meta SET value = '{' WHERE key = 'files'", "files is '{', which is no JSON object of texts"),
        ("DELETE FROM meta WHERE key = 'scenario_text'", "scenario_text is missing"),
        ("DELETE FROM meta WHERE key = 'digest'", "digest is missing"),
        ("UPDATE meta SET value = x'00ff' WHERE key = 'seed'", "seed is \"b'\\\\x00\\\\xff'\", which is no text"),
        (
            "UPDATE meta SET value = char(0) WHERE key = 'scenario_folder'",
            "scenario_folder is '\\x00', which is no path",
        ),
    ],
)
def test_what_a_log_says_of_its_run_is_named_where_it_is_damaged(
    sql: str, complaint: str, changed: Change, capsys: pytest.CaptureFixture[str]
) -> None:
    """A fact of the run that is missing, or not of its kind, is named with what stands there."""
    changed(sql)
    capsys.readouterr()
    assert answer(["trail", "night.db"]) == 2
    assert capsys.readouterr().err == (
        f"night.db: what it says about its run is damaged: {complaint}: take a copy that was made before\n"
    )


def test_the_head_of_a_page_names_every_version_of_its_log(changed: Change) -> None:
    """A page of a log names the program, the zone data and the Python that its run was made with."""
    place = changed("UPDATE meta SET value = '3.11.99' WHERE key = 'python_version'")
    assert answer(["page", "night.db"]) == 0
    assert re.search(r"<dd>program \S+, zone data \S+, python 3\.11\.99</dd>", (place / "page.html").read_text())
