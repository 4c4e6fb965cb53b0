"""The statistics of a night, held against published values.

Which quantile: definition 1 of the nine of Hyndman and Fan, the inverse of the empirical distribution function; its
continuation for unfinished jobs is the product-limit estimate.
"""

import math
from fractions import Fraction

import pytest
from night_rows import Stream

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
