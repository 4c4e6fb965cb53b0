"""``queuedrill forecast``: exit codes, files that are kept, wrong input, and the page in its golden copy."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest

from emulator.outlook.closed_forms import ClosedForm
from emulator.outlook.forecast_result import (
    Answer,
    AtOtherGrowth,
    Counted,
    EndTried,
    Forecast,
    Grows,
    Headroom,
    KindPlayed,
    MonthCell,
    Reached,
    Retained,
)
from emulator.outlook.forecast_words import forecast_csv, forecast_document, forecast_screen, headline

Call = Callable[..., Any]
GOLDEN = Path(__file__).parents[1] / "golden" / "forecast.html"

NIGHT = """\
title: Plates to the archive
starts: 2026-06-12T21:30:00
lasts: 6h
queues:
  night: {}
pools:
  dome: {count: 1, serves: [night]}
routines:
  copy: {queue: night, parts: [{name: read, takes: 10m, effect: stored, keeps: {newest: 14}}]}
arrivals:
  - {name: nightly, routine: copy, count: 12, at: "21:30"}
must_hold:
  - {measure: makespan, at_most: 125m, in_share: 0.9}
"""
FEW = ("--nights", "100", "--months", "1", "--processes", "1")


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("night.yaml").write_text(NIGHT)


def made() -> Forecast:
    """A forecast made by hand, with everything in it."""
    hours = 3_600_000_000.0
    growth = (Grows("arrivals.plates.count", 0.03, "month", (0.02, 0.04), "measured, 2026-05-01"),)
    falls = Answer(
        requirement="makespan at most 5 h, in 90 % of nights",
        label="all copied by three <at night> (makespan at most 5 h, in 90 % of nights)",
        kind="other nights",
        share=0.9,
        outlook="falls_below",
        first=date(2026, 9, 14),
        low=date(2026, 9, 1),
        high=date(2026, 9, 30),
        factors={"arrivals.plates.count": 1.096},
        today=0.996,
        at_end=0.412,
        before=Counted(57, 60, date(2026, 9, 2), date(2026, 9, 13)),
        after=Counted(52, 60, date(2026, 9, 14), date(2026, 9, 28)),
        breaks=(
            Reached("makespan", "makespan", "time", 3.5 * hours, 4.8 * hours, False),
            Reached("utilisation", "utilisation of workers", "share", 0.61, 0.73, False),
        ),
        others=(
            AtOtherGrowth(0.02, None, date(2026, 10, 10), None),
            AtOtherGrowth(0.04, date(2026, 8, 20), date(2026, 8, 11), date(2026, 9, 2)),
        ),
        months=("met", "met", "met", "unclear"),
    )
    stays = Answer(
        *("done_share at least 100 %", "share of jobs done at least 100 %", "month-ends", 0.9, "stays"),
        *(None, None, None, {}, 0.999, 0.998, None, None, (), (), ("met", "met", "met", "none")),
    )
    opens = Answer(
        *("wait_p90 at most 1 h", "90th percentile of wait at most 1 h", "month-ends", 0.9, "unclear"),
        *(None, date(2026, 8, 31), None, {}, 0.97, 0.93, None, None),
        (Reached("wait_p90", "90th percentile of wait", "time", 0.5 * hours, 0.8 * hours, True),),
        *((), ("met", "met", "unclear", "none")),
    )
    cells = [
        MonthCell(month, kind, nights, state, "")
        for month, states in (("2026-06", "mm"), ("2026-07", "mm"), ("2026-08", "mu"), ("2026-09", "bn"))
        for (kind, nights), letter in zip((("other nights", 29), ("month-ends", 1)), states, strict=True)
        for state in ("met", "unclear", "below", "none")
        if state[0] == letter
    ]
    return Forecast(
        title="Plates to the archive",
        file="night.yaml",
        changes=(),
        starts=date(2026, 6, 12),
        ends=date(2026, 10, 12),
        months=4,
        nights=1200,
        first_seed=1,
        confidence=0.95,
        growth=growth,
        kinds=(
            KindPlayed("other nights", 118, date(2026, 6, 12), 800, True),
            KindPlayed("month-ends", 4, date(2026, 6, 30), 400, True),
            KindPlayed("holidays", 1, date(2026, 9, 18), 0, False),
        ),
        answers=(falls, opens, stays),
        calendar=tuple(cells),
        ends_tried=(
            EndTried(
                "access of dome to archive ends",
                "access.0.until",
                datetime(2026, 8, 1),  # noqa: DTZ001 - a local time
                False,
                date(2026, 7, 31),
                (("share of jobs done at least 100 %", 0, 60),),
                (date(2026, 7, 31), date(2026, 8, 1)),
            ),
            EndTried(
                "planned outage of archive",
                "systems.archive.outages.0",
                datetime(2026, 7, 3, 12),  # noqa: DTZ001 - a local time
                True,
                None,
                (),
                (date(2026, 7, 3),),
            ),
        ),
        once=("work on the dome, 2026-07-01 22:00",),
        shifted=(date(2026, 9, 5),),
        headroom=(
            Headroom("plates", 1.21, 1.14, 1.3, "makespan at most 5 h", 4.0, 300),
            Headroom("monthly", None, 3.8, None, "", 4.0, 300),
        ),
        retained=(
            Retained(
                "stored",
                "copy",
                "those of the newest 14 nights",
                "the results of the night of 2026-06-12 are deleted in the night of 2026-06-26",
                1204.4,
                date(2026, 9, 30),
                (("2026-06", 1001.0, 402.0), ("2026-07", 1080.2, 2201.7)),
            ),
        ),
        closed_forms=(
            ClosedForm(
                *("wait with polling", "night", "elementary", "one Poisson entry", "time", 10_400_000.0, ""),
                *("wait_mean for queue night", 11_000_000.0, 10_600_000.0, 11_500_000.0, "", True),
            ),
            ClosedForm(
                *("offered load", "night", "Erlang 1917", "one rate", "ratio", None, "faults strike"),
                *("executed for queue night", None, None, None, "", None),
            ),
        ),
        versions={"program": "1", "zone data": "2026a"},
    )


def test_the_page_is_the_golden_one() -> None:
    """A forecast made by hand, with everything in it, below the style that all pages share: read what differs."""
    assert body() == GOLDEN.read_text("utf-8")


def body() -> str:
    return forecast_document(made()).partition("<body>\n")[2]


def test_a_page_holds_no_script_and_names_are_harmless() -> None:
    """It may run nothing, and a name is text."""
    page = forecast_document(made())
    assert "<script" not in page and "&lt;at night&gt;" in page


def test_the_screen_tells_the_same() -> None:
    """What the page has stands on the screen too, in 80 columns; whole only where all is asked for."""
    screen = forecast_screen(made(), everything=True).as_text()
    words = " ".join(screen.split())
    for part in (
        "not before 2026-10-12",
        "perhaps after 2026-08-31 (95 %: 2026-08-31 or later)",
        "Then arrivals.plates.count is 1.10 times as much; at 2 % it would be not before 2026-10-12; at 4 % it",
        "90th percentile of wait: 30 min today, more than 48 min at the end.",
        "2026-07-03 12:00, planned outage of archive: breaks nothing.",
        "On their own date alone: work on the dome, 2026-07-01 22:00.",
        "The clocks change in the night of 2026-09-05; nothing in it depends on that",
        "No job is due on: holidays.",
        "plates 1.21 times 95 %: 1.14 to 1.30",
        "monthly more than 3.80 times",
        "2026-07 1,080 2,202",
        "wait with polling, night: 10.4 s; simulated: 11 s, 5.5 % less by formula, agrees.",
        "offered load, night: refused: faults strike.",
    ):
        assert part in words, part
    assert max(map(len, screen.splitlines())) <= 80
    assert "By formula" not in forecast_screen(made()).as_text()


def test_the_calendar_marks_what_a_dated_end_breaks() -> None:
    """An access that is not renewed breaks every month from then on, an outage its own; what breaks nothing is none."""
    whole = made()
    access, outage = whole.ends_tried
    strikes = replace(outage, breaks_on=date(2026, 7, 3), missed=(("share of jobs done at least 100 %", 3, 60),))

    def row(*ends: EndTried) -> str:
        lines = forecast_screen(replace(whole, ends_tried=ends), everything=True, width=80).as_text().splitlines()
        months = next(line for line in lines if line.split()[:2] == ["nights", "06"])
        marks = next((line for line in lines if line.strip().startswith("dated ends")), "")
        return " ".join(month for month in ("06", "07", "08", "09") if marks[months.index(month) :][:2].strip())

    renewed = replace(access, breaks_on=date(2026, 8, 1))
    assert (row(renewed), row(strikes), row(outage), row(renewed, strikes)) == ("08 09", "07", "", "07 08 09")
    assert "leave it out" in forecast_screen(whole).as_text()
    page = forecast_document(replace(whole, ends_tried=(outage,)))
    assert "dated ends that break something" not in page


def test_the_headline_is_what_breaks_first() -> None:
    """The earliest of all; then what is open, then that all is well."""
    whole = made()
    _, opens, stays = whole.answers
    access, outage = whole.ends_tried
    strikes = replace(outage, breaks_on=date(2026, 7, 3), missed=(("share of jobs done at least 100 %", 3, 60),))
    said = {
        "all": headline(whole),
        "outage": headline(replace(whole, ends_tried=(access, strikes))),
        "growth": headline(replace(whole, ends_tried=())),
        "open": headline(replace(whole, ends_tried=(), answers=(opens, stays))),
        "perhaps": headline(replace(whole, ends_tried=(), answers=(replace(opens, first=date(2026, 9, 30)), stays))),
        "well": headline(replace(whole, ends_tried=(), answers=(stays,))),
        "nothing": headline(replace(whole, ends_tried=(), answers=(replace(stays, outlook="nothing_to_judge"),))),
    }
    assert said == {
        "all": "From 2026-07-31 on, if not renewed: access of dome to archive ends; share of jobs done at least 100 % "
        "is met in too few nights.",
        "outage": "In the night of 2026-07-03: planned outage of archive; share of jobs done at least 100 % is met in "
        "too few nights.",
        "growth": "From 2026-09-14 on, all copied by three <at night> (makespan at most 5 h, in 90 % of nights) is met "
        "in too few nights, on other nights (95 %: 2026-09-01 to 2026-09-30).",
        "open": "Open: too few nights to tell whether 90th percentile of wait at most 1 h, on month-ends, is met in "
        "enough nights until 2026-10-12.",
        "perhaps": "Open: 90th percentile of wait at most 1 h, on month-ends, may be met in too few nights from "
        "2026-09-30 on.",
        "well": "Every requirement is met in enough nights until 2026-10-12.",
        "nothing": "Open: no night had anything to judge.",
    }


def test_the_table_has_a_row_for_each_date() -> None:
    """Requirements by kind of night, then dated ends; a date that is not known is empty."""
    rows = forecast_csv(made()).splitlines()
    assert [row.split(",")[-8:] for row in rows[1:]][1:3] == [
        ["month-ends", "unclear", "", "2026-08-31", "", "0.9000", "0.9700", "0.9300"],
        ["month-ends", "stays", "", "", "", "0.9000", "0.9990", "0.9980"],
    ]
    assert rows[4:] == [
        "access of dome to archive ends,dated end,breaks,2026-07-31,2026-07-31,2026-07-31,,,",
        "planned outage of archive,dated end,breaks_nothing,,,,,,",
    ]


@pytest.mark.slow
def test_exit_codes_tell_how_it_looks(queuedrill: Call) -> None:
    """0: met to the end. 1: missed, here in every night."""
    code, out, _ = queuedrill("forecast", "night.yaml", "--quiet", *FEW)
    assert (code, out) == (0, "Every requirement is met in enough nights until 2026-07-12.\n")
    code, out, _ = queuedrill("forecast", "night.yaml", "--quiet", "--change", "arrivals.nightly.count=13", *FEW)
    assert code == 1 and out.startswith("Already today, on every night: makespan at most 2 h 5 min")


@pytest.mark.slow
def test_files_are_written_and_kept(queuedrill: Call) -> None:
    """A page and a table; what is there stays, unless --overwrite says otherwise."""
    files = ("--page", "f.html", "--csv", "f.csv")
    assert queuedrill("forecast", "night.yaml", *FEW, *files).code == 0
    assert Path("f.html").read_text().startswith("<!doctype html>")
    assert Path("f.csv").read_text().splitlines()[0].startswith("what,kind,outlook,first,low,high")
    Path("f.csv").write_text("mine")
    code, _, err = queuedrill("forecast", "night.yaml", *FEW, "--csv", "f.csv")
    assert (code, err) == (2, "f.csv: there is a file already: give --overwrite, or another name\n")
    assert Path("f.csv").read_text() == "mine"
    assert queuedrill("forecast", "night.yaml", *FEW, "--csv", "f.csv", "--overwrite").code == 0
    assert Path("f.csv").read_text() != "mine"


def test_json_says_how_many_nights_were_played(queuedrill: Call) -> None:
    """All hundred of the one kind: of so few no entry's headroom could be told, so none is looked for."""
    told = json.loads(queuedrill("forecast", "night.yaml", "--json", *FEW).out)
    assert (told["nights"], told["kinds"][0]["nights"], told["headroom"]) == (100, 100, [])
    assert (told["outlook"], told["kinds"][0]["name"], told["ends"]) == ("good", "every night", "2026-07-12")


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--overwrite",), "--overwrite says what may become of files"),
        (("--page", "night.yaml"), "night.yaml is what is read"),
        (("--holidays", "no.ics"), "no.ics: cannot be read as a calendar"),
        (("--nights", "99"), "100<=x<=1000000"),
        (("--months", "61"), "1<=x<=60"),
        (("--page", "no/where.html"), "cannot be written"),
        (("--confidence", "2"), "a confidence of 2 is out of range"),
    ],
)
def test_wrong_input_is_told(queuedrill: Call, more: tuple[str, ...], said: str) -> None:
    """In a sentence, with exit code 2 and without a traceback."""
    code, out, err = queuedrill("forecast", "night.yaml", *more)
    assert (code, out) == (2, "")
    assert said in " ".join(err.split()) and "Traceback" not in err
