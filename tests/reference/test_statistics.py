"""The statistics of a night and of many nights, held against published values.

Which quantile: definition 1 of the nine of Hyndman and Fan, the inverse of the empirical distribution function; its
continuation for unfinished jobs is the product-limit estimate.
"""

import math
from fractions import Fraction

import pytest
from night_rows import Stream
from nights_by_hand import readings
from scipy import stats

from emulator.measure.comparison.intervals import (
    half_width,
    nights_by_normal,
    nights_by_ratio,
    nights_for_half_width,
    nights_for_share_width,
    rank_coverage,
    ranks,
    share_interval,
    student_interval,
    student_quantile,
)
from emulator.measure.comparison.paired import compare_pairs, each_of, pair_up
from emulator.measure.estimate import Sample, deviation, mean, product_limit
from emulator.measure.figures import figure

# Remission times in weeks of 21 patients (6-mercaptopurine). Kaplan and Meier, JASA 53 (1958) 457-481; data of
# Freireich et al., Blood 21 (1963) 699-716, used in Cox and Oakes, Analysis of Survival Data (1984). The curve as
# printed there, from memory: .857 .807 .753 .690 .627 .538 .448.
ENDED = [6, 6, 6, 7, 10, 13, 16, 22, 23]
CUT_OFF = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
PRINTED = {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448}


def test_the_product_limit_curve_is_the_printed_one() -> None:
    curve = product_limit(Sample(ENDED, CUT_OFF))
    assert {time: round(float(going), 3) for time, going in curve} == PRINTED


def test_the_median_of_the_curve_is_23_weeks() -> None:
    assert Sample(ENDED, CUT_OFF).quantile(Fraction(1, 2)) == (23, False)


def test_every_quantile_is_the_first_time_at_which_the_exact_curve_is_low_enough() -> None:
    sample = Sample(ENDED, CUT_OFF)
    curve = product_limit(sample)
    for per_mille in range(1, 1001):
        share = Fraction(per_mille, 1000)
        reached = [time for time, going in curve if going <= 1 - share]
        assert sample.quantile(share) == ((reached[0], False) if reached else (35, True))


@pytest.mark.parametrize(("share", "expected"), [(Fraction(1, 4), 3), (Fraction(95, 100), 10)])
def test_the_quantile_is_definition_1_of_hyndman_and_fan(share: Fraction, expected: int) -> None:
    """Hyndman and Fan, American Statistician 50 (1996) 361-365: of 1..10, definition 1 gives 3 and 10 (from memory).

    The nine for a quarter are 3, 3, 2, 2.5, 3, 2.75, 3.25, 2.9167 and 2.9375: only 2 and 5 agree with the first.
    """
    assert Sample(range(1, 11), []).quantile(share) == (expected, False)


def test_the_median_tells_definition_1_from_definitions_2_and_5() -> None:
    assert Sample(range(1, 11), []).quantile(Fraction(1, 2)) == (5, False)  # the other two give 5.5


def test_little_s_law_holds_on_a_printed_path() -> None:
    """Rossetti, simulation-modelling textbook (3rd open-text ed., 2021), queueing appendix, Little's formula.

    Eight customers with waits 0 11 8 7 2 5 6 0 in 25 units of time. Printed: Lq = 1.56, mean wait 4.875. The queue is
    0 until 2, then 1, from 7 on 2, from 10 on 3, from 13 on 2, from 15 on 1, from 16 on 4, from 17 on 3, from 18 on 2,
    from 21 on 1, from 22 on 0: that gives the instants below.
    """
    came_and_went = [(0, 0), (2, 13), (7, 15), (10, 17), (16, 18), (16, 21), (16, 22), (24, 24)]
    stream = Stream()
    moments = [(at, "came", job) for job, (at, _) in enumerate(came_and_went, 1)]
    moments += [(at, "went", job) for job, (_, at) in enumerate(came_and_went, 1)]
    for at, what, job in sorted(moments):
        if what == "came":
            stream.submit(at, job)
        else:
            stream.hand_out(at, job, "dome-1", job)
    night = stream.night(25)
    assert figure(night, "jobs_in_queue").value == 1.56
    assert figure(night, "backlog_mean").value == 1.56
    assert figure(night, "wait_mean").value == 4.875
    assert figure(night, "accepted").value == 8  # at a rate of 8 / 25 = 0.32, so 0.32 * 4.875 = 1.56
    assert figure(night, "backlog_peak").value == 4


# NIST Statistical Reference Datasets, univariate summary statistics; the layout of the data from memory.
NUM_ACC = {
    "NumAcc1": ([10000001, 10000003, 10000002], 10000002, 1.0),
    "NumAcc2": ([1.2, *[1.1, 1.3] * 500], 1.2, 0.1),
    "NumAcc3": ([1000000.2, *[1000000.1, 1000000.3] * 500], 1000000.2, 0.1),
    "NumAcc4": ([10000000.2, *[10000000.1, 10000000.3] * 500], 10000000.2, 0.1),
}


@pytest.mark.parametrize("name", NUM_ACC)
def test_certified_means_are_met_to_15_digits_and_deviations_to_8(name: str) -> None:
    """The data of the fourth set do not fit into binary floats any better: 8 digits are what two passes can reach."""
    data, certified_mean, certified_deviation = NUM_ACC[name]
    assert math.isclose(mean(data), certified_mean, rel_tol=1e-15)
    tolerance = 1e-9 if name != "NumAcc4" else 1e-8
    assert math.isclose(deviation(data), certified_deviation, rel_tol=tolerance)


def test_a_mean_of_ticks_is_rounded_once() -> None:
    """Whole numbers far beyond a float's 53 bits are added exactly."""
    assert mean([2**60 + 1, 2**60 - 1, 3]) == (2**61 + 3) / 3


# Student's t, two-sided 95 % and 90 %. Any table; 2.7764, 2.093 and 2.861 (19 degrees, 99 %) are printed in Rossetti,
# simulation-modelling textbook (3rd open-text ed., 2021), chapter 3 (looked up); further digits computed.
STUDENT = {
    4: (2.7764451, 2.1318468),
    9: (2.2621572, 1.8331129),
    10: (2.2281389, 1.8124611),
    19: (2.0930241, 1.7291328),
    29: (2.0452296, 1.6991270),
    99: (1.9842169, 1.6603912),
}


@pytest.mark.parametrize("degrees", STUDENT)
def test_student_s_quantiles_are_those_of_the_tables(degrees: int) -> None:
    assert student_quantile(0.975, degrees) == pytest.approx(STUDENT[degrees][0], abs=1e-6)
    assert student_quantile(0.95, degrees) == pytest.approx(STUDENT[degrees][1], abs=1e-6)


def test_student_s_quantile_for_99_per_cent_is_the_printed_one() -> None:
    assert round(student_quantile(0.995, 19), 3) == 2.861


def test_the_exact_limits_of_4_defectives_in_20() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.4.2: 90 % limits (looked up; digits recomputed)."""
    found = share_interval(4, 20, 0.9)
    assert (found.low, found.high) == pytest.approx((0.0713539, 0.4010281), abs=1e-6)


# Confidence intervals for the median, in per cent: the ranks i and n + 1 - i of n values. A textbook's appendix, table
# A.7 (looked up in a study site's copy).
MEDIANS = {6: (1, 96.9), 9: (2, 96.1), 10: (2, 97.9), 12: (3, 96.1), 15: (4, 96.5), 17: (5, 95.1), 18: (5, 96.9)}
MEDIANS |= {20: (6, 95.9)}


@pytest.mark.parametrize("n", MEDIANS)
def test_the_ranks_around_a_median_are_those_of_the_table(n: int) -> None:
    """The table gives the narrowest symmetric interval of at least 95 %, and for a median that is ours."""
    low, coverage = MEDIANS[n]
    assert ranks(n, Fraction(1, 2), 0.95) == (low, n + 1 - low)
    assert 100 * rank_coverage(n, Fraction(1, 2), low, n + 1 - low) == pytest.approx(coverage, abs=0.05)


@pytest.mark.parametrize(
    ("n", "low", "high", "coverage", "ours"),
    [(100, 90, 99, 0.9514463806, (90, 100)), (200, 183, 196, 0.9614637563, (184, 197))],
)
def test_ranks_around_the_95th_percentile(n: int, low: int, high: int, coverage: float, ours: tuple[int, int]) -> None:
    """David and Nagaraja, Order Statistics, section 7.1; Conover, Practical Nonparametric Statistics, section 3.2.

    Both from memory, recomputed by binomial sums. Which ranks to take is left open there; each end of ours fails in at
    most 2.5 % of cases, which the first pair above (3.7 % above the upper end) does not keep.
    """
    share = Fraction(95, 100)
    assert rank_coverage(n, share, low, high) == pytest.approx(coverage, abs=1e-9)
    assert ranks(n, share, 0.95) == ours
    assert rank_coverage(n, share, 1, ours[1]) >= 0.975 - share**n
    assert rank_coverage(n, share, ours[0], n) >= 0.975 - share**n


def test_two_inventory_policies_in_five_pairs() -> None:
    """Law (and Kelton), Simulation Modeling and Analysis, comparing two systems, the inventory example, 90 %.

    Printed: mean 4.98, variance of the mean 2.44, interval [1.65, 8.31] (from memory; recomputed from the data).
    """
    first, second = [126.97, 124.31, 126.68, 122.66, 127.23], [118.21, 120.22, 122.45, 122.68, 119.40]
    pairs = pair_up(readings(first), readings(second))
    seen = compare_pairs(pairs, 0.9, 1)
    assert seen.mean is not None and seen.alone is not None
    assert (round(seen.mean, 2), round(deviation(pairs.differences) ** 2 / 5, 2)) == (4.98, 2.44)
    assert (seen.alone.low, seen.alone.high) == pytest.approx((1.65, 8.31), abs=0.005)
    assert seen.p == pytest.approx(stats.ttest_rel(first, second).pvalue, rel=1e-9)


def test_common_random_numbers_from_printed_sums() -> None:
    """Rossetti, as above, chapter 4: ten differences, mean 2.22, deviation .55: [1.827, 2.613] (looked up).

    The book prints the quantile as 2.261 (2.2622 is right), which does not show in these digits.
    """
    half = half_width(0.55, 10, 0.95)
    assert half == pytest.approx(0.39344, abs=1e-4)
    assert (2.22 - half, 2.22 + half) == pytest.approx((1.827, 2.613), abs=0.0006)


def test_how_many_replications() -> None:
    """Rossetti, as above, chapter 3, worked examples (looked up).

    a. deviation 6, to within .1, 99 %: 23889 with the quantile rounded to 2.576 as printed, 23886 without.
    b. 20 replications have given a half-width of 2.24 at 95 %; to within .5 at 99 %: a deviation of 4.7862; 609 by the
       normal quantile rounded to 2.576 (608 without), 750 by the ratio of half-widths.
    c. 5 have given 9.09; to within 1 at 95 %: a deviation of 7.3208; 414 by ratio, 206 by normal, 209 by Student.
    d. a share near .22, to within .1 at 95 %: 66.
    """
    assert (nights_by_normal(6, 0.1, 0.99), math.ceil((2.576 * 6 / 0.1) ** 2)) == (23886, 23889)
    spread_b = 2.24 * math.sqrt(20) / student_quantile(0.975, 19)
    assert round(spread_b, 4) == 4.7862
    assert (nights_by_normal(spread_b, 0.5, 0.99), math.ceil((2.576 * spread_b / 0.5) ** 2)) == (608, 609)
    assert nights_by_ratio(20, half_width(spread_b, 20, 0.99), 0.5) == 750
    spread_c = 9.09 * math.sqrt(5) / student_quantile(0.975, 4)
    assert round(spread_c, 4) == 7.3208
    assert nights_by_ratio(5, 9.09, 1.0) == 414
    assert nights_by_normal(spread_c, 1.0, 0.95) == 206
    assert nights_for_half_width(spread_c, 1.0, 0.95) == 209
    assert nights_for_share_width(0.22, 0.1, 0.95) == 66


def test_five_policies_at_once() -> None:
    """Law (and Kelton), comparing more than two systems (from memory): 5 policies with ten runs, 90 % for all.

    Four differences to a standard at 97.5 % each, t = 2.6850108; all ten pairs at 99 % each, t = 3.2498355.
    """
    for differences, level, quantile in ((4, 0.975, 2.6850108), (10, 0.99, 3.2498355)):
        assert each_of(0.9, differences) == pytest.approx(level, abs=1e-12)
        assert student_quantile(1 - (1 - level) / 2, 9) == pytest.approx(quantile, abs=1e-6)


def test_the_interval_for_all_differences_uses_that_quantile() -> None:
    pairs = pair_up(readings([*range(10)]), readings([0] * 10))
    seen = compare_pairs(pairs, 0.9, 4)
    half = 2.6850108 * deviation(range(10)) / math.sqrt(10)
    assert seen.together is not None
    assert (seen.together.low, seen.together.high) == pytest.approx((4.5 - half, 4.5 + half), abs=1e-6)


@pytest.mark.parametrize("name", NUM_ACC)
def test_intervals_of_the_certified_data_are_those_of_the_certified_numbers(name: str) -> None:
    data, certified_mean, certified_deviation = NUM_ACC[name]
    found = student_interval(data, 0.95)
    half = student_quantile(0.975, len(data) - 1) * certified_deviation / math.sqrt(len(data))
    assert found is not None and found.low is not None and found.high is not None
    assert (found.low, found.high) == pytest.approx((certified_mean - half, certified_mean + half), rel=1e-14)
    assert (found.high - found.low) / 2 == pytest.approx(half, rel=1e-6)
