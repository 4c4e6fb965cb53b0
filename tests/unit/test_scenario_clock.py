"""The scenario's clock: local times and ticks."""

import copy
import pickle
import re
import subprocess
import sys
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.scenario.clock import Clock, zone_data_version, zone_names
from emulator.timeline.ticks import DAY, HOUR, MINUTE, SECOND


def clock_at(text: str, zone: str) -> Clock:
    return Clock(datetime.fromisoformat(text), zone)


SANTIAGO = clock_at("2026-06-12T21:30:00", "America/Santiago")
# From 1 January of the year 1 to 13 June 2026, 01:30, in UTC.
YEAR_ONE_TO_START = (date(2026, 6, 13).toordinal() - 1) * DAY + 90 * MINUTE
ZONES = ["America/Santiago", "Europe/London", "Australia/Lord_Howe", "Pacific/Apia", "America/Goose_Bay", "UTC"]


@pytest.mark.parametrize(
    ("text", "tick"),
    [
        ("21:30", 0),
        ("21:40", 10 * MINUTE),
        ("21:40:05.25", 10 * MINUTE + 5_250_000),
        ("00:00", 150 * MINUTE),
        ("02:00", 270 * MINUTE),
        ("21:29", 24 * HOUR - MINUTE),
        ("23:59:59.9999999", 150 * MINUTE),
        ("+0s", 0),
        ("+2h30m", 150 * MINUTE),
        ("+PT30S", 30 * SECOND),
        ("2026-06-12T21:40:00", 10 * MINUTE),
        ("2026-06-12T21:40", 10 * MINUTE),
        ("2026-06-12 21:40:00.000001", 10 * MINUTE + 1),
        ("2026-06-13T01:40:00Z", 10 * MINUTE),
        ("2026-06-13t01:40:00z", 10 * MINUTE),
        ("2026-06-12T21:40:00-04:00", 10 * MINUTE),
        ("2026-06-13T01:40:00-00:00", 10 * MINUTE),
        ("2026-06-12T21:00:00", -30 * MINUTE),
        ("0001-01-01T00:00:00+14:00", -(YEAR_ONE_TO_START + 14 * HOUR)),
    ],
)
def test_moments_are_read(text: str, tick: int) -> None:
    """A time of day, an offset from the start and a full timestamp each give their tick."""
    assert SANTIAGO.moment(text) == tick


@pytest.mark.parametrize(
    "text",
    [
        *("", "21", "2140", "9:40", "21:40Z", "21:4", "21:40:5", "21:40.5", "tomorrow", "-1h", "21:40 ", "２１:４０"),  # noqa: RUF001
        *(
            "2026-06-12",
            "2026-06-12T",
            "12-06-2026T21:40",
            "2026-06-12T21:40:00-0400",
            "2026-6-12T21:40",
            "20260612T214000",
        ),
        *("21:40\n", "2026-06-12T21:40:00+4", "2026-06-12T21:40:00+01:60", "x" * 500),
    ],
)
def test_what_has_no_shape_of_a_time_is_refused(text: str) -> None:
    """A text of another shape is refused with what to write."""
    shown = repr(text) if len(text) <= 40 else repr(text[:37]) + "..."
    message = f'{shown} is not a time: write "21:40", "+2h30m" or 2026-06-12T21:40:00'
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        SANTIAGO.moment(text)


@pytest.mark.parametrize(
    "text",
    [
        *("24:00", "25:00", "21:60", "21:40:60", "2026-02-30T21:40:00", "2026-13-01T00:00:00", "0000-01-01T00:00:00"),
        *("2026-06-12T21:40:60", "2026-06-12T21:40:61Z", "2026-06-12T21:40:00+24:00"),
    ],
)
def test_what_no_calendar_shows_is_refused(text: str) -> None:
    """A date or time of day that does not exist is refused as such."""
    with pytest.raises(ValueError, match=f"^{re.escape(repr(text))} is not a time: no calendar and no clock shows it$"):
        SANTIAGO.moment(text)


def test_a_leap_second_elsewhere_than_at_the_end_of_a_month_is_refused() -> None:
    """Second 60 is read only where leap seconds are put."""
    with pytest.raises(ValueError, match=r"a leap second ends the last minute of a month in UTC$"):
        SANTIAGO.moment("2026-06-12T21:40:60Z")


def test_a_bad_offset_from_the_start_is_refused_as_a_duration() -> None:
    """Behind a plus sign the message is that of a duration."""
    with pytest.raises(ValueError, match=r"^'90' is not a duration: write 90s"):
        SANTIAGO.moment("+90")


def test_the_second_of_two_equal_readings_counts_if_the_first_is_over() -> None:
    """A time of day whose first reading lies before the start is its second reading in the same night."""
    clock = clock_at("2026-10-25T01:40:00", "Europe/London")
    assert [clock.moment(text) for text in ("01:50", "01:30", "02:00")] == [10 * MINUTE, 50 * MINUTE, 80 * MINUTE]


def test_a_time_of_day_in_the_gap_is_read_with_the_offset_before_it() -> None:
    """A time of day that the night leaves out is read like any local time in a gap."""
    clock = clock_at("2026-03-29T00:30:00", "Europe/London")
    assert clock.local(clock.moment("01:15")).isoformat() == "2026-03-29T02:15:00+01:00"


def test_decimals_of_the_start_count_for_a_time_of_day() -> None:
    """A time of day with decimals is compared with the start to the microsecond."""
    clock = clock_at("2026-06-12T21:30:00.300000", "UTC")
    assert [clock.moment(text) for text in ("21:30:00.5", "21:30:00.2", "21:30")] == [
        200_000,
        DAY - 100_000,
        DAY - 300_000,
    ]


def test_a_start_in_the_gap_is_read_with_the_offset_before_it() -> None:
    """A scenario that starts at midnight in Santiago's spring gap starts at 01:00."""
    clock = clock_at("2026-09-06T00:00:00", "America/Santiago")
    assert clock.local(0).isoformat() == "2026-09-06T01:00:00-03:00"


@pytest.mark.parametrize(
    ("zone", "local", "end"),
    [
        ("Europe/London", "2026-03-29T01:30:00", "2026-03-29T02:00:00+01:00"),
        ("Europe/London", "2026-03-29T01:00:00", "2026-03-29T02:00:00+01:00"),
        ("Australia/Lord_Howe", "2026-10-04T02:29:59.999999", "2026-10-04T02:30:00+11:00"),
        ("America/Santiago", "2026-09-06T00:10:00", "2026-09-06T01:00:00-03:00"),
        ("Pacific/Apia", "2011-12-30T12:00:00", "2011-12-31T00:00:00+14:00"),
    ],
)
def test_the_end_of_a_gap_is_found(zone: str, local: str, end: str) -> None:
    """A local time that does not exist is shown by no instant, and the end of its gap is known to the tick."""
    clock, missing = clock_at("2011-01-01T00:00:00", zone), datetime.fromisoformat(local)
    assert clock.instants(missing) == ()
    assert clock.local(clock.after_gap(missing)).isoformat() == end


@given(
    st.sampled_from(ZONES).map(lambda zone: clock_at("2010-01-01T00:00:00", zone)),
    st.one_of(st.integers(-DAY, 20 * 366 * DAY), st.integers(0, 20 * 366 * 48).map(lambda n: n * 30 * MINUTE)),
)
def test_ticks_and_local_times_go_back_and_forth(clock: Clock, tick: int) -> None:
    """The local time of a tick, offset included, is that tick again, and its reading is shown at that tick."""
    local = clock.local(tick)
    assert clock.tick_of(local) == tick
    assert tick in clock.instants(local.replace(tzinfo=None))


def test_years_are_bounded() -> None:
    """A start outside the years 1900 to 9000 is refused."""
    for year in (1899, 9001):
        with pytest.raises(ValueError, match=f"^the start {year}-01-01T00:00:00 is out of range: years run from 1900"):
            clock_at(f"{year}-01-01T00:00:00", "UTC")
    assert [clock_at(f"{year}-01-01T00:00:00", "Europe/London").starts.year for year in (1900, 9000)] == [1900, 9000]


def test_a_start_with_an_offset_is_refused() -> None:
    """A start that carries an offset is refused, for the zone tells it."""
    with pytest.raises(ValueError, match=r"^the start 2026-06-12T00:00:00\+00:00 has an offset: leave it out"):
        Clock(datetime(2026, 6, 12, tzinfo=UTC), "UTC")


def test_a_tick_beyond_the_calendar_is_refused() -> None:
    """A tick after the year 9999 has no local time, and the message says so."""
    with pytest.raises(ValueError, match=r"microseconds after 2026-06-12T21:30:00 is beyond the calendar$"):
        SANTIAGO.local(9000 * 366 * DAY)


FORM = "write an area and a place, such as America/Santiago, or UTC"


@pytest.mark.parametrize(
    ("zone", "advice"),
    [
        ("America/Santiego", "did you mean 'America/Santiago'?"),
        ("europe/london", "did you mean 'Europe/London'?"),
        ("santiago", "did you mean 'America/Santiago'?"),
        ("New York", "did you mean 'America/New_York'?"),
        ("CLT", FORM),
        ("../../etc/passwd", FORM),
        ("/etc/localtime", FORM),
        ("", FORM),
    ],
)
def test_unknown_zones_are_refused_with_the_nearest(zone: str, advice: str) -> None:
    """A zone that the data does not name is refused, and no path reaches the file system."""
    with pytest.raises(ValueError, match=f"^{re.escape(f'{zone!r} is no time zone: {advice}')}"):
        clock_at("2026-06-12T21:30:00", zone)


@pytest.mark.slow
def test_every_zone_of_the_data_can_be_used() -> None:
    """Each listed zone makes a clock whose start is tick 0."""
    starts = datetime.fromisoformat("2026-07-01T12:00:00")
    assert {Clock(starts, zone).tick_of(starts) for zone in zone_names()} == {0}


def test_a_clock_survives_copying_and_pickling() -> None:
    """A clock that goes to another process is the same clock there."""
    for twin in (copy.deepcopy(SANTIAGO), pickle.loads(pickle.dumps(SANTIAGO))):
        assert (repr(twin), twin.moment("02:00")) == (repr(SANTIAGO), SANTIAGO.moment("02:00"))
    assert repr(SANTIAGO) == "Clock(datetime.datetime(2026, 6, 12, 21, 30), 'America/Santiago')"


def test_the_version_of_the_zone_data_is_known() -> None:
    """The version is a year and a letter, as the zone database names its releases."""
    assert re.fullmatch(r"20\d\d[a-z]", zone_data_version())


def test_the_machine_s_own_zone_files_are_never_read(tmp_path: object) -> None:
    """A false Europe/London among the system's files changes nothing."""
    script = (
        "import sys, pathlib, importlib.resources as r\n"
        "from datetime import datetime\n"
        "where = pathlib.Path(sys.argv[1]) / 'Europe'\n"
        "where.mkdir()\n"
        "false = r.files('tzdata').joinpath('zoneinfo', 'Asia', 'Tokyo').read_bytes()\n"
        "(where / 'London').write_bytes(false)\n"
        "import zoneinfo\n"
        "zoneinfo.reset_tzpath([sys.argv[1]])\n"
        "from emulator.scenario.clock import Clock\n"
        "print(zoneinfo.ZoneInfo('Europe/London').utcoffset(datetime(2026, 6, 1)))\n"
        "print(Clock(datetime(2026, 6, 1), 'Europe/London').local(0).utcoffset())\n"
    )
    done = subprocess.run([sys.executable, "-c", script, str(tmp_path)], capture_output=True, text=True, check=True)
    assert done.stdout == "9:00:00\n1:00:00\n"
