"""Kinds of nights, dated ends, holidays: every expected date is from a calendar.

The clocks of Santiago are put forward in the night of 2026-09-05, and back in that of 2027-04-03 (IANA time zone
database, as docs/checks.md names it).
"""

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from emulator.errors import InputError
from emulator.outlook.nights_ahead import days_in, holidays_of, in_months, nights_ahead
from emulator.scenario.load import from_settings

NIGHT: dict[str, Any] = {
    "title": "Copies",
    "starts": "2026-06-12T21:30:00",
    "zone": "America/Santiago",
    "lasts": "6h",
    "queues": {"night": {}},
    "pools": {"dome": {"count": 2, "serves": ["night"]}},
    "systems": {"archive": {}},
    "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "calls": "archive"}]}},
    "arrivals": [{"name": "nightly", "routine": "copy", "count": 10, "at": "21:30"}],
    "must_hold": [{"measure": "done_share", "at_least": 1}],
}


def kinds(months: int = 12, holidays: tuple[date, ...] = (), **more: Any) -> dict[str, tuple[int, str]]:
    found = nights_ahead(from_settings({**NIGHT, **more}), months, holidays)
    return {kind.name: (len(kind.dates), str(kind.dates[0])) for kind in found.kinds}


@pytest.mark.slow
def test_nights_that_are_the_same_are_one_kind_also_where_the_clocks_change() -> None:
    """Nothing has a clock time after the change, so each of the 365 nights is the same; the two are named."""
    found = nights_ahead(from_settings(NIGHT), 12)
    assert [(kind.name, len(kind.dates)) for kind in found.kinds] == [("every night", 365)]
    assert [str(day) for day in found.shifted] == ["2026-09-05", "2027-04-03"]
    assert (str(found.first), str(found.last)) == ("2026-06-12", "2027-06-12")


@pytest.mark.slow
def test_a_clock_time_after_the_change_makes_kinds_of_both_changes() -> None:
    """A fault at 02:30 comes an hour sooner or later by the ticks where the clocks change at midnight."""
    assert kinds(faults=[{"freeze": "dome-1", "at": "02:30", "lasts": "5m"}]) == {
        "other nights": (363, "2026-06-12"),
        "clocks put forward": (1, "2026-09-05"),
        "clocks put back": (1, "2027-04-03"),
    }


@pytest.mark.slow
def test_days_of_the_week_are_kinds() -> None:
    """From a Friday on the year has 53 Fridays and 52 of every other day; on those no job is due."""
    found = nights_ahead(
        from_settings({**NIGHT, "arrivals": [{"routine": "copy", "at": "21:30", "days": ["fri", "sat"]}]}), 12
    )
    assert [(kind.name, len(kind.dates), kind.comes) for kind in found.kinds] == [
        ("Fri and Sat", 105, True),
        ("Mon, Tue, Wed, Thu and Sun", 260, False),
    ]


@pytest.mark.slow
def test_ends_of_months_and_excluded_days_are_kinds() -> None:
    """12 last days of a month from 30 June on, one of which, 31 December, is excluded, and a holiday of its own."""
    month = {"name": "monthly", "routine": "copy", "recurs": "FREQ=MONTHLY;BYMONTHDAY=-1;BYHOUR=22;BYMINUTE=0"}
    day = {"name": "daily", "routine": "copy", "recurs": "0 23 * * *"}
    assert kinds(arrivals=[{**month, "excludes": ["2026-12-31"]}, {**day, "excludes": ["2026-12-24"]}]) == {
        "other nights": (353, "2026-06-12"),  # 31 December among them: no monthly job, as on other nights
        "month-ends": (11, "2026-06-30"),
        "holidays": (1, "2026-12-24"),
    }


def test_rates_by_the_day_make_kinds() -> None:
    """Rates of Saturdays are seen from Friday 21:30 to Saturday 03:30: 5 Fridays and 5 Saturdays of 30 days."""
    rates = [{"name": "steady", "routine": "copy", "per_hour": {"every_day": 5, "sat": 9}}]
    assert kinds(1, arrivals=rates) == {
        "Fri": (5, "2026-06-12"),
        "Sat": (5, "2026-06-13"),
        "Mon, Tue, Wed, Thu and Sun": (20, "2026-06-14"),
    }


def test_a_fault_with_a_date_happens_on_that_date_alone() -> None:
    """It makes a kind of one night, and is named; every other night is played without it."""
    loaded = from_settings({**NIGHT, "faults": [{"name": "work", "freeze": "dome", "at": "2026-07-01T22:00:00"}]})
    found = nights_ahead(loaded, 2)
    assert {kind.name: len(kind.dates) for kind in found.kinds} == {"other nights": 60, "the night of 2026-07-01": 1}
    assert found.once == ("work, 2026-07-01 22:00",)
    assert found.kinds[0].patch["faults"] == {"remove": ["0"]}
    assert "faults" not in found.kinds[1].patch


@pytest.mark.slow
def test_dated_ends_are_left_out_of_the_kinds_and_tried_on_their_own_dates() -> None:
    """Access and a credential that end, and an outage: each with the first night it touches, and the next."""
    loaded = from_settings(
        {
            **NIGHT,
            "access": [{"who": "dome", "to": "archive", "until": "2027-03-01"}],
            "credentials": [{"who": "dome", "to": "archive", "ends": "2026-08-01T12:00:00"}],
            "systems": {"archive": {"outages": [{"from": "2026-09-01T22:00:00", "until": "2026-09-02T01:00:00"}]}},
        }
    )
    found = nights_ahead(loaded, 12)
    assert [kind.name for kind in found.kinds] == ["every night"]
    assert found.kinds[0].patch == {
        "starts": "2026-06-12T21:30:00",
        "access.0.until": None,
        "credentials": {"remove": ["0"]},
        "systems.archive.outages": {"remove": ["0"]},
    }
    assert [(end.what, str(end.when), [str(day) for day in end.nights], end.passes) for end in found.ends] == [
        ("access of dome to archive ends", "2027-03-01 00:00:00", ["2027-02-28", "2027-03-01"], False),
        ("the credential of dome for archive ends", "2026-08-01 12:00:00", ["2026-08-01", "2026-08-02"], False),
        ("planned outage of archive", "2026-09-01 22:00:00", ["2026-09-01"], True),
    ]
    assert "access.0.until" not in found.ends[0].patches[0]


def test_what_ends_after_the_time_ahead_makes_no_kinds() -> None:
    """Access that ends in December is the same on each of the 30 nights of a month from 12 June on."""
    access = [{"who": "dome", "to": "archive", "until": "2026-12-01"}]
    assert kinds(1, access=access) == {"every night": (30, "2026-06-12")}


def test_what_has_ended_before_the_scenario_stays_so() -> None:
    """It lies behind: no date ahead, and no patch that takes it back."""
    loaded = from_settings(
        {**NIGHT, "access": [{"who": "dome", "to": "archive", "given": "2026-01-01T00:00:00", "until": "2026-06-01"}]}
    )
    found = nights_ahead(loaded, 1)
    assert (found.ends, found.kinds[0].patch) == ((), {"starts": "2026-06-12T21:30:00"})


def test_an_arrival_with_a_date_cannot_be_moved() -> None:
    """It is refused where it stands, with what to write."""
    loaded = from_settings({**NIGHT, "arrivals": [{"routine": "copy", "at": "2026-06-12T22:00:00"}]})
    with pytest.raises(InputError, match=r"arrivals\.0\.at has a date.*write the time of day alone"):
        nights_ahead(loaded, 12)


@pytest.mark.slow
def test_too_many_kinds_are_refused() -> None:
    """Every 25 hours from a day on, no two nights are alike."""
    arrivals = [{"routine": "copy", "recurs": f"{minute} 22 {minute + 1} * *"} for minute in range(27)]
    with pytest.raises(InputError, match="at most 24 are played"):
        nights_ahead(from_settings({**NIGHT, "arrivals": arrivals}), 3)


def test_months_are_counted_by_the_calendar() -> None:
    """A month after 31 January is the last of February; 61 months are too many."""
    assert in_months(date(2027, 1, 31), 1) == date(2027, 2, 28)
    assert in_months(date(2026, 12, 5), 1) == date(2027, 1, 5)
    with pytest.raises(InputError, match="from 1 to 60"):
        nights_ahead(from_settings(NIGHT), 61)


CALENDAR = """BEGIN:VCALENDAR
VERSION:2.0
BEGIN:VEVENT
SUMMARY:Winter
 break
DTSTART;VALUE=DATE:20261224
DTEND;VALUE=DATE:20261227
END:VEVENT
BEGIN:VEVENT
DTSTART;VALUE=DATE:20200101
RRULE:FREQ=YEARLY
EXDATE;VALUE=DATE:20280101
END:VEVENT
BEGIN:VEVENT
DTSTART:20260701T120000Z
END:VEVENT
END:VCALENDAR
"""


def test_an_icalendar_file_names_days(tmp_path: Path) -> None:
    """Three days of a break (its end is not in it), New Year's Day by a rule; what has a time of day is none."""
    path = tmp_path / "holidays.ics"
    path.write_text(CALENDAR.replace("\n", "\r\n"))
    assert sorted(map(str, days_in(path, date(2026, 6, 12), date(2028, 6, 12)))) == [
        *("2026-12-24", "2026-12-25", "2026-12-26", "2027-01-01"),
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("hello", "x.ics:1: is no calendar"),
        ("BEGIN:VCALENDAR\nBEGIN:VEVENT\nEND:VEVENT", "x.ics:3: this event has no DTSTART"),
        ("BEGIN:VCALENDAR\nBEGIN:VEVENT\nDTSTART:20261341\nEND:VEVENT", "x.ics:3: '20261341' is no day"),
        ("BEGIN:VCALENDAR\nBEGIN:VEVENT\nDTSTART:20261224", "x.ics:3: ends in the middle of an event"),
        (
            "BEGIN:VCALENDAR\nBEGIN:VEVENT\nDTSTART:20261224\nRRULE:FREQ=SOMETIMES\nEND:VEVENT",
            "x.ics:4: .*FREQ",
        ),
        (
            "BEGIN:VCALENDAR\nBEGIN:VEVENT\nDTSTART:20261224\nDTEND:20261223\nEND:VEVENT",
            "x.ics:3: this event lasts -1 days",
        ),
    ],
)
def test_a_calendar_that_is_none_is_refused_with_its_line(text: str, said: str) -> None:
    """Each mistake has its line and says what is wanted."""
    with pytest.raises(InputError, match=said):
        holidays_of(text, "x.ics", date(2026, 1, 1), date(2027, 1, 1))


def test_a_calendar_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    """A file that is not there, and one that is no text."""
    with pytest.raises(InputError, match="cannot be read as a calendar"):
        days_in(tmp_path / "no.ics", date(2026, 1, 1), date(2027, 1, 1))


def test_holidays_are_days_on_which_entries_that_exclude_bring_nothing() -> None:
    """Where no entry excludes anything, nobody observes them, and that is told."""
    day = {"name": "daily", "routine": "copy", "recurs": "0 23 * * *", "excludes": ["sunday"]}
    found = kinds(1, (date(2026, 6, 24), date(2026, 6, 29)), arrivals=[day, NIGHT["arrivals"][0]])
    # the other entry comes all the same: a night without the daily job is one, Sunday or holiday
    assert found == {"Mon to Sat": (24, "2026-06-12"), "Sun and holidays": (6, "2026-06-14")}
    with pytest.raises(InputError, match="no arrival entry observes holidays"):
        kinds(1, (date(2026, 6, 24),))
