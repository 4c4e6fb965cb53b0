"""Writing events for a terminal: hostile texts do no harm, and no fact is lost."""

import csv
import io
import json
import re
from datetime import datetime

import pytest

from emulator.record.events import Row
from emulator.scenario.clock import Clock
from emulator.show.layout import columns
from emulator.show.trail import TrailWriter, escaped

CLOCK = Clock(datetime.fromisoformat("2026-06-12T21:30"), "America/Santiago")
HOSTILE = '=1+1\x1b[2J\u202e<b>\n\r\t"\\\x7f\x9b é'
ROW: Row = (5, "effect_landed", 3, 1, "dome-1", 1, 7, "copied", HOSTILE, True)


def writer(form: str, **more: bool) -> TrailWriter:
    return TrailWriter(form, CLOCK, lambda job: f"plates#{job}", (9, 10), **more)  # type: ignore[arg-type]


def test_a_terminal_is_never_told_what_to_do() -> None:
    """Everything that is not simply shown is an escape in the table, and in JSON where a terminal shows it."""
    table = writer("table").of(4, ROW)
    lines = writer("jsonl", terminal=True).of(4, ROW)
    assert [one for one in table + lines if not one.isprintable() and one != "\n"] == []
    assert json.loads(lines)["target"] == HOSTILE


def test_a_long_value_is_broken_and_never_cut() -> None:
    """A value of 10,000 characters stands whole in the table, in lines of 80 columns."""
    value = "".join(chr(ord("a") + place % 26) for place in range(10_000))
    text = writer("table").of(4, (*ROW[:8], value, True))
    assert max(columns(line) for line in text.splitlines()) <= 80
    assert f"target={value}" in "".join(line.strip() for line in text.splitlines())


def test_a_long_value_is_broken_between_its_words() -> None:
    """No word of a value is parted by the end of a line where a space comes before it, and nothing of it is lost."""
    value = "the access of the tape archive to the archive is not in force yet, and was not the night before either"
    text = writer("table").of(4, (*ROW[:8], value, True))
    _, _, *more = text.splitlines()  # behind the day and the line of the event
    indent = len(more[0]) - len(more[0].lstrip())
    assert f'target="{value}"' in "".join(line[indent:] for line in more)
    assert set(value.replace(",", "").split()) <= set(re.findall(r"\w+", text))
    assert max(map(columns, text.splitlines())) <= 80


@pytest.mark.parametrize("wide", ["天文台" * 40, "é" * 200])
def test_wide_characters_keep_within_the_page(wide: str) -> None:
    """Characters that take two columns are counted as two."""
    text = writer("table").of(4, (*ROW[:8], wide, True))
    assert max(columns(line) for line in text.splitlines()) <= 80


def test_a_spreadsheet_runs_no_formula() -> None:
    """A name that begins like a formula has an apostrophe in front of it; details are JSON and begin with a brace."""
    write = TrailWriter("csv", CLOCK, lambda job: "=HYPERLINK()#1")
    [row] = csv.reader(io.StringIO(write.of(4, (*ROW[:4], "@dome", *ROW[5:])), newline=""))
    assert (row[6], row[7], json.loads(row[8])["target"]) == ("'=HYPERLINK()#1", "'@dome", HOSTILE)


def test_the_day_is_told_when_it_changes() -> None:
    """A line with the day and the offset from UTC stands above the first event, and wherever they change."""
    write = writer("table")
    held = [(at, "broker_down", 0, 0, "") for at in (0, 9_000_000_000, 9_000_000_001)]
    assert write.head() + "".join(write.of(number, row) for number, row in enumerate(held, 1)) == (
        "event  time      tick  cause  what\n"
        "2026-06-12, America/Santiago (UTC-04:00)\n"
        "    1  21:30:00     0      -  broker_down\n"
        "2026-06-13, America/Santiago (UTC-04:00)\n"
        "    2  00:00:00  9000000000      -  broker_down\n"
        "    3  00:00:00  9000000001      -  broker_down\n"
    )


def test_an_escape_is_told_from_what_looks_like_one() -> None:
    """A backslash that stands in a text is doubled, so that no text reads as another."""
    assert (escaped("\x1b"), escaped("\\u001b")) == ("\\u001b", "\\\\u001b")
