"""The same history in every form that is read gives the same nights; crontabs and calendars give rules."""

import csv
import io
import json
import sqlite3
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from past_exports import HEADER, rows_of

from emulator.errors import InputError, ScenarioError
from emulator.past.columns_file import columns_text, read_columns_file
from emulator.past.nights import Nights
from emulator.past.reading import learn_files, read_history
from emulator.past.schedules import _before, _distinct
from emulator.past.timetables import Planned, read_timetable
from emulator.scenario.clock import Clock
from emulator.scenario.recurrence import occurrences

NIGHT = "18:00+14h"


@pytest.fixture(scope="module")
def rows() -> list[list[str]]:
    return rows_of(nights=4)


def moment(text: str) -> datetime:
    return datetime.strptime(text, "%d.%m.%Y %H:%M:%S").replace(tzinfo=UTC)


def delimited(rows: list[list[str]], delimiter: str) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter).writerows(rows)
    return out.getvalue()


def changed(rows: list[list[str]], form: str) -> list[list[str]]:
    """Write the moments of all rows in another form."""
    return [[*row[:2], *(moment(text).strftime(form) for text in row[2:5]), *row[5:]] for row in rows]


def written(path: Path, form: str, rows: list[list[str]]) -> Path:
    if form == "json lines":
        path.write_text("\n".join(json.dumps(dict(zip(HEADER, row, strict=True))) for row in rows))
    elif form == "sqlite":
        with sqlite3.connect(path) as database:
            database.execute(f"create table runs ({', '.join(HEADER)})")
            database.executemany("insert into runs values (?, ?, ?, ?, ?, ?, ?, ?)", rows)
        database.close()
    elif form == "utf-16 and tabs, months first":
        path.write_text(delimited([HEADER, *changed(rows, "%m/%d/%Y %I:%M:%S %p")], "\t"), "utf-16")
    elif form == "windows-1252":
        path.write_bytes(delimited([[*HEADER, "Café"], *([*row, "é"] for row in rows)], ";").encode("cp1252"))
    elif form == "quoted newlines":
        path.write_text(delimited([[*HEADER, "note"], *([*row, "two\nlines, and a comma"] for row in rows)], ","))
    elif form == "decimal commas":
        seconds = [[*row[:2], *(f"{moment(text).timestamp():.3f}".replace(".", ",") for text in row[2:5]), *row[5:]]
                   for row in rows]  # fmt: skip
        path.write_text(delimited([HEADER, *seconds], ";"))
    else:
        path.write_text(delimited([HEADER, *changed(rows, "%Y-%m-%dT%H:%M:%S+00:00")], "|"))
    return path


def facts(nights: Nights) -> list[list[object]]:
    it = nights.attempts
    names = [[it.routines[a], it.workers[b]] for a, b in zip(it.routine.tolist(), it.worker.tolist(), strict=True)]
    numbers = np.stack([it.submitted, it.begun, it.ended, it.outcome, it.number, nights.night], axis=1).tolist()
    return [[*name, *number] for name, number in zip(names, numbers, strict=True)]


@pytest.mark.slow
@pytest.mark.parametrize(
    "form",
    [
        *("json lines", "sqlite", "utf-16 and tabs, months first", "windows-1252", "quoted newlines"),
        *("decimal commas", "bars and offsets"),
    ],
)
def test_every_form_tells_the_same(tmp_path: Path, rows: list[list[str]], form: str) -> None:
    plain = tmp_path / "plain.csv"
    plain.write_text(delimited([HEADER, *rows], ";"))
    want = read_history([plain], night=NIGHT, zone="UTC").nights
    got = read_history([written(tmp_path / "other", form, rows)], night=NIGHT, zone="UTC").nights
    assert want is not None
    assert got is not None
    assert facts(got) == facts(want)


def test_a_workload_log_is_read_by_its_definition(tmp_path: Path) -> None:
    """Submitted at 100 s, begun 20 s later, ended after 50 s; failed; and a piece of a job, which is left out."""
    line = "{job} {at} {waited} {ran} 1 -1 -1 1 -1 -1 {status} 1 1 {kind} -1 -1 -1 -1"
    told = [(1, 100, 20, 50, 1, 1), (2, 200, -1, 10, 0, 2), (3, 300, 0, -1, 5, 1), (4, 400, 0, 9, 3, 1)]
    lines = [
        line.format(job=job, at=at, waited=waited, ran=ran, status=status, kind=kind)
        for job, at, waited, ran, status, kind in told
    ]
    head = "; UnixStartTime: 1772474400\n; TimeZoneString: America/Santiago\n"
    path = tmp_path / "log.swf"
    path.write_text(head + "\n".join(lines) + "\n")
    history = read_history([path], night="00:00+24h")
    assert (history.zone, history.zone_guessed) == ("America/Santiago", False)
    assert history.nights is not None
    it = history.nights.attempts
    start = 1_772_474_400.0
    assert (it.submitted - start).tolist() == [100, 200, 300]
    assert (it.begun - start).tolist() == [120, 200, 300]
    assert np.nan_to_num(it.ended - start, nan=-1).tolist() == [170, 210, -1]
    assert [it.routines[at] for at in it.routine] == ["1", "2", "1"]
    assert it.outcome.tolist() == [0, 1, 3]  # ok, error, cancelled
    assert [(one.why, one.count, one.lines) for one in it.told] == [("a piece of a job", 1, (6,))]
    stated = tmp_path / "log.columns.yaml"
    stated.write_text(columns_text(history.tables, history.zone, NIGHT))
    again = read_history([path], columns=stated, night="00:00+24h").nights
    assert again is not None
    assert again.attempts.begun.tolist() == it.begun.tolist()
    (tmp_path / "other.csv").write_text("job,submitted,waited,ran\n1,2,3,4\n2,3,4,5\n")
    stated.write_text("zone: UTC\nfiles:\n  other.csv: [{name: submitted, means: submitted, form: workload log}]\n")
    with pytest.raises(ScenarioError, match="is no workload log"):
        read_history([tmp_path / "other.csv"], columns=read_columns_file(stated), night=NIGHT)


def test_a_crontab_is_read_line_by_line(tmp_path: Path) -> None:
    path = tmp_path / "crontab"
    path.write_text(
        "# nightly work\nSHELL=/bin/sh\nCRON_TZ=America/Santiago\n"
        "30 21 * * mon-fri root /opt/dome/copy-plates.sh --all\n"
        "@daily root /opt/dome/index\n@reboot root /opt/dome/wake\n0 4 1-7/2 * */2 root /opt/dome/odd\n"
    )
    found = read_timetable(path)
    assert found is not None
    assert (found.kind, found.zone) == ("crontab", "America/Santiago")
    assert found.planned == [
        Planned("copy-plates", "30 21 * * mon-fri", (), 0.0, f"{path}:4"),
        Planned("index", "0 0 * * *", (), 0.0, f"{path}:5"),
    ]
    assert [(it.why, it.count, it.lines) for it in found.left_out] == [("no rule that recurs", 2, (6, 7))]


def test_a_calendar_is_taken_over_where_that_is_exact(tmp_path: Path) -> None:
    """Times that a rule leaves to its event's begin are written into it (RFC 5545, section 3.3.10)."""

    def event(*lines: str) -> str:
        return "\r\n".join(["BEGIN:VEVENT", *lines, "END:VEVENT", ""])

    def timed(*lines: str) -> str:
        return event("DTSTART;TZID=America/Santiago:20260303T010000", *lines)

    path = tmp_path / "shifts.ics"
    path.write_text(
        "BEGIN:VCALENDAR\r\n"
        + event(
            "DTSTART;TZID=America/Santiago:20260302T221500", "DTEND;TZID=America/Santiago:20260302T230000",
            "RRULE:FREQ=DAILY", "EXDATE;TZID=America/Santiago:20260310T221500", "EXDATE:20260311",
            "SUMMARY:tape\\, out",
            "BEGIN:VALARM", "DTSTART:19990101T000000", "END:VALARM",
        )
        + event("DTSTART;TZID=America/Santiago:20260303T010030", "RRULE:FREQ=MONTHLY", "DURATION:PT1H", "SUMMARY:month")
        + event("DTSTART;TZID=America/Santiago:20260303T0100", "RRULE:FREQ=DAILY", "SUMMARY:no time")
        + event("DTSTART:20260303T010000Z", "RRULE:FREQ=DAILY", "SUMMARY:elsewhere")
        + event("DTSTART;TZID=America/Santiago:20260303T010000", "RRULE:FREQ=WEEKLY;INTERVAL=2", "SUMMARY:second week")
        + event("DTSTART;TZID=America/Santiago:20260303T010000", "RRULE:FREQ=DAILY;COUNT=3", "SUMMARY:thrice")
        + event("DTSTART;TZID=America/Santiago:20260303T010000", "RECURRENCE-ID:20260303", "SUMMARY:moved")
        + event("DTSTART;TZID=America/Santiago:20260303T010000", "SUMMARY:once")
        + timed("RRULE:FREQ=DAILY;UNTIL=20260308T040000Z", "SUMMARY:until")
        + event("DTSTART;VALUE=DATE:20260303", "RRULE:FREQ=DAILY;UNTIL=20260309", "SUMMARY:days")
        + timed("RRULE:FREQ=YEARLY;BYMONTHDAY=13", "SUMMARY:13th")
        + timed("RRULE:FREQ=YEARLY;BYYEARDAY=100", "SUMMARY:day 100")
        + timed("RRULE:FREQ=YEARLY;BYWEEKNO=20", "SUMMARY:week 20")
        + timed("RRULE:FREQ=DAILY;COUNT=3;UNTIL=20260308T040000Z", "SUMMARY:both")
        + timed("RRULE:FREQ=DAILY", "STATUS:CANCELLED")
        + timed("RRULE:FREQ=DAILY", "RDATE:20260303T020000")
        + timed("RRULE:FREQ=DAILY;UNTIL=20260308", "SUMMARY:a day")
        + timed("RRULE:FREQ=DAILY;UNTIL=20260399", "SUMMARY:no day")
        + "END:VCALENDAR\r\n"
    )  # fmt: skip
    found = read_timetable(path)
    assert found is not None
    assert (found.kind, found.zone) == ("calendar", "America/Santiago")
    begins, day = datetime.fromisoformat("2026-03-03T01:00"), datetime.fromisoformat("2026-03-03")
    assert [(it.routine, it.recurs, it.excludes, it.lasts) for it in found.planned[:2]] == [
        ("tape, out", "FREQ=DAILY;BYHOUR=22;BYMINUTE=15", ("2026-03-10", "2026-03-11"), 2700.0),
        ("month", "FREQ=MONTHLY;BYHOUR=1;BYMINUTE=0;BYSECOND=30;BYMONTHDAY=3", (), 3600.0),
    ]
    assert [(it.routine, it.recurs, it.first, it.count, it.until) for it in found.planned[2:]] == [
        ("second week", "FREQ=WEEKLY;INTERVAL=2;BYHOUR=1;BYMINUTE=0;BYDAY=TU", begins, 0, None),
        ("thrice", "FREQ=DAILY;BYHOUR=1;BYMINUTE=0", begins, 3, None),
        ("until", "FREQ=DAILY;BYHOUR=1;BYMINUTE=0", begins, 0, datetime(2026, 3, 8, 4, tzinfo=UTC)),
        ("days", "FREQ=DAILY;BYHOUR=0;BYMINUTE=0", day, 0, day + timedelta(days=6)),
        *(
            ("13th", "FREQ=YEARLY;BYMONTHDAY=13;BYHOUR=1;BYMINUTE=0", begins, 0, None),
            ("day 100", "FREQ=YEARLY;BYYEARDAY=100;BYHOUR=1;BYMINUTE=0", begins, 0, None),
            ("week 20", "FREQ=YEARLY;BYWEEKNO=20;BYHOUR=1;BYMINUTE=0;BYDAY=TU", begins, 0, None),
        ),
    ]
    assert [(it.why, it.count) for it in found.left_out] == [
        ("no time at which it begins", 1),
        ("in another zone than the first event", 1),
        ("one occurrence that was moved", 1),
        ("comes once", 1),
        ("a rule that is not taken over", 1),
        ("is cancelled", 1),
        ("has further times of its own (RDATE)", 1),
        ("ends with a day, though it begins at a time of day (UNTIL): write the time too", 1),
        ("ends at a time that no calendar shows (UNTIL)", 1),
    ]


NEW_YORK = "America/New_York"
TUESDAY = datetime.fromisoformat("1997-09-02T09:00")


@pytest.mark.parametrize(
    ("rule", "count", "until", "night", "comes"),
    [
        ("FREQ=DAILY", 10, None, (9, 8), (9, 10, 11)),
        ("FREQ=DAILY", 0, datetime(1997, 12, 24, tzinfo=UTC), (12, 21), (22, 23)),
        ("FREQ=DAILY;INTERVAL=10", 5, None, (9, 3), (12, 22, 32, 42)),
        ("FREQ=WEEKLY;INTERVAL=2;WKST=SU;BYDAY=TU,TH", 8, None, (9, 10), (16, 18, 30, 32, 44, 46)),
        ("FREQ=WEEKLY;INTERVAL=2;WKST=SU;BYDAY=MO,WE,FR", 0, datetime(1997, 12, 24, tzinfo=UTC), (12, 9), (10, 12, 22)),
        ("FREQ=MONTHLY;BYDAY=1FR", 10, None, (11, 1), (7, 35, 63)),
        ("FREQ=DAILY", 10, None, (9, 12), None),
        ("FREQ=DAILY", 0, datetime(1997, 9, 4, 13, tzinfo=UTC), (9, 4), None),
        ("FREQ=DAILY", 3, None, (8, 20), (33, 34, 35)),
    ],
)
def test_what_a_rule_counts_from_its_begin_is_counted_up_to_the_night(
    rule: str, count: int, until: datetime | None, night: tuple[int, int], comes: tuple[int, ...] | None
) -> None:
    """The days are those that RFC 5545 lists for its examples (section 3.8.5.3), from the night at 18:00 on.

    Days count from the first of the night's month. The last two are of our own: 13:00 in UTC is 09:00 that day, and a
    rule that has not begun yet.
    """
    at = "BYHOUR=9;BYMINUTE=0"
    starts = TUESDAY.replace(month=night[0], day=night[1], hour=18)
    found = Planned("x", f"{rule};{at}", (), 0.0, "", TUESDAY, count, until).from_night(starts, NEW_YORK)
    if comes is None:
        assert found is None
        return
    assert found is not None
    clock = Clock(starts, NEW_YORK)
    begins = 0 if found[1] is None else clock.tick_of(found[1])
    days = [
        datetime.fromisoformat(it.label) for it in occurrences(found[0], clock, clock.moment("+70d"), from_tick=begins)
    ]
    assert {it.hour for it in days} == {9}
    assert tuple((it.date() - date(1997, night[0], 1)).days + 1 for it in days) == comes


def test_rules_that_cannot_be_counted_up_to_the_night_say_why() -> None:
    often = Planned("x", "FREQ=MINUTELY", (), 0.0, "", TUESDAY, 700_000)
    with pytest.raises(ValueError, match="more than 600,000 times: make it rarer"):
        often.from_night(TUESDAY, "UTC")
    with pytest.raises(ValueError, match="years run from 1900 to 9000"):
        Planned("x", "FREQ=DAILY", (), 0.0, "", TUESDAY.replace(year=1066)).from_night(TUESDAY, "UTC")


def test_what_is_no_timetable_is_none_and_what_is_no_history_is_refused(tmp_path: Path, rows: list[list[str]]) -> None:
    (tmp_path / "a.csv").write_text(delimited([HEADER, *rows], ";"))
    assert read_timetable(tmp_path / "a.csv") is None
    # A line of a workload log begins like a rule: minute 1, hour 0, day 5, month 3, Monday.
    (tmp_path / "a.swf").write_text("1 0 5 3 1 -1 -1 1 -1 -1 1 1 1 1 1 -1 -1 -1\n")
    assert read_timetable(tmp_path / "a.swf") is None
    (tmp_path / "rules").write_text("30 21 * * * copy\n")
    with pytest.raises(InputError, match="tells nothing of past jobs: give an export of them"):
        learn_files([tmp_path / "rules"], night=NIGHT)
    with pytest.raises(InputError, match="no file of past jobs was given"):
        read_history([], night=NIGHT)


def test_nights_in_a_window_are_counted_as_one_by_one() -> None:
    draws = np.random.default_rng(3)
    for _ in range(20):
        night = draws.integers(0, 12, 80)
        at = np.sort(draws.uniform(0, 100, 80))
        ends = np.searchsorted(at, at + draws.uniform(0, 30), "right")
        want = [len(set(night[begin:end].tolist())) for begin, end in enumerate(ends.tolist())]
        assert _distinct(_before(night), ends).tolist() == want
