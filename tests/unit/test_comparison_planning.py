"""How many nights it would take, and whether they are enough yet."""

import math

import pytest
from nights_by_hand import compared, more, played

from emulator.errors import InputError
from emulator.measure.comparison.intervals import (
    MOST,
    nights_by_ratio,
    nights_for_half_width,
    nights_to_show,
    nights_without_more_misses,
    student_power,
    student_quantile,
)
from emulator.measure.comparison.paired import Precision, TooWide, precision, reached, too_wide


def test_the_fewest_pairs_that_show_half_a_deviation_are_34() -> None:
    """The standard planning example of the paired t test, 5 % two-sided, power 0.8: 34 pairs (from memory)."""
    assert nights_to_show(0.5, 1.0, 0.95) == 34


def test_the_power_of_the_planned_number_is_reached_and_not_one_night_earlier() -> None:
    for n, enough in ((33, False), (34, True)):
        critical = student_quantile(0.975, n - 1)
        assert (student_power(critical, n - 1, 0.5 * math.sqrt(n)) >= 0.8) is enough


@pytest.mark.parametrize("shift", [37.0, 1000.0])
@pytest.mark.parametrize("degrees", [5, 1000, 100_000])
def test_a_difference_far_beyond_the_spread_is_shown_for_certain(degrees: int, shift: float) -> None:
    assert student_power(3.3, degrees, shift) == pytest.approx(1.0, abs=1e-12)


def test_two_pairs_are_the_fewest_and_no_spread_needs_no_more() -> None:
    assert (nights_to_show(1e9, 1.0, 0.95), nights_to_show(1.0, 0.0, 0.95)) == (2, 2)


def test_beyond_a_million_nights_no_number_is_given() -> None:
    assert MOST == 1_000_000
    assert nights_to_show(1e-6, 1.0, 0.95) is None
    assert nights_for_half_width(1.0, 1e-4, 0.95) is None


def test_nights_for_a_share_of_nights_by_hand() -> None:
    """With none missed, 0.025 ** (1 / n) >= 0.95 first at n = 72: ln 0.025 / ln 0.95 = 71.9."""
    assert nights_without_more_misses(0, 0.95, 0.95) == 72 == math.ceil(math.log(0.025) / math.log(0.95))
    assert nights_without_more_misses(1, 0.95, 0.95) == 110
    assert nights_without_more_misses(3, 1.0, 0.95) is None
    assert nights_without_more_misses(2, 0.001, 0.95) == 3  # a share that hardly asks for anything


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("5%", Precision(relative=0.05)),
        (" 2.5 % ", Precision(relative=0.025)),
        ("makespan=2m,failed=0.5", Precision(absolute={"makespan": 120_000_000, "failed": 0.5})),
        (" failed = 1 , done_share=0.01", Precision(absolute={"failed": 1.0, "done_share": 0.01})),
    ],
)
def test_a_precision_is_a_share_of_the_baseline_or_an_amount_for_each_figure(text: str, expected: Precision) -> None:
    assert precision(text, ["makespan", "failed", "done_share"]) == expected


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("5", "the precision '5' is not understood: write 5%, or makespan=2m,failed=0.5"),
        ("x%", "the precision 'x%' is not understood: write 5%, or makespan=2m,failed=0.5"),
        ("0%", "the precision '0%': '0%' is out of range: give more than 0"),
        ("inf%", "the precision 'inf%': 'inf%' is out of range: give more than 0"),
        ("failed=", "the precision 'failed=' is not understood: write 5%, or makespan=2m,failed=0.5"),
        ("failed=-1", "the precision 'failed=-1': 'failed=-1' is out of range: give more than 0"),
        ("failed=5%", "the precision 'failed=5%' is not understood: write 5%, or makespan=2m,failed=0.5"),
        ("faild=1", "there is no figure 'faild': did you mean 'failed'?"),
        ("overlap=1m", "the precision 'overlap=1m': overlap is not compared: allowed are: failed, makespan"),
        ("failed=1,failed=2", "the precision 'failed=1,failed=2' names failed twice: name it once"),
        (
            "makespan=3",
            "the precision 'makespan=3': '3' is not a duration: write 90s, 1h30m, 500ms or PT30S",
        ),
        ("makespan=0s", "the precision 'makespan=0s': 'makespan=0s' is nothing: give more than 0"),
    ],
)
def test_what_is_no_precision_is_told_with_what_to_write(text: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        precision(text, ["makespan", "failed"])
    assert str(caught.value) == said


def test_a_figure_is_known_however_its_parts_are_ordered() -> None:
    measures = ["failed for pool dome and queue night"]
    expected = {"failed for queue night and pool dome": 1.0}
    assert precision("failed for queue night and pool dome=1", measures).absolute == expected


NIGHTS = played({"as written": {"failed": [20, 20, 20]}, "patient": {"failed": [22, 24, 26]}})


def test_an_interval_that_is_wider_than_asked_is_told_with_the_nights_it_would_take() -> None:
    """Differences 2 4 6: Student's 4.3027 times 2 / sqrt(3) is 4.968; 5 / 105 of 20 is 0.952: 3 x 27.2 nights."""
    found = too_wide(precision("5%", ["failed"]), compared(NIGHTS, ["as written", "patient"]))
    half = 4.3026527297 * 2 / math.sqrt(3)
    assert found == (
        TooWide(
            "failed",
            "patient",
            found[0].half,
            20 * (0.05 / 1.05),
            82,
            "'patient': jobs failed is known to within 4.97, 0.952 was asked: about 82 nights would do.",
        ),
    )
    assert found[0].half == pytest.approx(half, rel=1e-9)
    assert nights_by_ratio(3, half, 1.0) == 75


@pytest.mark.parametrize(
    ("text", "expected"), [("34%", True), ("33%", False), ("failed=5", True), ("failed=4.9", False)]
)
def test_a_precision_is_reached_when_no_interval_is_wider(text: str, expected: bool) -> None:
    assert reached(precision(text, ["failed"]), compared(NIGHTS, ["as written", "patient"])) is expected


def test_figures_that_are_not_named_may_be_as_wide_as_they_are() -> None:
    nights = played({"a": {"failed": [2, 2], "done": [1, 5]}, "b": {"failed": [2, 2], "done": [9, 1]}})
    found = compared(nights, ["a", "b"], measures=("failed", "done"))
    assert reached(Precision(absolute={"failed": 0.1}), found)
    assert [one.measure for one in too_wide(Precision(relative=0.5), found)] == ["done"]


def test_a_share_of_nothing_cannot_be_reached_unless_nothing_varies() -> None:
    found = compared(played({"a": {"failed": [0, 0]}, "b": {"failed": [0, 1]}}), ["a", "b"])
    assert [one.sentence for one in too_wide(Precision(relative=0.05), found)] == [
        "'b': jobs failed is known to within 6.35; the baseline's mean is 0, so no share of it can be reached: "
        "ask for an amount."
    ]
    assert reached(Precision(relative=0.05), compared(played({"a": {"failed": [0, 0]}, "b": {"failed": [0, 0]}}), "ab"))


def test_an_open_interval_is_never_narrow_enough() -> None:
    found = compared(played({"a": {"failed": [1, 1]}, "b": {"failed": [more(2), 2]}}), ["a", "b"])
    assert [one.sentence for one in too_wide(Precision(absolute={"failed": 99.0}), found)] == [
        "'b': jobs failed has no interval with two ends yet."
    ]


def test_no_nights_reach_no_precision_but_what_no_night_gives_is_left_aside() -> None:
    asked = Precision(relative=0.05)
    assert not reached(asked, compared([], ["a", "b"]))
    assert not reached(asked, compared([], ["a"]))
    assert reached(asked, compared(played({"a": {"failed": [None, None]}, "b": {"failed": [1, 2]}}), ["a", "b"]))
    assert reached(asked, compared(played({"a": {"failed": [None, None]}}), ["a"]))


def test_with_one_variant_the_means_are_held_to_it() -> None:
    found = compared(played({"a": {"failed": [19, 21]}}), ["a"])  # 12.7062 * sqrt(2) / sqrt(2)
    assert found.differences == ()
    assert reached(Precision(absolute={"failed": 12.71}), found)
    assert not reached(Precision(absolute={"failed": 12.70}), found)
