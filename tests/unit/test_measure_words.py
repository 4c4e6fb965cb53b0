"""Figures in words for tired people."""

import pytest

from emulator.measure.estimate import Figure
from emulator.measure.words import duration, number, pair, value, write

S, M, H, D = 1_000_000, 60_000_000, 3_600_000_000, 86_400_000_000


@pytest.mark.parametrize(
    ("ticks", "words"),
    [
        (0, "0 s"),
        (1, "1 us"),
        (999, "999 us"),
        (1_000, "1 ms"),
        (999_499, "999 ms"),
        (999_500, "1 s"),  # halves go up, and up into the next unit
        (S, "1 s"),
        (3_249_999, "3.2 s"),
        (3_250_000, "3.3 s"),
        (59_949_999, "59.9 s"),
        (59_950_000, "1 min"),
        (61 * S, "1 min 1 s"),
        (3_599_499_999, "59 min 59 s"),
        (3_599_500_000, "1 h"),
        (72 * M, "1 h 12 min"),
        (D - 30 * S - 1, "23 h 59 min"),
        (D - 30 * S, "1 d"),
        (D + 90 * M, "1 d 2 h"),
        (-72 * M, "-1 h 12 min"),
        (2.5 * M + 0.4, "2 min 30 s"),
    ],
)
def test_a_duration_has_two_units_at_most(ticks: float, words: str) -> None:
    assert duration(ticks) == words


@pytest.mark.parametrize(
    ("amount", "words"),
    [(0, "0"), (3.0, "3"), (1204, "1204"), (1204.5, "1204"), (4.875, "4.88"), (0.1, "0.1"), (0.00001234, "0.0000123")],
)
def test_a_number_has_no_exponent(amount: float, words: str) -> None:
    assert number(amount) == words


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0, "0 %"),
        (1, "100 %"),
        (0.5, "50 %"),
        (0.995, "99.5 %"),
        (0.99996, "99.996 %"),
        (0.0001, "0.01 %"),
        (1 - 1e-12, "just under 100 %"),
        (1e-12, "just over 0 %"),
    ],
)
def test_only_everything_is_100_per_cent_and_only_nothing_is_0(share: float, words: str) -> None:
    assert value(share, "share") == words


def test_a_figure_says_that_it_is_more_than_its_value_or_that_there_is_none() -> None:
    assert write(Figure(6 * H, "time", True)) == "more than 6 h"
    assert write(Figure(7, "count")) == "7"
    assert write(Figure(None, "time")) == "none"


@pytest.mark.parametrize(
    ("found", "bound", "unit", "words"),
    [
        (15 * M, 15 * M, "time", ("15 min", "15 min")),
        (15 * M + 1, 15 * M, "time", ("15m1us", "15m")),
        (15 * M + 0.25, 15 * M, "time", ("900000000", "900000000")),  # a mean, a quarter of a microsecond off
        (20 * M, 15 * M, "time", ("20 min", "15 min")),
        (0.98999, 0.99, "share", ("0.98999", "0.99")),
        (4.8751, 4.875, "ratio", ("4.8751", "4.875")),
    ],
)
def test_two_values_that_differ_do_not_read_the_same(
    found: float, bound: float, unit: str, words: tuple[str, str]
) -> None:
    assert pair(found, bound, unit) == words
