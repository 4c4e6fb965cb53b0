"""What the benchmark suite makes of its measurements, on numbers worked out by hand."""

import pytest
from bench.judging import Claim, Found, Measured, MismatchError, Row, as_fast, found, peak, same
from bench.scenes import mean_wait
from bench.telling import as_lines, as_table

RATIO = Claim("as fast", as_fast("ours", "theirs"), 1.2, 1.6)


def rounds(*seconds: tuple[float, float]) -> list[dict[str, Measured]]:
    """Give rounds of 100 jobs on either side."""
    return [{"ours": Measured(100, ours, 2_000_000), "theirs": Measured(100, theirs)} for ours, theirs in seconds]


def test_a_ratio_is_made_of_each_round_before_the_middle_is_taken() -> None:
    """2/1, 2/2 and 30/10 s: ratios of 2, 1 and 3, of which 2 is in the middle; whole sums would give 34/13."""
    assert found(RATIO, rounds((1, 2), (2, 2), (10, 30))) == Found(RATIO, 2.0, 1.0, 3.0, 3)


def test_rates_are_compared_where_the_sides_do_different_amounts() -> None:
    """300 jobs in 2 s beside 50 in 1 s are three times as fast."""
    assert as_fast("many", "few")({"many": Measured(300, 2), "few": Measured(50, 1)}) == 3.0


def test_memory_is_told_in_millions_of_bytes() -> None:
    """2,000,000 bytes are 2 MB."""
    assert peak("ours")(rounds((1, 1))[0]) == 2.0


@pytest.mark.parametrize(
    ("median", "at_most", "verdict"),
    [
        (1.19, False, "not met"), (1.2, False, "bar met"), (1.59, False, "bar met"), (1.6, False, "aim met"),
        (1.61, True, "not met"), (1.6, True, "bar met"), (1.21, True, "bar met"), (1.2, True, "aim met"),
    ],
)  # fmt: skip
def test_a_bar_is_met_when_it_is_just_reached(median: float, at_most: bool, verdict: str) -> None:
    """Bar and aim are met from the very value on: bar 1.2 and aim 1.6, or at most 1.6 and 1.2."""
    bar, aim = (1.6, 1.2) if at_most else (1.2, 1.6)
    claim = Claim("as fast", as_fast("ours", "theirs"), bar, aim, at_most)
    assert Found(claim, median, median, median, 1).verdict == verdict


def test_without_an_aim_a_bar_is_met_or_not() -> None:
    """There is nothing above the bar."""
    claim = Claim("as fast", as_fast("ours", "theirs"), 1.0)
    assert [Found(claim, value, value, value, 1).verdict for value in (0.99, 1.0, 9.0)] == ["not met", "met", "met"]


def test_a_verdict_that_not_every_run_gives_says_so() -> None:
    """A bar of 1.2 is within 1.1 to 1.3, and not within 1.2 to 1.3."""
    assert [Found(RATIO, 1.25, lowest, 1.3, 5).shaky for lowest in (1.1, 1.2)] == [True, False]


def test_facts_that_differ_end_the_comparison() -> None:
    """Sides that counted different numbers of jobs are not compared; nor is a fact that one side alone has."""
    measured = {"one": Measured(1, 1, facts={"jobs": 3}), "two": Measured(1, 1, facts={"jobs": 4})}
    with pytest.raises(MismatchError, match=r"jobs is not the same on every side: \{'one': 3, 'two': 4\}"):
        same(measured, "jobs")
    with pytest.raises(MismatchError, match="events is not the same"):
        same(measured, "events")
    same({side: Measured(1, 1, facts={"jobs": 3}) for side in ("one", "two")}, "jobs")


def test_the_error_of_a_mean_is_taken_from_the_means_of_twenty_stretches() -> None:
    """Ten stretches of mean 1 and ten of mean 3: mean 2, variance 20/19, error sqrt(20/19/20) = sqrt(1/19)."""
    assert mean_wait([0, 2] * 10 + [2, 4] * 10) == (2.0, pytest.approx((1 / 19) ** 0.5))


def test_a_row_is_told_by_ratio_spread_bar_and_verdict() -> None:
    """A line for each claim, the absolute rates as small print; the same as a table for a page."""
    row = Row("mm3", "M/M/3", "jobs", {"ours": lambda _: Measured(1, 1), "theirs": lambda _: Measured(1, 1)},
              lambda _: None, [RATIO])  # fmt: skip
    measured = rounds((1, 1.1), (1, 1.25), (1, 1.7))
    judged = [found(RATIO, measured)]
    assert as_lines(row, judged, measured) == [
        "mm3: M/M/3",
        "  1.25 times as fast (1.10 to 1.70 in 3 runs); bar 1.2, aim 1.6: bar met, but not in every run",
        "    ours 100 jobs/s, 2 MB; theirs 80.0 jobs/s; processor seconds",
    ]
    assert as_table([(row, judged, measured)]).splitlines()[2:] == [
        "| `mm3` | as fast | 1.25 times | 1.10 to 1.70 (3) | 1.2 | 1.6 | bar met, not in every run |",
        "",
        "- `mm3`: ours 100 jobs/s, 2 MB; theirs 80.0 jobs/s; processor seconds",
    ]
