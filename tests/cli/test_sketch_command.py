"""``queuedrill sketch``: from files of past jobs to a scenario that plays, and what is said on the way."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from past_exports import write_export
from small_place import Ended

pytestmark = pytest.mark.slow  # two weeks of nights are made and learnt from

Call = Callable[..., Ended]
NIGHT = ("--night", "18:00+14h", "--zone", "UTC")


@pytest.fixture
def history(place: Path) -> Path:
    return write_export(place / "history.csv", nights=14)


def test_a_draft_is_written_told_and_plays(history: Path, queuedrill: Call, place: Path) -> None:
    code, out, err = queuedrill("sketch", "history.csv", *NIGHT)
    assert (code, err) == (0, "")
    assert out.startswith("Drafted from ")
    assert "in 14 nights from 2026-03-02 to 2026-03-15." in out.partition("\n\n")[0].replace("\n", " ")
    written = ["draft.yaml", "draft.columns.yaml", "draft.nights.csv"]
    assert out.partition("\nWritten\n")[2].split()[:3] == written
    assert [it for it in written if (place / it).exists()] == written
    assert queuedrill("check", "draft.yaml").out.startswith("draft.yaml is correct")
    assert queuedrill("run", "draft.yaml", "--quiet").code in (0, 1)
    assert queuedrill("compare", "draft.yaml", "--nights", "2", "--quiet", "--processes", "1").code in (0, 1, 4)
    assert queuedrill(
        *("size", "draft.yaml", "--by", "pools.dome.count", "--values", "2", "--nights", "2", "--quiet"),
        *("--processes", "1"),
    ).code in (0, 1, 4)
    assert queuedrill("hunt", "draft.yaml", "--tries", "2", "--quiet").code in (0, 1)


def test_the_file_of_columns_is_read_back(history: Path, queuedrill: Call, place: Path) -> None:
    queuedrill("sketch", "history.csv", *NIGHT)
    again = queuedrill("sketch", "history.csv", "--columns", "draft.columns.yaml", "-o", "again.yaml", "--quiet")
    assert again == Ended(0, "again.yaml\nagain.nights.csv\n", "")
    drafted = (place / "draft.yaml").read_text()
    assert (place / "again.yaml").read_text() == drafted.replace("draft.nights.csv", "again.nights.csv")


def test_cells_that_are_no_moments_are_counted_and_a_wrong_form_is_refused(
    history: Path, queuedrill: Call, place: Path
) -> None:
    lines = history.read_text().splitlines()
    cells = lines[9].split(";")
    lines[9] = ";".join([*cells[:4], "soon", *cells[5:]])
    history.write_text("\n".join(lines) + "\n")
    out = queuedrill("sketch", "history.csv", *NIGHT).out
    assert "\nCounted and used\n  1 row: no moment in column 'Over' (line 10)\n" in out
    stated = (place / "draft.columns.yaml").read_text()
    (place / "wrong.yaml").write_text(
        stated.replace("means: begun, form: day month year", "means: begun, form: yyyymmdd")
    )
    code, _, err = queuedrill("sketch", "history.csv", "--columns", "wrong.yaml", "-o", "other.yaml")
    assert code == 2
    cell = lines[1].split(";")[3]
    assert f"history.csv:2, column 'Begun': '{cell}' is no moment of the form 'yyyymmdd': state one of day month" in err


def test_nothing_is_overwritten_unless_asked(history: Path, queuedrill: Call, place: Path) -> None:
    (place / "draft.nights.csv").write_text("mine")
    code, out, err = queuedrill("sketch", "history.csv", *NIGHT)
    assert (code, out) == (2, "")
    assert err == "draft.nights.csv: is there already: name another file, or give --overwrite\n"
    assert not (place / "draft.yaml").exists()
    assert queuedrill("sketch", "history.csv", *NIGHT, "--overwrite", "--quiet").code == 0
    assert (place / "draft.nights.csv").read_text().startswith("date,kind,")


def test_a_corrected_file_of_columns_is_given_back_and_left_as_it_is(
    history: Path, queuedrill: Call, place: Path
) -> None:
    queuedrill("sketch", "history.csv", *NIGHT)
    mine = (place / "draft.columns.yaml").read_text() + "# mine\n"
    (place / "draft.columns.yaml").write_text(mine)
    again = queuedrill("sketch", "history.csv", "--columns", "draft.columns.yaml", "--overwrite", "--quiet")
    assert again == Ended(0, "draft.yaml\ndraft.nights.csv\n", "")
    assert (place / "draft.columns.yaml").read_text() == mine


def test_exports_that_overlap_are_told_and_count_once(history: Path, queuedrill: Call, place: Path) -> None:
    lines = history.read_text().splitlines()
    (place / "late.csv").write_text("\n".join([lines[0], *lines[-100:]]) + "\n")
    one = json.loads(queuedrill("sketch", "history.csv", *NIGHT, "--json").out)
    two = json.loads(queuedrill("sketch", "history.csv", "late.csv", *NIGHT, "-o", "two.yaml", "--json").out)
    assert two["jobs"] == one["jobs"]
    assert [(it["file"], it["why"], it["count"]) for it in two["told"]] == [("late.csv", "in another file too", 100)]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["history.csv"], "when does a night begin, and how long does it last? give --night, such as 18:00+14h"),
        (["history.csv", "--night", "18:00"], "--night '18:00': write the time at which a night begins and"),
        (["history.csv", *NIGHT[:2], "--zone", "Mars"], "--zone 'Mars': there is no such zone"),
        (["history.csv", *NIGHT, "--table", "runs"], "--table runs: no file is an SQLite file: leave it out"),
        (["history.csv", *NIGHT, "-o", "no/draft.yaml"], "no/draft.yaml: cannot be written: there is no folder no"),
        (["short.csv", *NIGHT], "1 night is too few to learn from: give an export of at least 5"),
        (["none.csv", *NIGHT], "none.csv: cannot be read: No such file or directory"),
        (["history.csv", *NIGHT, "-o", "draft.txt"], "draft.txt: a scenario is a .yaml file"),
        (["history.csv", *NIGHT, "--starts", "soon"], "--starts soon: give a date such as 2026-06-12"),
        (
            ["rules", *NIGHT],
            "rules: was taken for a crontab, which tells nothing of past jobs: give an export",
        ),
        (["bytes.csv", *NIGHT], "bytes.csv:3: the byte 81 is neither UTF-8 nor Windows-1252: save it as UTF-8"),
        (["old.csv", *NIGHT], "old.csv:2: a job came in the year 0001, and years run from 1900 to 9000"),
        (["history.csv", *NIGHT, "--starts", "0001-01-01"], "--starts 0001-01-01: years run from 1900 to 9000"),
        (["old.csv", *NIGHT[:2], "--zone", "America/Santiago"], "a job came in the year 0001, and years run from"),
        (["zero.csv", *NIGHT], "zero.csv: no run time can be learnt: every attempt ends when it begins"),
        (["failed.csv", *NIGHT], "failed.csv: no run time can be learnt: no attempt with a begin and an end went well"),
        (["history.csv", "--columns", "empty.yaml"], "the file is empty: write keys such as zone:, night:, files:"),
    ],
)
def test_wrong_input_says_what_to_do(
    history: Path, queuedrill: Call, place: Path, arguments: list[str], said: str
) -> None:
    (place / "rules").write_text("30 21 * * * /opt/dome/copy-plates --all\n")
    text = history.read_text()
    (place / "bytes.csv").write_bytes(text.encode().replace(b"P00002", b"P\x8102"))
    (place / "old.csv").write_text(text.replace(".2026", ".0001"))
    cells = [line.split(";") for line in text.splitlines()]
    zero = [";".join([*row[:4], row[3] if at else row[4], *row[5:]]) for at, row in enumerate(cells)]
    (place / "zero.csv").write_text("\n".join(zero))
    (place / "failed.csv").write_text(text.replace(";done;", ";failed;"))
    (place / "empty.yaml").write_text("")
    (place / "short.csv").write_text("".join(history.read_text().splitlines(keepends=True)[:20]))
    code, out, err = queuedrill("sketch", *arguments)
    assert (code, out, err.count("Traceback")) == (2, "", 0)
    assert said in err


def test_a_crontab_and_a_calendar_are_drafted_too(history: Path, queuedrill: Call, place: Path) -> None:
    (place / "rules").write_text(
        "CRON_TZ=UTC\n# nightly\n30 21 * * * /opt/dome/copy-plates.sh --all\n@reboot /opt/dome/wake\n"
    )
    (place / "shifts.ics").write_text(
        "BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\nDTSTART;TZID=UTC:20260301T231500\r\nDURATION:PT45M\r\n"
        "RRULE:FREQ=WEEKLY\r\nSUMMARY:index \r\n the plates\r\nEND:VEVENT\r\n"
        "BEGIN:VEVENT\r\nDTSTART:20260301T231500Z\r\nSUMMARY:once\r\nEND:VEVENT\r\n"
        "BEGIN:VEVENT\r\nDTSTART:20260226T190000Z\r\nRRULE:FREQ=DAILY;INTERVAL=3;COUNT=4\r\nSUMMARY:third\r\n"
        "END:VEVENT\r\n"
        "BEGIN:VEVENT\r\nDTSTART:20260226T190000Z\r\nRRULE:FREQ=DAILY;COUNT=3\r\nSUMMARY:over\r\nEND:VEVENT\r\n"
        "END:VCALENDAR\r\n"
    )
    event = "DTSTART:20260226T190000Z\r\nRRULE:FREQ=DAILY;COUNT=3\r\nSUMMARY:over\r\n"
    (place / "over.ics").write_text(f"BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\n{event}END:VEVENT\r\nEND:VCALENDAR\r\n")
    code, out, err = queuedrill("sketch", "rules", "shifts.ics", "--night", "18:00+14h", "--starts", "2026-03-01")
    assert (code, err) == (0, "")
    assert "1 row: no rule that recurs (rules, line 4)" in out
    assert "1 row: comes once (shifts.ics, line 9)" in out
    text = (place / "draft.yaml").read_text()
    assert 'recurs: {value: "30 21 * * *", from: documented}' in text
    assert 'recurs: {value: "FREQ=WEEKLY;BYHOUR=23;BYMINUTE=15;BYDAY=SU", from: documented}' in text
    assert "takes: {value: 45m, from: documented}" in text
    assert 'recurs: {value: "FREQ=DAILY;INTERVAL=3;BYHOUR=19;BYMINUTE=0;UNTIL=20260307T190000Z", from: doc' in text
    assert "from: {value: 2026-03-01T19:00:00, from: documented}" in text
    assert "# - Planned, and over before 2026-03-01: over (shifts.ics:18)." in text
    assert queuedrill("check", "draft.yaml").code == 0
    ran = queuedrill("run", "draft.yaml", "--json")
    assert json.loads(ran.out)["figures"]["accepted"]["value"] == 3
    late = queuedrill("sketch", "over.ics", "--night", "18:00+14h", "--starts", "2026-03-01", "-o", "late.yaml")
    assert late.code == 2
    assert "nothing is left to draft. Planned, and over before 2026-03-01: over (over.ics:2). Give" in late.err
    both = queuedrill("sketch", "history.csv", "rules", *NIGHT, "-o", "both.yaml", "--quiet")
    assert both.code == 0
    assert "copy-plates-planned" in (place / "both.yaml").read_text()
