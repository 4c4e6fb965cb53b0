"""Exports of past jobs as people have them: delimiters, character sets, forms of time, columns in any order."""

import json
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from emulator.errors import InputError, ScenarioError
from emulator.past.attempts import attempts_of
from emulator.past.columns import MEANINGS, OUTCOMES, Seen, guess_columns, meaning_of
from emulator.past.columns_file import columns_text, read_columns_file
from emulator.past.moments import Form, read_moments, recognise
from emulator.past.nights import nights_of, parse_night
from emulator.past.tables import Table, read_table

SANTIAGO = "America/Santiago"
HEADER = ["Plate", "Kind", "Asked", "Begun", "Over", "Dome", "Said", "Try"]
TRUE = ["job", "routine", "submitted", "begun", "ended", "worker", "outcome", "attempt"]


def rows(count: int = 300, seed: int = 1) -> list[list[str]]:
    """Jobs of three nights on two domes, one after the other; every tenth fails once and is tried again."""
    draws = np.random.default_rng(seed)
    out: list[list[str]] = []
    clock = datetime(2026, 5, 4, 19, tzinfo=UTC).timestamp()
    for number in range(count):
        clock += draws.uniform(20, 400)
        asked, kind = clock, str(draws.choice(["copy", "verify", "export"]))
        begun = asked + draws.uniform(0, 30)
        for attempt in range(1, 3 if number % 10 == 0 else 2):
            over = begun + draws.uniform(5, 15)
            fails = number % 10 == 0 and attempt == 1
            dome = f"dome-{draws.integers(1, 3)}"
            out.append(
                [
                    f"P{number:05d}",
                    kind,
                    *map(told, (asked, begun, over)),
                    dome,
                    "failed" if fails else "done",
                    str(attempt),
                ]
            )
            begun = over + 40
        clock = max(clock, begun)
    return out


def told(seconds: float) -> str:
    return datetime.fromtimestamp(int(seconds), UTC).strftime("%d.%m.%Y %H:%M:%S")


def write(
    path: Path, found: list[list[str]], delimiter: str = ";", charset: str = "utf-8", header: bool = True
) -> Path:
    lines = [HEADER] * header + found
    path.write_bytes("\r\n".join(delimiter.join(row) for row in lines).encode(charset))
    return path


@pytest.mark.parametrize("charset", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [";", ",", "\t", "|", "^", "~", "\x1f", "\x01"])
def test_delimiters_and_character_sets(tmp_path: Path, charset: str, delimiter: str) -> None:
    found = rows(50)
    found[3][1] = "prüfen"
    table = read_table(write(tmp_path / "a.csv", found, delimiter, charset))
    assert table.names == HEADER
    assert [list(row) for row in zip(*table.columns, strict=True)] == found
    assert list(table.lines[:3]) == [2, 3, 4]


def test_what_is_around_the_rows_is_counted_with_its_lines(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", rows(20))
    lines = path.read_text().splitlines()
    lines.insert(10, lines[0])
    lines.insert(15, "")
    path.write_text("\n".join(["Export of plates", *lines, "Total: 22"]))
    table = read_table(path)
    assert {it.why: (it.count, it.lines) for it in table.left_out} == {
        "another width": (2, (1, 27)),
        "header again": (1, (12,)),
        "blank": (1, (17,)),
    }


def test_damaged_rows_are_left_out_with_their_lines_or_end_the_reading(tmp_path: Path) -> None:
    """A zero byte in a row, a cell of 200,000 characters, and a quote that nobody closes."""
    path = write(tmp_path / "a.csv", rows(40))
    lines = path.read_text().splitlines()
    lines[3] = lines[3].replace("dome", "do\0me")
    lines.insert(10, "x" * 200_000)
    path.write_text("\n".join(lines))
    table = read_table(path)
    assert [(it.why, it.lines) for it in table.left_out] == [("a zero byte in it", (4,)), ("another width", (11,))]
    assert len(table) == len(lines) - 3
    lines.insert(12, '"not closed')
    path.write_text("\n".join(lines))
    with pytest.raises(
        InputError, match=rf"a.csv:13: a quote opens here, and {len(lines) - 13} more lines belong to it"
    ):
        read_table(path)


def test_columns_of_one_name_are_told_apart(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("job;begun;begun\n1;2026-05-04;2026-05-05\n")
    assert read_table(tmp_path / "a.csv").names == ["job", "begun", "begun 3"]


def test_quoted_line_ends_do_not_move_the_lines(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text('a;b\n"one\ntwo";1\nthree;2\n')
    table = read_table(tmp_path / "a.csv")
    assert table.columns == [["one\ntwo", "three"], ["1", "2"]]
    assert list(table.lines) == [2, 4]


def test_json_lines_and_sqlite_and_workload_logs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.jsonl").write_text('{"id": 1, "at": {"begun": "x"}}\nno\n{"id": 2, "said": null, "more": [1]}\n')
    table = read_table(tmp_path / "a.jsonl")
    assert (table.names, table.columns) == (["id", "at.begun", "more"], [["1", "2"], ["x", ""], ["", "[1]"]])
    assert [(it.why, it.lines) for it in table.left_out] == [("no JSON", (2,))]
    with sqlite3.connect(tmp_path / "a.db") as base:
        base.execute("create table small (a)")
        base.execute("create table jobs (id, begun)")
        base.execute("insert into small values (1)")
        base.executemany("insert into jobs values (?, ?)", [(1, "x"), (2, None)])
    base.close()
    with monkeypatch.context() as patch:
        patch.setattr("emulator.past.tables._CHUNK", 1)
        told: list[float] = []
        assert read_table(tmp_path / "a.db", progress=told.append).columns == [["1", "2"], ["x", ""]]
        assert told == [0.5, 1.0]
    assert read_table(tmp_path / "a.db", "small").columns == [["1"]]
    with pytest.raises(InputError, match="has no table `plates`, but jobs, small"):
        read_table(tmp_path / "a.db", "plates")
    (tmp_path / "a.swf").write_text("; UnixStartTime: 100\n" + " ".join(map(str, range(18))) + "\n")
    log = read_table(tmp_path / "a.swf")
    assert (log.kind, log.how["UnixStartTime"], log.columns[1]) == ("workload log", "100", ["1"])


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b"\n \n", "is empty"),
        (b"one\ntwo\n", "no rows were recognised"),
        (b"a;b\n", "holds a header and no rows"),
        (b"\xff\xfe\x00", "is not UTF-16"),
        (b"{\n{\n", "no line of it is a JSON mapping"),
        (b'[\n{"job": 1}\n]', "is one list of JSON: write each of its mappings on a line of its own"),
        (b"SQLite format 3\0" + b"x" * 100, "file is not a database: give a whole copy that no program writes to"),
    ],
)
def test_what_is_no_export(tmp_path: Path, content: bytes, said: str) -> None:
    (tmp_path / "a.csv").write_bytes(content)
    with pytest.raises(InputError, match=said):
        read_table(tmp_path / "a.csv")
    with pytest.raises(InputError, match="cannot be read"):
        read_table(tmp_path / "missing.csv")


@pytest.mark.parametrize(
    ("cell", "form"),
    [
        ("2026-05-04T19:00:30Z", "year month day"),
        ("2026-05-04 19:00:30+00:00", "year month day"),
        ("2026-05-04 19:00:30.000 UTC", "year month day"),
        ("04.05.2026 21:00:30", "day month year"),
        ("13/05/2026 9:00 PM", "day month year"),
        ("05/13/26 09:00:00 pm", "month day year"),
        ("4-May-2026 21:00:30", "month in words"),
        ("Mon, 4 May 2026 19:00:30 GMT", "month in words"),
        ("20260504T190030Z", "yyyymmdd"),
        ("1777921230", "since 1970"),
        ("1777921230.5", "since 1970"),
        ("1777921230500", "since 1970"),
    ],
)
def test_forms_of_time(cell: str, form: str) -> None:
    """Berlin is two hours ahead of UTC in May (the tz database); 1777921230 is 2026-05-04T19:00:30Z."""
    found = recognise([cell, "", "-"])
    assert found is not None
    assert found.name == form
    moments = read_moments([cell, "", "not yet"], found, "Europe/Berlin")
    got = datetime.fromtimestamp(moments.seconds[0], ZoneInfo("UTC"))
    day = 13 if "13" in cell[:5] else 4
    second = got.replace(microsecond=0) == datetime(2026, 5, day, 19, 0, got.second, tzinfo=ZoneInfo("UTC"))
    assert second
    assert (moments.unread, list(np.isnan(moments.seconds))) == ([2], [False, True, True])


def test_a_column_decides_on_its_order_and_the_shorter_span_is_a_guess() -> None:
    sure = recognise(["03.04.2026 10:00", "13.04.2026 10:00"])
    assert sure is not None
    assert (sure.order, sure.guess) == ("day month year", False)
    # As day.month these two are a day apart, as month.day a month.
    guess = recognise(["03.04.2026 10:00", "04.04.2026 10:00"])
    assert guess is not None
    assert (guess.order, guess.guess) == ("day month year", True)
    assert "span 1 days" in guess.why
    assert recognise(["done", "failed"]) is None
    assert recognise(["2026", "17"]) is None


def test_one_date_that_no_calendar_shows_does_not_hide_the_others(tmp_path: Path) -> None:
    """Of ten dates 30 February is none; by the other order only the first six would exist."""
    cells = [f"{day:02d}.02.2026 10:00" for day in (*range(5, 10), 12, 13, 27, 28, 30)]
    form = recognise(cells)
    assert form == Form("numbers", "day month year", "by it 9 of 10 dates exist, by another order fewer", guess=True)
    assert read_moments(cells, form, "UTC").unread == [9]
    assert recognise([*cells, "31.02.2026 10:00"]) is None
    assert recognise(["2026-05-04T19:00:00+25:00"]) is None  # no zone is 25 hours ahead
    (tmp_path / "a.csv").write_text("\n".join(["job;begun", *(f"1;{it}" for it in [*cells, "31.02.2026 10:00"])]))
    said = r"9 of 11 cells of column 'begun' look like one, and '30.02.2026 10:00' in line 11 does not"
    with pytest.raises(InputError, match=said):
        guess_columns(read_table(tmp_path / "a.csv"), "UTC")


def test_an_hour_that_comes_twice_is_doubtful() -> None:
    """Santiago sets its clocks back from 24:00 to 23:00 on 4 April 2026 (the tz database)."""
    form = recognise(["04.04.2026 23:30:00"])
    assert form is not None
    moments = read_moments(["04.04.2026 22:30:00", "04.04.2026 23:30:00", "05.04.2026 00:30:00"], form, SANTIAGO)
    assert list(moments.doubtful) == [False, True, False]
    assert list(np.diff(moments.seconds)) == [3600, 7200]


@pytest.mark.parametrize("order", range(6))
def test_columns_are_known_in_any_order_and_without_names(tmp_path: Path, order: int) -> None:
    places = np.random.default_rng(order).permutation(len(HEADER)).tolist()
    found = [[row[at] for at in places] for row in rows(400, order)]
    table = read_table(write(tmp_path / "a.csv", found, header=False))
    assert not table.named
    means = [column.means for column in guess_columns(table, SANTIAGO).columns]
    assert means == [TRUE[at] for at in places]


def test_words_of_outcome_get_their_meaning_from_what_stands_beside_them() -> None:
    assert meaning_of("erfolgreich", Seen(1, 1, 1), commonest=False).means == "ok"
    assert meaning_of("error 17", Seen(1, 0, 0), commonest=False).means == "error"
    assert meaning_of("exit 2", Seen(1, 0, 0), commonest=False).means == "error"
    for seen, commonest, means in (((10, 9, 0), True, "lost"), ((10, 0, 9), True, "error"), ((10, 0, 0), True, "ok")):
        found = meaning_of("blip", Seen(*seen), commonest=commonest)
        assert (found.means, found.guess) == (means, True)
    assert set(OUTCOMES) == {"ok", "error", "lost", "cancelled", "running", "waiting"}


def test_rows_that_come_again_count_once_in_one_file_and_over_two(tmp_path: Path) -> None:
    found = rows(200)
    one = read_table(write(tmp_path / "a.csv", [*found, found[5], found[7]]))
    two = read_table(write(tmp_path / "b.txt", found[100:], "\t", "utf-16"))
    got = attempts_of([(it, guess_columns(it, SANTIAGO)) for it in (one, two)])
    assert len(got) == len(found)
    told = {it.why: it.count for it in got.told}
    assert told == {"repeated": 2, "in another file too": len(found) - 100}


def test_names_of_jobs_that_begin_anew_name_other_jobs(tmp_path: Path) -> None:
    """An export of the week after counts from 1 again: its jobs are others, and each keeps its own attempts."""
    found = rows(100)
    later = [[*row[:2], *(f"{int(cell[:2]) + 14}{cell[2:]}" for cell in row[2:5]), *row[5:]] for row in found]
    tables = [read_table(write(tmp_path / name, which)) for name, which in (("a.csv", found), ("b.csv", later))]
    got = attempts_of([(table, guess_columns(table, SANTIAGO)) for table in tables])
    assert (len(got), len(np.unique(got.job))) == (2 * len(found), 200)
    assert [(it.why, it.count, it.used) for it in got.told] == [
        ("a job's name used again days later: another job", 100, True)
    ]
    assert max(np.bincount(got.job)) == 2


def test_ends_are_swapped_back_and_far_rows_left_out_and_both_told(tmp_path: Path) -> None:
    found = rows(200)
    found[8][3], found[8][4] = found[8][4], found[8][3]
    found.append(["P99999", "copy", *["01.01.2036 00:00:00"] * 3, "dome-1", "done", "1"])
    table = read_table(write(tmp_path / "a.csv", found))
    got = attempts_of([(table, guess_columns(table, SANTIAGO))])
    assert {it.why: (it.count, it.lines) for it in got.told} == {
        "ends swapped back": (1, (10,)),
        "too far away": (1, (len(found) + 1,)),
    }
    assert bool(np.all(got.ended >= got.begun))


def test_attempts_without_numbers_are_numbered(tmp_path: Path) -> None:
    found = [row[:-1] for row in rows(200)]
    (tmp_path / "a.csv").write_text("\n".join(";".join(row) for row in [HEADER[:-1], *found]))
    table = read_table(tmp_path / "a.csv")
    got = attempts_of([(table, guess_columns(table, SANTIAGO))])
    assert int((got.number == 2).sum()) == 20
    assert bool(np.all(got.begun[got.number == 2] > got.submitted[got.number == 2]))


def test_nights_keep_to_the_wall_clock(tmp_path: Path) -> None:
    """A night over the hour that comes twice: 00:30 is six and a half hours after 18:00 on the wall."""
    lines = ["a;b", *(f"04.04.2026 {hour}:30:00;x" for hour in (12, 18, 22)), "05.04.2026 00:30:00;y"]
    (tmp_path / "a.csv").write_text("\n".join(lines))
    table = read_table(tmp_path / "a.csv")
    nights = nights_of(attempts_of([(table, guess_columns(table, SANTIAGO))]), parse_night("18:00+14h"), SANTIAGO)
    assert [it.isoformat() for it in nights.dates] == ["2026-04-04"]
    assert list(nights.offset / 3600) == [0.5, 4.5, 6.5]
    assert nights.attempts.told[-1].why == "outside every night"
    for wrong in ("18:00", "25:00+1h", "18:00+2d", "six"):
        with pytest.raises(InputError, match="--night"):
            parse_night(wrong)


def test_a_file_of_columns_is_written_corrected_and_read_back(tmp_path: Path) -> None:
    table = read_table(write(tmp_path / "a.csv", rows(200)))
    columns = guess_columns(table, SANTIAGO)
    path = tmp_path / "a.columns.yaml"
    path.write_text(columns_text([(table, columns)], SANTIAGO, "18:00+14h"))
    stated = read_columns_file(path)
    assert (stated.zone, stated.night) == (SANTIAGO, "18:00+14h")
    again = stated.of(table)
    assert [it.means for it in again.columns] == TRUE
    assert np.array_equal(again.moments["ended"].seconds, columns.moments["ended"].seconds)
    other = Table("later.csv", table.kind, {}, table.names, True, table.columns, table.lines)
    assert stated.of(other).at("worker") == 5
    with pytest.raises(ScenarioError, match=r"nothing is stated for 'x\.csv'"):
        stated.of(Table("x.csv", "delimited", {}, ["a"], True, [["1"]], table.lines))


@pytest.mark.parametrize(
    ("was", "written", "said"),
    [
        (
            "means: job",
            "means: jib",
            r"1[0-9]:\d+: files.a.csv.0.means: a column cannot mean 'jib': did you mean 'job'",
        ),
        ("form: day month year", "form: dmy", "state how it writes moments"),
        ("zone:", "zome:", "there is no key 'zome' here: did you mean 'zone'"),
        (f"zone: {SANTIAGO}", "zone: Mars/Base", "'Mars/Base' is no zone"),
        ("means: worker", "means: job", "job stands twice"),
        ('"failed": error', '"failed": bad', "a word cannot mean 'bad'"),
        ("means: job", "mean: job", "there is no key 'mean' here"),
    ],
)
def test_mistakes_in_a_file_of_columns_are_told_at_their_place(
    tmp_path: Path, was: str, written: str, said: str
) -> None:
    table = read_table(write(tmp_path / "a.csv", rows(200)))
    text = columns_text([(table, guess_columns(table, SANTIAGO))], SANTIAGO, "18:00+14h")
    assert was in text
    path = tmp_path / "a.columns.yaml"
    path.write_text(text.replace(was, written, 1))
    with pytest.raises(ScenarioError, match=said):
        read_columns_file(path)


def test_every_meaning_of_a_column_is_one_that_can_be_read() -> None:
    assert set(TRUE) == set(MEANINGS)
    assert json.loads(json.dumps(MEANINGS)) == list(MEANINGS)


def test_what_differs_as_attempts_end_is_no_worker(tmp_path: Path) -> None:
    """A column that is 0 where an attempt failed and 1 where it did not varies within a job, as workers do."""
    rows = ["job,kind,host,parts,outcome,asked,begun,ended"]
    for job in range(60):
        asked = datetime(2026, 3, 2, 18, tzinfo=UTC) + timedelta(minutes=10 * job)
        for attempt in range(2 if job % 5 == 0 else 1):
            failed = job % 5 == 0 and attempt == 0
            told = [f"P{job}", ("scan", "copy")[job % 2], f"dome-{1 + job % 3 % 2}", "0" if failed else "1"]
            span = [(asked + timedelta(minutes=at + 5 * attempt * (at > 0))).isoformat() for at in (0, 1, 4)]
            rows.append(",".join([*told, "error" if failed else "ok", *span]))
    (tmp_path / "parts.csv").write_text("\n".join(rows))
    found = {it.name: it.means for it in guess_columns(read_table(tmp_path / "parts.csv"), "UTC").columns}
    assert (found["job"], found["host"], found["parts"]) == ("job", "worker", "")
