"""Do calendar and clock agree with what open standards publish?

Each value's source stands beside it; "from memory" marks what was not looked up in the text itself.
"""

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from itertools import pairwise

import pytest

from emulator.scenario.clock import Clock
from emulator.scenario.recurrence import occurrences
from emulator.scenario.spelling import parse_duration
from emulator.timeline.ticks import DAY, HOUR, MINUTE, SECOND

NEW_YORK = "America/New_York"


def at(text: str, zone: str = NEW_YORK) -> Clock:
    return Clock(datetime.fromisoformat(text), zone)


def labels(rule: str, clock: Clock, days: int, excluded: tuple[str, ...] = ()) -> list[str]:
    return [found.label for found in occurrences(rule, clock, days * DAY, excluded=excluded)]


def spell(offsets_and_days: str, hour: str = "09:00:00") -> list[str]:
    """Write out "-04:00 1997-09-02 1997-09-03 ..." as full timestamps."""
    written, offset = [], ""
    for word in offsets_and_days.split():
        if word[0] in "+-":
            offset = word
        else:
            written.append(f"{word}T{hour}{offset}")
    return written


RFC_5545_EXAMPLES = [  # RFC 5545, section 3.8.5.3: DTSTART, rule, the list it prints
    pytest.param(
        "1997-09-02",
        "FREQ=DAILY;COUNT=10",
        "-04:00 1997-09-02 1997-09-03 1997-09-04 1997-09-05 1997-09-06 1997-09-07 1997-09-08 1997-09-09 1997-09-10"
        " 1997-09-11",
        id="daily, 10 times",
    ),
    pytest.param(
        "1997-09-05",
        "FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
        "-04:00 1997-09-05 1997-10-03 -05:00 1997-11-07 1997-12-05 1998-01-02 1998-02-06 1998-03-06 1998-04-03"
        " -04:00 1998-05-01 1998-06-05",
        id="first Friday",
    ),
    pytest.param(
        "1997-09-30",
        "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1",
        "-04:00 1997-09-30 1997-10-01 -05:00 1997-10-31 1997-11-01 1997-11-30 1997-12-01 1997-12-31 1998-01-01"
        " 1998-01-31 1998-02-01",
        id="first and last day of the month",
    ),
    pytest.param(
        "1997-09-10",
        "FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15",
        "-04:00 1997-09-10 1997-09-11 1997-09-12 1997-09-13 1997-09-14 1997-09-15 -05:00 1999-03-10 1999-03-11"
        " 1999-03-12 1999-03-13",
        id="every 18 months",
    ),
    pytest.param(
        "1997-09-04",
        "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3",
        "-04:00 1997-09-04 1997-10-07 -05:00 1997-11-06",
        id="third Tuesday, Wednesday or Thursday",
    ),
    pytest.param(
        "2007-01-15",
        "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5",
        "-05:00 2007-01-15 2007-01-30 2007-02-15 -04:00 2007-03-15 2007-03-30",
        id="days that do not exist are ignored",
    ),
    # The rest of this list: the same section, from memory.
    pytest.param(
        "1997-09-02",
        "FREQ=WEEKLY;INTERVAL=2;WKST=SU;COUNT=5",
        "-04:00 1997-09-02 1997-09-16 1997-09-30 1997-10-14 -05:00 1997-10-28",
        id="every other week",
    ),
    pytest.param(
        "1997-08-05",
        "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO",
        "-04:00 1997-08-05 1997-08-10 1997-08-19 1997-08-24",
        id="weeks that start on Monday",
    ),
    pytest.param(
        "1997-08-05",
        "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU",
        "-04:00 1997-08-05 1997-08-17 1997-08-19 1997-08-31",
        id="weeks that start on Sunday",
    ),
    pytest.param(
        "1997-01-01",
        "FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200",
        "-05:00 1997-01-01 -04:00 1997-04-10 1997-07-19 -05:00 2000-01-01 -04:00 2000-04-09 2000-07-18"
        " -05:00 2003-01-01 -04:00 2003-04-10 2003-07-19 -05:00 2006-01-01",
        id="days of the year",
    ),
    pytest.param(
        "1997-05-12",
        "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO;COUNT=3",
        "-04:00 1997-05-12 1998-05-11 1999-05-17",
        id="Monday of week 20",
    ),
    pytest.param(
        "1997-05-19",
        "FREQ=YEARLY;BYDAY=20MO;COUNT=3",
        "-04:00 1997-05-19 1998-05-18 1999-05-17",
        id="20th Monday of the year",
    ),
    pytest.param(
        "1996-11-05",
        "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8;COUNT=3",
        "-05:00 1996-11-05 2000-11-07 2004-11-02",
        id="first Tuesday after a Monday in November",
    ),
    pytest.param(
        "1997-09-29",
        "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2;COUNT=4",
        "-04:00 1997-09-29 -05:00 1997-10-30 1997-11-27 1997-12-30",
        id="last but one workday",
    ),
]


@pytest.mark.parametrize(("start", "rule", "printed"), RFC_5545_EXAMPLES)
def test_rule_gives_the_list_that_rfc_5545_prints(start: str, rule: str, printed: str) -> None:
    """A rule gives exactly the list of occurrences that RFC 5545 prints for it."""
    assert labels(rule, at(f"{start}T09:00:00"), 4000) == spell(printed)


def test_daily_until_an_instant_keeps_the_wall_time_across_the_autumn_change() -> None:
    """A daily rule stays at 09:00 on the wall while its instant moves by an hour (RFC 5545, section 3.8.5.3)."""
    found = labels("FREQ=DAILY;UNTIL=19971224T000000Z", at("1997-09-02T09:00:00"), 365)
    assert (found[0], found[-1], len(found)) == ("1997-09-02T09:00:00-04:00", "1997-12-23T09:00:00-05:00", 113)
    assert found[53:55] == ["1997-10-25T09:00:00-04:00", "1997-10-26T09:00:00-05:00"]


def test_friday_the_13th_is_where_both_day_parts_of_a_rule_meet() -> None:
    """BYDAY and BYMONTHDAY of a rule intersect, and an excluded date is left out (RFC 5545, section 3.8.5.3)."""
    rule, clock = "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13", at("1997-09-02T09:00:00")
    printed = spell("-05:00 1998-02-13 1998-03-13 1998-11-13 -04:00 1999-08-13 2000-10-13")
    assert labels(rule, clock, 1200, ("1997-09-02",)) == printed


def test_every_twenty_minutes_in_office_hours() -> None:
    """BY parts of a MINUTELY rule are held against the local clock (RFC 5545, section 3.8.5.3, from memory)."""
    found = labels("FREQ=MINUTELY;INTERVAL=20;BYHOUR=9,10,11,12,13,14,15,16", at("1997-09-02T09:00:00"), 2)
    day = [f"T{hour:02}:{minute:02}:00-04:00" for hour in range(9, 17) for minute in (0, 20, 40)]
    assert found == [f"1997-09-02{time}" for time in day] + [f"1997-09-03{time}" for time in day]


@pytest.mark.parametrize(
    ("line", "days"),
    [
        ("0 0 1,15 * 1", [1, 5, 12, 15, 19, 26]),
        ("0 0 1,15 * *", [1, 15]),
        ("0 0 * * 1", [5, 12, 19, 26]),
    ],
)
def test_crontab_days_match_either_field_when_both_are_restricted(line: str, days: list[int]) -> None:
    """Restricted day fields of a crontab line are alternatives (IEEE Std 1003.1, crontab; the example from memory)."""
    assert labels(line, at("2026-01-01T00:00:00", "UTC"), 31) == [f"2026-01-{day:02}T00:00:00+00:00" for day in days]


@pytest.mark.parametrize(
    ("start", "following"), [("2024-03-01", "2028-02-29"), ("2096-03-01", "2104-02-29"), ("2000-02-01", "2000-02-29")]
)
def test_29_february_comes_in_leap_years_only(start: str, following: str) -> None:
    """A line for 29 February fires in leap years, and 2100 is none (ISO 8601-1:2019, section 4.2, from memory)."""
    found = labels("0 0 29 2 *", at(f"{start}T00:00:00", "UTC"), 9 * 366)
    assert found[0] == f"{following}T00:00:00+00:00"


def test_local_time_in_the_spring_gap_is_read_with_the_offset_before_it() -> None:
    """02:30 on the night of the gap is 03:30 daylight time (RFC 5545, section 3.3.5)."""
    clock = at("2007-03-11T00:00:00")
    tick = clock.moment("2007-03-11T02:30:00")
    assert tick == clock.moment("2007-03-11T07:30:00Z")
    assert clock.local(tick).isoformat() == "2007-03-11T03:30:00-04:00"


def test_local_time_in_the_autumn_overlap_is_the_first_of_two() -> None:
    """01:30 on the night of the overlap is the first 01:30 (RFC 5545, section 3.3.5)."""
    clock = at("2007-11-04T00:00:00")
    assert clock.moment("2007-11-04T01:30:00") == clock.moment("2007-11-04T05:30:00Z")


TRANSITIONS_2024 = {  # IANA time zone database; EU Directive 2000/84/EC; US Energy Policy Act 2005; from memory
    "America/New_York": ["2024-03-10T07:00:00Z", "2024-11-03T06:00:00Z"],
    "Europe/Berlin": ["2024-03-31T01:00:00Z", "2024-10-27T01:00:00Z"],
    "Europe/London": ["2024-03-31T01:00:00Z", "2024-10-27T01:00:00Z"],
    "Australia/Lord_Howe": ["2024-04-06T15:00:00Z", "2024-10-05T15:30:00Z"],
}


@pytest.mark.parametrize(("zone", "instants"), TRANSITIONS_2024.items())
def test_offsets_change_at_the_published_instants(zone: str, instants: list[str]) -> None:
    """In 2024 a zone's offset changes exactly twice, at the published instants."""
    clock = at("2024-01-01T00:00:00", zone)
    grid = range(0, 366 * DAY, 30 * MINUTE)
    changes = [after for before, after in pairwise(grid) if offset(clock, before) != offset(clock, after)]
    assert changes == [clock.moment(instant) for instant in instants]
    assert [offset(clock, tick - 1) == offset(clock, tick) for tick in changes] == [False, False]


def test_lord_howe_shifts_by_half_an_hour() -> None:
    """The shift of Lord Howe Island is 30 minutes (IANA time zone database, from memory)."""
    clock = at("2024-01-01T00:00:00", "Australia/Lord_Howe")
    assert offset(clock, 0) - offset(clock, 180 * DAY) == timedelta(minutes=30)


def offset(clock: Clock, tick: int) -> timedelta | None:
    return clock.local(tick).utcoffset()


@pytest.mark.parametrize(("day", "hours"), [("2024-03-10", 23), ("2024-11-03", 25), ("2024-07-01", 24)])
def test_local_days_have_23_24_or_25_hours(day: str, hours: int) -> None:
    """A local day lasts from one midnight to the next (IANA time zone database, from memory)."""
    clock = at(f"{day}T00:00:00")
    following = datetime.fromisoformat(day) + timedelta(days=1)
    assert clock.tick_of(following) == hours * HOUR


@pytest.mark.parametrize(
    ("stamp", "unix"),
    [
        ("1985-04-12T23:20:50.52Z", 482196050_520000),  # RFC 3339, section 5.8; Unix time computed
        ("1996-12-19T16:39:57-08:00", 851042397_000000),
        ("1996-12-20T00:39:57Z", 851042397_000000),
        ("1937-01-01T12:00:27.87+00:20", -1041337172_130000),
        ("1990-12-31T23:59:60Z", 662688000_000000),  # its leap second, from memory; numbered as POSIX numbers it
        ("1990-12-31T15:59:60-08:00", 662688000_000000),
        ("2001-09-09T01:46:40Z", 1_000_000_000_000000),  # IEEE Std 1003.1, section 4.16, from memory
        ("2038-01-19T03:14:07Z", 2_147_483_647_000000),
        ("2000-02-29T00:00:00Z", 951782400_000000),
    ],
)
def test_timestamps_have_the_published_number_of_seconds_since_the_epoch(stamp: str, unix: int) -> None:
    """An RFC 3339 timestamp is the published count from the POSIX Epoch, to the microsecond."""
    assert at("1970-01-01T00:00:00", "UTC").moment(stamp) == unix


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("P15DT5H0M20S", 1314020),  # RFC 5545, section 3.3.6
        ("P7W", 4233600),
        ("PT36H", 129600),  # ISO 8601-1:2019, section 5.5.2
        ("P1DT12H", 129600),
        ("PT0.5S", 0.5),
    ],
)
def test_durations_have_the_published_length(text: str, seconds: float) -> None:
    """A duration in ISO form has the published number of seconds, where every day has 24 hours."""
    assert at("2026-03-28T12:00:00", "UTC").moment(f"+{text}") == seconds * SECOND
    assert text[1] != "T" or parse_duration(text) == seconds * SECOND


@pytest.mark.parametrize(
    ("start", "text", "end"),
    [
        # RFC 5545, section 3.3.6: days are nominal, hours are exact; New York goes forward on 11 March 2007 at 02:00,
        # back on 4 November 2007 at 02:00 (RFC 5545, section 3.6.5).
        ("2007-03-10T22:00:00", "P1D", "2007-03-11T22:00:00-04:00"),
        ("2007-03-10T22:00:00", "PT24H", "2007-03-11T23:00:00-04:00"),
        ("2007-03-10T22:00:00", "1d", "2007-03-11T23:00:00-04:00"),
        ("2007-11-03T22:00:00", "P1D", "2007-11-04T22:00:00-05:00"),
        ("2007-11-03T22:00:00", "24h", "2007-11-04T21:00:00-05:00"),
        ("2007-11-01T22:00:00", "P1W", "2007-11-08T22:00:00-05:00"),
        ("2007-03-10T01:30:00", "P1DT1H", "2007-03-11T03:30:00-04:00"),
        ("2007-03-10T02:30:00", "P1D", "2007-03-11T03:30:00-04:00"),  # section 3.3.5: the offset before the gap
        ("2007-11-03T01:30:00", "P1D", "2007-11-04T01:30:00-04:00"),  # the first of the two
    ],
)
def test_a_day_of_the_calendar_keeps_the_time_on_the_clock(start: str, text: str, end: str) -> None:
    """P1D leads to the same time on the next day, 24 hours to whatever the clock shows then."""
    clock = at(start)
    assert clock.local(clock.moment(f"+{text}")).isoformat() == end


@pytest.mark.parametrize(
    ("day", "week", "weekday"),
    [
        ("2008-12-29", 1, "MO"),  # ISO 8601-1:2019, sections 4.2.4 and 5.2.3, from memory
        ("2010-01-03", 53, "SU"),
        ("2021-01-03", 53, "SU"),
        ("2020-12-31", 53, "TH"),
    ],
)
def test_rules_number_weeks_as_iso_does(day: str, week: int, weekday: str) -> None:
    """A rule by week number finds the ISO week date around the turn of the year, and no other day near it."""
    start = date.fromisoformat(day) - timedelta(days=15)
    found = labels(f"FREQ=YEARLY;BYWEEKNO={week};BYDAY={weekday}", at(f"{start}T00:00:00", "UTC"), 30)
    assert found == [f"{day}T00:00:00+00:00"]


# Clock changes of 2026: London goes from 01:00 to 02:00 on 29 March and from 02:00 to 01:00 on 25 October; Sydney from
# 03:00 to 02:00 on 5 April and from 02:00 to 03:00 on 4 October (IANA time zone database).
CHANGES = [
    ("Europe/London", "2026-03-29", "01:30", "02:30:00+01:00", "02:00:00+01:00"),
    ("Europe/London", "2026-10-25", "01:30", "01:30:00+01:00", "01:30:00+01:00"),
    ("Australia/Sydney", "2026-04-05", "02:30", "02:30:00+11:00", "02:30:00+11:00"),
    ("Australia/Sydney", "2026-10-04", "02:30", "03:30:00+11:00", "03:00:00+11:00"),
]


@pytest.mark.parametrize(("zone", "day", "time", "by_rule", "by_crontab"), CHANGES)
def test_daily_recurrences_come_once_when_the_clocks_change(
    zone: str, day: str, time: str, by_rule: str, by_crontab: str
) -> None:
    """A daily time in a gap or overlap comes once: by RFC 5545, section 3.3.5, or at the gap's end."""
    hour, minute = time.split(":")
    clock = at(f"{day}T00:00:00", zone)
    assert labels(f"FREQ=DAILY;BYHOUR={hour};BYMINUTE={minute}", clock, 1) == [f"{day}T{by_rule}"]
    assert labels(f"{minute} {hour} * * *", clock, 1) == [f"{day}T{by_crontab}"]


@pytest.mark.parametrize("rule", ["FREQ=MINUTELY;INTERVAL=30", "FREQ=HOURLY;BYMINUTE=0,30", "*/30 * * * *"])
@pytest.mark.parametrize(("zone", "day"), [(zone, day) for zone, day, *_ in CHANGES])
def test_every_half_hour_is_every_real_half_hour_when_the_clocks_change(zone: str, day: str, rule: str) -> None:
    """A recurrence by minutes goes through a change of the clocks in even steps of real time."""
    found = [found.nominal_tick for found in occurrences(rule, at(f"{day}T00:00:00", zone), DAY)]
    assert found == list(range(0, DAY, 30 * MINUTE))


def week_dates() -> Iterator[date]:
    return (date(2026, 1, 1) + timedelta(days=n) for n in range(366))


def test_monthly_by_weekday_agrees_with_a_scan_of_the_calendar() -> None:
    """The last Saturday of each month is the Saturday after which the month has no other one."""
    found = labels("FREQ=MONTHLY;BYDAY=-1SA", at("2026-01-01T00:00:00", "UTC"), 366)
    scanned = [day for day in week_dates() if day.weekday() == 5 and (day + timedelta(days=7)).month != day.month]
    assert found == [f"{day}T00:00:00+00:00" for day in scanned]
