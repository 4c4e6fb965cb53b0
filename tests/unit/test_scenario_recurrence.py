"""Recurrence: rules of RFC 5545, crontab lines, excluded days."""

import re
from datetime import datetime, timedelta

import pytest
from call_counts import calls_of
from hypothesis import given
from hypothesis import strategies as st

from emulator.scenario import recurrence, recurrence_rule
from emulator.scenario.clock import Clock
from emulator.scenario.recurrence import Occurrence, hints, occurrences, validate, validate_excluded
from emulator.scenario.spelling import LONGEST
from emulator.timeline.ticks import DAY, HOUR, MINUTE, SECOND


def clock_at(text: str, zone: str) -> Clock:
    return Clock(datetime.fromisoformat(text), zone)


SANTIAGO = clock_at("2026-06-12T21:30:00", "America/Santiago")  # a Friday
UTC = clock_at("2026-06-12T21:30:00", "UTC")


def labels(rule: str, clock: Clock, until: int, from_tick: int = 0, excluded: tuple[str, ...] = ()) -> list[str]:
    return [found.label for found in occurrences(rule, clock, until, from_tick=from_tick, excluded=excluded)]


def ticks(rule: str, clock: Clock, until: int, from_tick: int = 0) -> list[int]:
    return [found.nominal_tick for found in occurrences(rule, clock, until, from_tick=from_tick)]


# What is refused, and in which words

FREQUENCIES = "allowed are YEARLY, MONTHLY, WEEKLY, DAILY, HOURLY, MINUTELY"


@pytest.mark.parametrize(
    ("rule", "message"),
    [
        ("FREQ=DAILY;INTERVAL=0", "INTERVAL '0' is not a whole number of 1 or more"),
        ("FREQ=DAILY;INTERVAL=-1", "INTERVAL '-1' is not a whole number of 1 or more"),
        ("FREQ=DAILY;INTERVAL=+1", "INTERVAL '+1' is not a whole number of 1 or more"),
        ("FREQ=DAILY;INTERVAL=9999999999", "INTERVAL '9999999999' is not a whole number of 1 or more"),
        ("FREQ=DAILY;COUNT=0", "COUNT '0' is not a whole number of 1 or more"),
        ("FREQ=DAILY;COUNT=x", "COUNT 'X' is not a whole number of 1 or more"),
        ("FREQ=SECONDLY", f"FREQ 'SECONDLY' is not supported: {FREQUENCIES}"),
        ("COUNT=3", f"FREQ '' is not supported: {FREQUENCIES}"),
        ("FREQ=DAILY;COUNT=3;UNTIL=20260613T040000Z", "COUNT and UNTIL exclude each other: keep one"),
        (
            "FREQ=DAILY;UNTIL=20260613T040000",
            "UNTIL '20260613T040000' is not an instant in UTC, such as 20260613T040000Z (the scenario has a zone)",
        ),
        (
            "FREQ=DAILY;UNTIL=20260613",
            "UNTIL '20260613' is not an instant in UTC, such as 20260613T040000Z (the scenario has a zone)",
        ),
        (
            "FREQ=DAILY;UNTIL=20260631T040000Z",
            "UNTIL '20260631T040000Z' is not an instant in UTC, such as 20260613T040000Z (the scenario has a zone)",
        ),
        ("FREQ=DAILY;FREQ=DAILY", "FREQ stands there twice"),
        ("FREQ=DAILY;BYHOUR=", "BYHOUR has no value"),
        ("FREQ=DAILY;BYHOUR", "BYHOUR has no value"),
        ("FREQ=DAILY;BYHOURS=4", "'BYHOURS' is no part of a rule: did you mean 'BYHOUR'?"),
        ("FREQ=DAILY;", "'' is no part of a rule: allowed are: BYDAY, BYHOUR, BYMINUTE, BYMONTH, BYMONTHDAY, BYSECOND, "
            "BYSETPOS, BYWEEKNO, BYYEARDAY, COUNT, FREQ, INTERVAL and 2 more"),
        ("RRULE:FREQ=DAILY", "'RRULE:FREQ' is no part of a rule: leave out the leading RRULE:"),
        ("FREQ=DAILY;BYHOUR=24", "BYHOUR '24' is not a number from 0 to 23"),
        ("FREQ=DAILY;BYHOUR=1,,2", "BYHOUR '' is not a number from 0 to 23"),
        ("FREQ=DAILY;BYHOUR=٣", "BYHOUR '٣' is not a number from 0 to 23"),
        ("FREQ=DAILY;BYSECOND=60", "BYSECOND '60' is not a number from 0 to 59"),
        ("FREQ=MONTHLY;BYMONTHDAY=0", "BYMONTHDAY '0' is not a number from 1 to 31 or -1 to -31"),
        ("FREQ=MONTHLY;BYMONTHDAY=-32", "BYMONTHDAY '-32' is not a number from 1 to 31 or -1 to -31"),
        ("FREQ=DAILY;BYWEEKNO=3", "BYWEEKNO does not go with FREQ=DAILY, only with YEARLY"),
        ("FREQ=DAILY;BYYEARDAY=3", "BYYEARDAY does not go with FREQ=DAILY, only with YEARLY, HOURLY, MINUTELY"),
        ("FREQ=WEEKLY;BYMONTHDAY=3",
            "BYMONTHDAY does not go with FREQ=WEEKLY, only with YEARLY, MONTHLY, DAILY, HOURLY, MINUTELY"),
        ("FREQ=HOURLY;BYMINUTE=1;BYSETPOS=1",
            "BYSETPOS does not go with FREQ=HOURLY, only with YEARLY, MONTHLY, WEEKLY, DAILY"),
        ("FREQ=MONTHLY;BYSETPOS=1", "BYSETPOS picks from another BY part, and there is none"),
        ("FREQ=MONTHLY;BYDAY=MO;BYSETPOS=1,2,3,4,5,6,7,8,9,10,11,12,13", "BYSETPOS has more than 12 positions"),
        ("FREQ=WEEKLY;WKST=XX", "WKST 'XX' is no weekday: allowed are MO, TU, WE, TH, FR, SA, SU"),
        ("FREQ=WEEKLY;BYDAY=XX", "BYDAY 'XX' is no weekday: write MO to SU, 1FR for the first, -1FR for the last"),
        ("FREQ=MONTHLY;BYDAY=0MO", "BYDAY '0MO' is no weekday: write MO to SU, 1FR for the first, -1FR for the last"),
        ("FREQ=YEARLY;BYDAY=54MO", "BYDAY '54MO' is no weekday: write MO to SU, 1FR for the first, -1FR for the last"),
        ("FREQ=WEEKLY;BYDAY=1MO", "BYDAY '1MO': a number before the weekday does not go with FREQ=WEEKLY"),
        ("FREQ=YEARLY;BYDAY=1MO;BYWEEKNO=3", "BYDAY '1MO': a number before the weekday does not go with BYWEEKNO"),
        ("FREQ=DAILY;BYMONTH=2,4;BYMONTHDAY=31", "it never comes: none of its months has such a day"),
        ("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=-30", "it never comes: none of its months has such a day"),
    ],
)  # fmt: skip
def test_bad_rules_are_refused_by_name(rule: str, message: str) -> None:
    """A bad rule is refused with the part, what stands there and what may."""
    shown = repr(rule) if len(rule) <= 60 else repr(rule[:57]) + "..."
    with pytest.raises(ValueError, match=f"^{re.escape(f'{shown}: {message}')}$"):
        validate(rule)


def test_a_rule_of_unreasonable_length_is_refused() -> None:
    """A rule above 1,000 characters is refused before it is read."""
    with pytest.raises(ValueError, match=r"\.\.\.: a rule has at most 1000 characters$"):
        validate("FREQ=DAILY;BYHOUR=" + ",".join(["1"] * 1000))


SHAPE = "write numbers, ranges (8-18), lists (0,30), steps (*/15) or *"
STEP_AND_DAY = "a step from * in one day field beside a restricted other one is read in different ways: list the days"


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("0 0 22 * * *", " has 6 fields, not 5: minute, hour, day of the month, month, weekday (no seconds)"),
        ("0 22 * *", " has 4 fields, not 5: minute, hour, day of the month, month, weekday (no seconds)"),
        ("60 * * * *", ": minute '60': allowed are 0 to 59"),
        ("* 24 * * *", ": hour '24': allowed are 0 to 23"),
        ("0 0 0 * *", ": day of the month '0': allowed are 1 to 31"),
        ("0 0 L * *", ": day of the month 'L': allowed are 1 to 31"),
        ("0 0 LW * *", ": day of the month 'LW': allowed are 1 to 31"),
        ("0 0 ? * *", f": day of the month '?': {SHAPE}"),
        ("0 0 * 13 *", ": month '13': allowed are 1 to 12 or jan to dec"),
        ("0 0 * january *", f": month 'january': {SHAPE}"),
        ("0 0 * * 8", ": weekday '8': allowed are 0 to 7 or sun to sat"),
        ("0 0 * * 5L", ": weekday '5L': allowed are 0 to 7 or sun to sat"),
        ("0 0 * * mon#2", f": weekday 'mon#2': {SHAPE}"),
        ("0 0 * * jan", ": weekday 'jan': allowed are 0 to 7 or sun to sat"),
        ("0 0 * * fri-mon", ": weekday 'fri-mon': a range runs upwards: split it into a list of two"),
        ("30-10 * * * *", ": minute '30-10': a range runs upwards: split it into a list of two"),
        ("0,* * * * *", ": minute '*': * stands alone, not in a list"),
        ("0,,30 * * * *", f": minute '': {SHAPE}"),
        ("-5 * * * *", f": minute '-5': {SHAPE}"),
        ("5/15 * * * *", ": minute '5/15': a step needs a range, such as 5-59/15"),
        ("*/0 * * * *", ": minute '*/0': a step is from 1 to 59"),
        ("*/60 * * * *", ": minute '*/60': a step is from 1 to 59"),
        ("H * * * *", ": minute 'H': allowed are 0 to 59"),
        ("٣ * * * *", f": minute '٣': {SHAPE}"),
        ("0 0 */2 * 1", f": {STEP_AND_DAY}"),
        ("0 0 1 * */2", f": {STEP_AND_DAY}"),
        ("0 0 30 2 *", " never fires: none of its months has such a day"),
        ("0 0 31 4,6 *", " never fires: none of its months has such a day"),
        ("rm -rf / now please", ": minute 'rm': allowed are 0 to 59"),
    ],
)  # fmt: skip
def test_bad_crontab_lines_are_refused_by_name(line: str, message: str) -> None:
    """A bad crontab line is refused with the field, what stands there and what may."""
    with pytest.raises(ValueError, match=f"^{re.escape(repr(line) + message)}$"):
        validate(line)


def test_a_crontab_line_of_unreasonable_length_is_refused() -> None:
    """A line above 1,000 characters is refused, and shown in part only."""
    line = ",".join(["0"] * 1000) + " * * * *"
    with pytest.raises(ValueError, match=f"^{re.escape(repr(line[:57]))}... has 5 fields, not 5: ") as refused:
        validate(line)
    assert len(str(refused.value)) < 200


@pytest.mark.parametrize("text", ["", "@daily", "daily", "x" * 100])
def test_what_is_no_recurrence_is_refused(text: str) -> None:
    """A single word is no recurrence, shorthand words included."""
    shown = repr(text) if len(text) <= 60 else repr(text[:57]) + "..."
    message = f"{shown} is no recurrence: write five crontab fields (0 22 * * 1-5) or FREQ=DAILY;BYHOUR=22;BYMINUTE=0"
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        validate(text)


@pytest.mark.parametrize(
    ("item", "message"),
    [
        ("2026-02-30", "'2026-02-30' is no date: no calendar shows it"),
        ("Caturday", "'Caturday' is no excluded day: write 2026-12-24, Saturday or a recurrence"),
        ("", "'' is no excluded day: write 2026-12-24, Saturday or a recurrence"),
        ("FREQ=OFTEN", f"'FREQ=OFTEN': FREQ 'OFTEN' is not supported: {FREQUENCIES}"),
        ("0 0 L * *", "'0 0 L * *': day of the month 'L': allowed are 1 to 31"),
    ],
)  # fmt: skip
def test_bad_excluded_days_are_refused(item: str, message: str) -> None:
    """An excluded day that is neither date, weekday nor recurrence is refused, also where occurrences are listed."""
    for ask in (validate_excluded, lambda bad: occurrences("0 22 * * *", UTC, DAY, excluded=[bad])):
        with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
            ask(item)


# What comes when


def test_occurrences_carry_tick_and_label() -> None:
    """An occurrence is its tick and the local time with offset."""
    assert occurrences("0 22 * * *", SANTIAGO, DAY) == [Occurrence(30 * MINUTE, "2026-06-12T22:00:00-04:00")]


def test_a_span_is_half_open() -> None:
    """What comes at the first tick of a span belongs to it, what comes at its end does not."""
    for rule in ("30 21 * * *", "FREQ=DAILY", "FREQ=HOURLY;INTERVAL=24", "*/30 * * * *"):
        span = [tick for tick in ticks(rule, UTC, DAY) if tick % DAY == 0]
        assert (rule, span) == (rule, [0])


@pytest.mark.parametrize("rule", ["* * * * *", "0 * * * *", "FREQ=DAILY", "FREQ=MINUTELY"])
@pytest.mark.parametrize(("from_tick", "until"), [(0, 0), (HOUR, HOUR), (2 * HOUR, HOUR), (10 * DAY, HOUR)])
def test_an_empty_span_holds_nothing(rule: str, from_tick: int, until: int) -> None:
    """A span that ends where it begins, or before, has no occurrence."""
    assert ticks(rule, UTC, until, from_tick) == []


def test_a_rule_begins_at_from_tick() -> None:
    """A rule's interval and count run from its own beginning, and it takes open parts of the time from there."""
    assert labels("FREQ=DAILY;INTERVAL=2;COUNT=2", UTC, 9 * DAY, 45 * MINUTE) == [
        "2026-06-12T22:15:00+00:00",
        "2026-06-14T22:15:00+00:00",
    ]
    assert labels("FREQ=HOURLY;INTERVAL=5;COUNT=2", UTC, 9 * DAY, 45 * MINUTE) == [
        "2026-06-12T22:15:00+00:00",
        "2026-06-13T03:15:00+00:00",
    ]


def test_a_rule_that_begins_within_a_second_begins_at_the_next() -> None:
    """Rules know whole seconds: one that begins between two takes the later."""
    assert ticks("FREQ=DAILY;COUNT=2", UTC, 3 * DAY, 1) == [SECOND, DAY + SECOND]
    assert ticks("FREQ=MINUTELY;COUNT=2", UTC, 3 * DAY, 1) == [SECOND, MINUTE + SECOND]


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        ("FREQ=HOURLY;BYMINUTE=0,30", ["21:30", "22:00", "22:30"]),
        ("FREQ=HOURLY;BYMINUTE=0,30;COUNT=2", ["21:30", "22:00"]),
        ("FREQ=HOURLY;BYMINUTE=0;BYSECOND=0,15", ["22:00", "22:00:15"]),
        ("FREQ=MINUTELY;BYMINUTE=0,40", ["21:40", "22:00", "22:40"]),
        ("FREQ=MINUTELY;INTERVAL=20;BYHOUR=22", ["22:10", "22:30"]),
        ("FREQ=MINUTELY;BYMINUTE=0;BYSECOND=1,2", ["22:00:01", "22:00:02"]),
        ("FREQ=HOURLY;BYHOUR=3", []),
        ("FREQ=HOURLY;UNTIL=20260612T223000Z", ["21:30", "22:30"]),
        ("FREQ=HOURLY;UNTIL=20260612T222959Z", ["21:30"]),
        ("FREQ=HOURLY;UNTIL=20260101T000000Z", []),
        ("freq=hourly;byminute=0", ["22:00"]),
        ("FREQ=HOURLY;BYDAY=FR,SA;BYMONTH=6;BYMONTHDAY=-19;BYYEARDAY=163", ["21:30", "22:30"]),
        ("FREQ=HOURLY;BYDAY=SA", []),
        ("FREQ=HOURLY;BYMONTH=7", []),
        ("FREQ=HOURLY;BYMONTHDAY=13", []),
        ("FREQ=HOURLY;BYYEARDAY=-203", ["21:30", "22:30"]),
    ],
)
def test_rules_below_a_day(rule: str, expected: list[str]) -> None:
    """Parts of an HOURLY or MINUTELY rule expand or limit as RFC 5545 tells, from 21:30 until 22:41."""
    times = [label[11:19].removesuffix(":00") for label in labels(rule, UTC, 71 * MINUTE)]
    assert times == expected


def test_a_period_that_begins_after_the_end_can_still_have_an_occurrence_before_it() -> None:
    """The hour from 22:30 on has its full hour at 22:00, before the end at 22:10."""
    assert labels("FREQ=HOURLY;BYMINUTE=0", UTC, 40 * MINUTE) == ["2026-06-12T22:00:00+00:00"]


def test_half_hour_changes_lose_and_repeat_nothing() -> None:
    """Where clocks change by half an hour, every real minute with the wanted reading counts, and no other."""
    autumn = clock_at("2024-04-07T00:00:00", "Australia/Lord_Howe")  # 02:00 is followed by 01:30
    spring = clock_at("2024-10-06T00:00:00", "Australia/Lord_Howe")  # 02:00 is 02:30
    by_rule = [labels("FREQ=HOURLY;BYMINUTE=10,45", clock, 4 * HOUR) for clock in (autumn, spring)]
    by_line = [labels("10,45 * * * *", clock, 4 * HOUR) for clock in (autumn, spring)]
    assert by_rule == by_line
    assert [[label[11:16] for label in night] for night in by_line] == [
        ["00:10", "00:45", "01:10", "01:45", "01:45", "02:10", "02:45", "03:10"],
        ["00:10", "00:45", "01:10", "01:45", "02:45", "03:10", "03:45", "04:10"],
    ]


def test_skipping_an_hour_does_not_skip_what_a_change_of_the_clocks_puts_there() -> None:
    """A clock that jumps from 00:01 to 01:01 still shows every minute from 01:01 on."""
    clock = clock_at("2010-03-14T00:00:00", "America/Goose_Bay")
    found = labels("FREQ=MINUTELY;BYHOUR=1", clock, 4 * HOUR)
    assert found == [f"2010-03-14T01:{minute:02}:00-03:00" for minute in range(1, 60)]


def test_midnight_in_a_gap_comes_at_its_end() -> None:
    """In Santiago's spring night 00:00 does not exist: a daily midnight comes at 01:00, in both notations."""
    clock = clock_at("2026-09-05T00:00:00", "America/Santiago")
    expected = ["2026-09-05T00:00:00-04:00", "2026-09-06T01:00:00-03:00", "2026-09-07T00:00:00-03:00"]
    until = clock.moment("2026-09-08T00:00:00")
    assert labels("0 0 * * *", clock, until) == expected
    assert labels("FREQ=DAILY", clock, until) == expected


@pytest.mark.parametrize(
    ("zone", "before", "offsets"),
    [("Pacific/Apia", "2011-12-29", ("-10:00", "+14:00")), ("Pacific/Kwajalein", "1993-08-20", ("-12:00", "+12:00"))],
)
def test_a_day_that_the_zone_skipped_does_not_come(zone: str, before: str, offsets: tuple[str, str]) -> None:
    """Apia had no 30 December 2011, and Kwajalein no 21 August 1993: nothing of that day comes, in either notation.

    IANA time zone database, files australasia (from memory); RFC 5545, 3.3.10: an invalid date is no occurrence.
    """
    eve = datetime.fromisoformat(before)
    clock, skipped = Clock(eve, zone), eve + timedelta(days=1)
    expected = [f"{before}T22:00:00{offsets[0]}", f"{eve + timedelta(days=2):%Y-%m-%d}T22:00:00{offsets[1]}"]
    until = clock.tick_of(eve + timedelta(days=3))
    assert labels("0 22 * * *", clock, until) == labels("FREQ=DAILY;BYHOUR=22", clock, until) == expected
    assert labels(f"0 22 {skipped.day} {skipped.month} *", clock, until) == []
    assert labels(f"0 22 * * {skipped:%a}", clock, until) == []
    assert labels(f"FREQ=WEEKLY;BYDAY={f'{skipped:%a}'[:2].upper()};BYHOUR=22", clock, until) == []


def test_times_that_fall_together_come_once() -> None:
    """Several times of one gap fall on one instant, and so does a time with its shifted neighbour: each comes once."""
    clock = clock_at("2026-03-29T00:00:00", "Europe/London")
    assert labels("0,30 1 * * *", clock, DAY) == ["2026-03-29T02:00:00+01:00"]
    assert labels("FREQ=DAILY;BYHOUR=1,2;BYMINUTE=30", clock, DAY) == ["2026-03-29T02:30:00+01:00"]
    assert labels("FREQ=DAILY;BYHOUR=2,1;BYMINUTE=15,45", clock, DAY) == [
        "2026-03-29T02:15:00+01:00",
        "2026-03-29T02:45:00+01:00",
    ]


def test_a_start_after_the_first_of_two_readings_is_not_given_it() -> None:
    """A fixed time comes at its first reading; a scenario that starts after it waits for the next day."""
    clock = clock_at("2026-10-25T01:40:00", "Europe/London")
    assert labels("30 1 * * *", clock, 2 * DAY) == ["2026-10-26T01:30:00+00:00"]
    assert labels("FREQ=DAILY;BYHOUR=1;BYMINUTE=30", clock, 2 * DAY) == ["2026-10-26T01:30:00+00:00"]


@pytest.mark.parametrize(
    ("line", "same"),
    [
        ("0 22 * * 1-5", "0 22 * * mon-fri"),
        ("0 22 * * 0", "0 22 * * 7"),
        ("0 22 * * 0", "0 22 * * SUN"),
        ("0 22 * 6,7 *", "0 22 * jun,Jul *"),
        ("0,20,40 * * * *", "*/20 * * * *"),
        ("0 8,10,12 * * *", "0 8-12/2 * * *"),
        ("0 22 * * 1-5", "  0\t22 * *  1-5 "),
        ("0 0 1-31 * 1", "0 0 * * *"),
    ],
)
def test_two_ways_to_write_one_crontab_line(line: str, same: str) -> None:
    """Names, steps, blanks and the second number of Sunday change nothing."""
    assert ticks(line, UTC, 40 * DAY) == ticks(same, UTC, 40 * DAY) != []


FIELD = st.sampled_from(["*", "*/7", "0", "30", "5,45", "10-20", "15-45/15"])
HOURS = st.sampled_from(["*", "*/2", "0", "1", "2", "1,2", "0-3", "23"])
NIGHTS = [
    clock_at("2026-03-28T23:15:00", "Europe/London"),
    clock_at("2026-10-24T22:45:00", "Europe/London"),
    clock_at("2024-04-06T23:00:00", "Australia/Lord_Howe"),
    clock_at("2024-10-05T23:00:00", "Australia/Lord_Howe"),
    clock_at("2026-09-05T22:00:00", "America/Santiago"),
    clock_at("2026-04-04T22:00:00", "America/Santiago"),
]


def numbers(field: str, high: int) -> list[int]:
    """Read one field of a crontab line in the plainest way."""
    listed = []
    for element in field.split(","):
        span, _, step = element.partition("/")
        low, _, top = span.partition("-")
        ends = (0, high) if span == "*" else (int(low), int(top or low))
        listed += range(ends[0], ends[1] + 1, int(step or 1))
    return listed


@pytest.mark.slow
@given(st.sampled_from(NIGHTS), FIELD, HOURS)
def test_lines_with_a_star_agree_with_a_scan_of_every_minute(clock: Clock, minute: str, hour: str) -> None:
    """A line with * in minute or hour fires at every real minute whose reading matches, whatever the clocks do."""
    if "*" not in minute[0] + hour[0]:
        hour = "*"
    scanned = [
        tick
        for tick in range(0, 8 * HOUR, MINUTE)
        if (local := clock.local(tick)).minute in numbers(minute, 59) and local.hour in numbers(hour, 23)
    ]
    assert ticks(f"{minute} {hour} * * *", clock, 8 * HOUR) == scanned


@pytest.mark.slow
@given(
    st.sampled_from(NIGHTS),
    st.integers(1, 130),
    st.sets(st.integers(0, 59), max_size=3),
    st.sets(st.integers(0, 3), max_size=2),
)
def test_minutely_rules_agree_with_a_scan_of_every_step(
    clock: Clock, interval: int, minutes: set[int], hours: set[int]
) -> None:
    """A MINUTELY rule comes at the real steps whose local reading matches its parts."""
    rule = f"FREQ=MINUTELY;INTERVAL={interval}"
    rule += f";BYMINUTE={','.join(map(str, sorted(minutes)))}" if minutes else ""
    rule += f";BYHOUR={','.join(map(str, sorted(hours)))}" if hours else ""
    scanned = [
        tick
        for tick in range(0, 8 * HOUR, interval * MINUTE)
        if (local := clock.local(tick)).minute in (minutes or {local.minute}) and local.hour in (hours or {local.hour})
    ]
    assert ticks(rule, clock, 8 * HOUR) == scanned


# Excluded days


@pytest.mark.parametrize(
    ("excluded", "days"),
    [
        ((), [12, 13, 14, 15, 16, 17, 18]),
        (("Saturday", "sun"), [12, 15, 16, 17, 18]),
        (("2026-06-12", "2026-06-18"), [13, 14, 15, 16, 17]),
        (("FREQ=DAILY;INTERVAL=2",), [13, 15, 17]),
        (("FREQ=DAILY;COUNT=1",), [13, 14, 15, 16, 17, 18]),
        (("0 0 * * 1-5",), [13, 14]),
        (("Friday", "2026-06-13", "0 12 14,15 * *"), [16, 17, 18]),
    ],
)
def test_excluded_days_are_left_out(excluded: tuple[str, ...], days: list[int]) -> None:
    """Dates, weekdays and recurrences of days take whole local days out, the first day included."""
    found = labels("0 22 * * *", SANTIAGO, 7 * DAY, excluded=excluded)
    assert found == [f"2026-06-{day}T22:00:00-04:00" for day in days]


def test_excluded_days_are_local_days() -> None:
    """22:00 in Santiago belongs to its own Friday, though it is Saturday in UTC."""
    assert labels("0 22 * * *", SANTIAGO, DAY, excluded=("Saturday",)) == ["2026-06-12T22:00:00-04:00"]


def test_count_counts_what_is_excluded() -> None:
    """An occurrence on an excluded day uses up one of COUNT, as in RFC 5545, section 3.8.5.1."""
    assert labels("FREQ=DAILY;COUNT=3", UTC, 9 * DAY, excluded=("Saturday",)) == [
        "2026-06-12T21:30:00+00:00",
        "2026-06-14T21:30:00+00:00",
    ]


# Hints


@pytest.mark.parametrize(
    ("rule", "clock", "comes"),
    [
        ("FREQ=DAILY;BYHOUR=9,22", SANTIAGO, "09:30"),
        ("FREQ=DAILY;BYHOUR=22;BYMINUTE=0", SANTIAGO, None),
        ("FREQ=DAILY", SANTIAGO, None),
        ("FREQ=HOURLY;BYHOUR=22", SANTIAGO, None),
        ("0 22 * * *", SANTIAGO, None),
        ("FREQ=DAILY;BYHOUR=22", clock_at("2026-06-12T21:00:00", "UTC"), None),
    ],
)
def test_an_hour_without_a_minute_is_pointed_out(rule: str, clock: Clock, comes: str | None) -> None:
    """BYHOUR alone takes its minute from the start, and that is said unless the start is a full hour."""
    said = f"{rule} takes its minute from the start: it comes at {comes}; for the full hour write BYMINUTE=0"
    assert hints(rule, clock) == ([said] if comes else [])
    if comes:
        assert labels(rule, clock, DAY)[0] == "2026-06-12T22:30:00-04:00"


# Bounds


@pytest.mark.parametrize(
    "rule",
    [
        "FREQ=DAILY;BYDAY=MO;BYSETPOS=9",
        "FREQ=WEEKLY;BYDAY=MO;BYSETPOS=2,3,4,5,6,7,8,9,10,11,12,13",
        "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29;BYDAY=MO;COUNT=2",
        "FREQ=YEARLY;BYWEEKNO=53;BYDAY=MO;BYMONTH=6",
        "FREQ=MONTHLY;BYDAY=5MO,-5MO;BYMONTHDAY=1",
        "FREQ=DAILY;INTERVAL=999999999",
        "FREQ=YEARLY;INTERVAL=999999999",
        "FREQ=HOURLY;INTERVAL=999999999",
        "FREQ=MINUTELY;INTERVAL=2;BYMINUTE=1",
        "FREQ=HOURLY;INTERVAL=2;BYHOUR=2;BYMONTH=2",
        "FREQ=MINUTELY;BYMONTH=2;BYMONTHDAY=29;BYDAY=MO",
        "0 0 29 2 *",
        "0 0 31 2 1",
    ],
)
def test_rare_rules_are_searched_in_bounded_time(rule: str) -> None:
    """A rule that hardly ever or never comes is answered at once for the span asked for."""
    found: list[int] = []
    assert calls_of(lambda: found.extend(ticks(rule, UTC, 60 * DAY))) < 1_000_000
    assert len(found) <= 9


def test_a_rule_comes_where_it_should_after_a_long_search() -> None:
    """The search on a late twin of the years gives dates of the years asked for, leap days and week 53 included."""
    century = clock_at("2026-01-01T00:00:00", "UTC")
    assert labels("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29;BYDAY=MO", century, 40 * 366 * DAY) == [
        "2044-02-29T00:00:00+00:00"
    ]
    assert labels("FREQ=YEARLY;BYWEEKNO=53;BYDAY=MO", century, 20 * 366 * DAY) == [
        f"{day}T00:00:00+00:00" for day in ("2026-12-28", "2032-12-27", "2037-12-28", "2043-12-28")
    ]


def test_rules_work_at_both_ends_of_the_years_a_scenario_may_start_in() -> None:
    """A daily rule gives a year's days in 1900 and in 9000, and over a hundred years."""
    # From 1 March on, 100 years are 36,525 days in 1900 (2000 is a leap year), one less in 9000 (9100 is none).
    for year, marches in ((1900, 100), (9000, 101)):
        clock = clock_at(f"{year}-03-01T00:00:00", "UTC")
        assert len(ticks("FREQ=DAILY", clock, 365 * DAY)) == len(ticks("0 0 * * *", clock, 365 * DAY)) == 365
        assert len(ticks("FREQ=YEARLY", clock, LONGEST)) == marches


def test_a_span_above_a_hundred_years_is_refused() -> None:
    """Occurrences are not looked for beyond the longest scenario."""
    with pytest.raises(
        ValueError, match=r"^'FREQ=DAILY' is asked for too far ahead: a scenario lasts at most 100 years$"
    ):
        occurrences("FREQ=DAILY", UTC, LONGEST + 1)


@pytest.mark.parametrize("rule", ["* * * * *", "FREQ=MINUTELY", "FREQ=DAILY;BYHOUR=1,2;BYMINUTE=1,2"])
def test_a_rule_that_comes_too_often_is_refused(rule: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Above the limit of occurrences the error names the rule and the limit."""
    monkeypatch.setattr(recurrence, "MOST_OCCURRENCES", 100)
    message = f"{rule!r} comes more than 100 times in this span: make it rarer"
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        occurrences(rule, UTC, 40 * DAY)


def test_a_rule_may_come_as_often_as_the_limit_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """A rule that comes exactly as often as the limit allows is no mistake."""
    monkeypatch.setattr(recurrence, "MOST_OCCURRENCES", 100)
    assert len(ticks("FREQ=MINUTELY", UTC, 100 * MINUTE)) == 100


def test_a_rule_that_is_looked_for_too_often_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """A search through real time that never finds anything stops at its bound."""
    monkeypatch.setattr(recurrence_rule, "_MOST_LOOKS", 1000)
    with pytest.raises(ValueError, match=r"is looked for too often: more than 1,000 times in this span$"):
        occurrences("FREQ=MINUTELY;INTERVAL=2;BYMINUTE=1", UTC, 40 * DAY)
