"""Durations: what is read, to the tick, and what is refused."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.scenario.spelling import LONGEST, parse_duration, parse_span
from emulator.timeline.ticks import DAY, HOUR, MILLISECOND, MINUTE, SECOND, say


@pytest.mark.parametrize(
    ("text", "ticks"),
    [
        ("90s", 90 * SECOND),
        ("1h30m", 90 * MINUTE),
        ("500ms", 500 * MILLISECOND),
        ("250us", 250),
        ("2d", 2 * DAY),
        ("1w", 7 * DAY),
        ("1w2d3h4m5s6ms7us", 9 * DAY + 3 * HOUR + 4 * MINUTE + 5 * SECOND + 6 * MILLISECOND + 7),
        ("1.5h", 90 * MINUTE),
        ("1m0.000001s", MINUTE + 1),
        ("0.1s", 100_000),
        ("0s", 0),
        ("007s", 7 * SECOND),
        ("PT30S", 30 * SECOND),
        ("PT36H", 36 * HOUR),
        ("PT1H30S", HOUR + 30 * SECOND),
        ("PT1M", MINUTE),
        ("36525d", LONGEST),
    ],
)
def test_durations_are_read_exactly(text: str, ticks: int) -> None:
    """Both spellings give the exact number of ticks."""
    assert parse_duration(text) == ticks


@pytest.mark.parametrize(
    "text",
    [
        *(
            "",
            " ",
            "90",
            "1:30",
            "1m1m",
            "1h-5m",
            "-1h",
            "+1h",
            "1h 30m",
            " 1h",
            "1h\n",
            "30m1h",
            "1.5h30m",
            "1.h",
            ".5h",
        ),
        *("٣s", "²s", "1µs", "1H", "1min", "1e3s", "0x1s", "infs", "nans", "1,5h", "1_000s"),
        *(
            "P1M",
            "P1Y",
            "PT",
            "P",
            "P1DT",
            "P1DTX",
            "P0.5D",
            "P1.5W",
            "P1DT1D",
            "P1W2D",
            "PT1.5H30M",
            "-PT1S",
            "+PT1S",
            "pt30s",
            "PT1S1M",
            "P1H",
            "T1H",
        ),
        *("9" * 19 + "us", "9" * 10_000 + "s"),
    ],
)
def test_anything_else_is_refused_with_one_message(text: str) -> None:
    """What is no duration is refused with the one message that says what to write."""
    shown = repr(text) if len(repr(text)) <= 40 else repr(text)[:37] + "..."
    message = f"{shown} is not a duration: write 90s, 1h30m, 500ms or PT30S"
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        parse_duration(text)


@pytest.mark.parametrize("value", [90, 1.5, None, True, ["1s"]])
def test_bare_values_are_refused(value: object) -> None:
    """A value without a unit is refused, whatever its type."""
    with pytest.raises(ValueError, match=f"^{re.escape(repr(value))} is not a duration: write 90s"):
        parse_duration(value)


@pytest.mark.parametrize("text", ["36526d", "PT876600H1S", "999999999999999999w"])
def test_more_than_a_hundred_years_is_refused(text: str) -> None:
    """A duration above 100 years is refused by name."""
    with pytest.raises(ValueError, match=rf"^'{text}' is too long: at most 100 years \(36525d\)$"):
        parse_duration(text)


@pytest.mark.parametrize("text", ["1.5us", "0.0000001s", "PT0.0000005S"])
def test_fractions_of_a_tick_are_refused(text: str) -> None:
    """Nothing is rounded: what is finer than a microsecond is refused."""
    with pytest.raises(ValueError, match=f"^'{text}' is finer than a microsecond: write a whole number of us$"):
        parse_duration(text)


@pytest.mark.parametrize(
    ("text", "exact"), [("P1D", "1d"), ("P7W", "49d"), ("P1DT12H", "1d12h"), ("P2DT0.5S", "2d500ms"), ("P0D", "0s")]
)
def test_days_of_a_calendar_have_no_length_of_their_own(text: str, exact: str) -> None:
    """P1D is a nominal day (RFC 5545, section 3.3.6): refused where no calendar is at hand, with the exact spelling."""
    message = f"'{text}' counts days of a calendar, which the clocks make 23 to 25 hours long: write {exact}"
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        parse_duration(text)


@pytest.mark.parametrize(
    ("text", "days", "ticks"),
    [
        ("P1D", 1, 0),
        ("P2W", 14, 0),
        ("P15DT5H0M20S", 15, 5 * HOUR + 20 * SECOND),
        ("PT24H", 0, DAY),
        ("1d", 0, DAY),
        ("P36525D", 36525, 0),
    ],
)
def test_a_span_parts_days_of_a_calendar_from_exact_time(text: str, days: int, ticks: int) -> None:
    """Days and weeks after P are counted, all else is exact."""
    assert parse_span(text) == (days, ticks)


@pytest.mark.parametrize("text", ["P36525DT1S", "P36526D", "P5218W"])
def test_more_than_a_hundred_years_of_days_is_refused(text: str) -> None:
    """Nominal days are held to the same limit."""
    with pytest.raises(ValueError, match=rf"^'{text}' is too long: at most 100 years \(36525d\)$"):
        parse_span(text)


@given(st.integers(0, LONGEST))
def test_durations_print_back_the_same(ticks: int) -> None:
    """What is printed for a number of ticks is read as that number."""
    assert parse_duration(say(ticks)) == ticks


@pytest.mark.slow
@given(st.text(alphabet="0123456789.wdhmsuPTDHMSW-:+", max_size=12))
def test_no_text_raises_anything_else(text: str) -> None:
    """Any text gives a number of ticks within the range or a ValueError."""
    try:
        days, rest = parse_span(text)
        assert days >= 0 <= rest
        assert days * DAY + rest <= LONGEST
        ticks = parse_duration(text)
    except ValueError:
        return
    assert (days, rest) == (0, ticks)
