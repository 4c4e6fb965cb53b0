"""The distributions of times held against scipy.stats, against published values, and against their own moments.

Monte Carlo comparisons run on fixed seeds; each limit is the one that a true generator would break once in 100,000
times (4.42 standard errors, two-sided), so a failure means a change, never bad luck.
"""

from math import exp, fsum, log, sqrt

import pytest
from scipy import integrate, special, stats

from emulator.timeline.ticks import DAY, HOUR, MINUTE, SECOND
from emulator.world.draws import Draws, Purpose, entity_key
from emulator.world.numerics import normal_quantile
from emulator.world.sampling import (
    Constant,
    Distribution,
    Empirical,
    Erlang,
    Exponential,
    Gamma,
    Lognormal,
    Trace,
    Triangular,
    Uniform,
    Weibull,
)

LIMIT = 4.42
Z95 = float(special.ndtri(0.95))

SHARES = [
    *(2.0**-power for power in (53, 40, 30, 20, 14, 10, 7)),
    *(step / 64 for step in range(1, 64)),
    *(1 - 2.0**-power for power in (7, 10, 14, 20, 30)),
]

PAIRS = {
    "uniform": (Uniform(MINUTE, HOUR), stats.uniform(MINUTE, HOUR - MINUTE)),
    "triangular": (
        Triangular(MINUTE, 20 * MINUTE, 3 * HOUR),
        stats.triang(19 / 179, MINUTE, 179 * MINUTE),
    ),
    "triangular, likeliest first": (Triangular(MINUTE, MINUTE, HOUR), stats.triang(0, MINUTE, HOUR - MINUTE)),
    "triangular, likeliest last": (Triangular(MINUTE, HOUR, HOUR), stats.triang(1, MINUTE, HOUR - MINUTE)),
    "exponential": (Exponential(HOUR), stats.expon(scale=HOUR)),
    "erlang 1": (Erlang(1, HOUR), stats.expon(scale=HOUR)),
    "erlang 4": (Erlang(4, HOUR), stats.erlang(4, scale=HOUR / 4)),
    **{
        f"gamma {shape}": (Gamma(shape, HOUR), stats.gamma(shape, scale=HOUR / shape))
        for shape in (0.05, 0.3, 0.99, 1.0, 1.01, 2.5, 17.0, 300.0, 10_000.0)
    },
    **{
        f"weibull {shape}": (Weibull(shape, HOUR), stats.weibull_min(shape, scale=HOUR))
        for shape in (0.3, 0.7, 1.0, 3.4, 200.0)
    },
    "weibull of mean": (Weibull.of_mean(0.7, HOUR), stats.weibull_min(0.7, scale=HOUR / special.gamma(1 + 1 / 0.7))),
    "lognormal by p95": (Lognormal.of_p95(MINUTE, HOUR), stats.lognorm(log(60) / Z95, scale=MINUTE)),
    "lognormal, narrow": (Lognormal.of_p95(HOUR, HOUR + SECOND), stats.lognorm(log(3601 / 3600) / Z95, scale=HOUR)),
    "lognormal by mean": (Lognormal.of_mean(HOUR, 2.0), stats.lognorm(sqrt(log(5)), scale=HOUR / sqrt(5))),
}


@pytest.mark.parametrize("name", PAIRS)
def test_quantiles_agree_with_scipy(name):
    """Within one tick or a relative 1e-9, whichever is more, from the smallest uniform to 1 - 2**-30."""
    one, theirs = PAIRS[name]
    off = {p: (one.quantile(p), theirs.ppf(p)) for p in SHARES}
    assert {p: pair for p, pair in off.items() if abs(pair[0] - pair[1]) > max(1, 1e-9 * pair[1])} == {}


@pytest.mark.parametrize("name", PAIRS)
def test_moments_agree_with_scipy(name):
    """Mean and squared coefficient of variation, to a relative 1e-9."""
    one, theirs = PAIRS[name]
    mean, variance = theirs.stats(moments="mv")
    assert [one.expectation(), one.cv2()] == pytest.approx([float(mean), float(variance / mean**2)], rel=1e-9)


def test_the_normal_quantile_agrees_with_scipy():
    """To a relative 1e-13, over all shares."""
    assert [normal_quantile(p) for p in SHARES] == pytest.approx([float(special.ndtri(p)) for p in SHARES], rel=1e-13)


MANY = 20_000

SAMPLED: dict[str, Distribution] = {
    "constant": Constant(MINUTE),
    "uniform": Uniform(0, HOUR),
    "triangular": Triangular(0, MINUTE, HOUR),
    "exponential": Exponential(HOUR),
    "erlang": Erlang(3, HOUR),
    "gamma": Gamma(2.5, MINUTE),
    "gamma of small shape": Gamma(0.5, MINUTE),
    "weibull": Weibull.of_mean(0.7, HOUR),
    "lognormal": Lognormal.of_mean(MINUTE, 0.8),
    "empirical": Empirical((MINUTE, 2 * MINUTE, HOUR), (5.0, 2.0, 0.5)),
    "trace": Trace((MINUTE, 2 * MINUTE, HOUR, 5)),
}


def _sample(name: str) -> list[int]:
    draws = Draws(11)
    key = entity_key("moments", name)
    return [SAMPLED[name].sample(draws.row(Purpose.PART_TIME, key, n), n) for n in range(MANY)]


@pytest.mark.slow
@pytest.mark.parametrize("name", SAMPLED)
def test_samples_have_the_stated_mean_and_variance(name):
    """20,000 keyed draws: mean, and mean squared deviation from it, within 4.42 standard errors (99.999 %).

    The mean's error comes from the stated variance, the other's from the sample's fourth moment.
    """
    one, times = SAMPLED[name], _sample(name)
    mean, variance = one.expectation(), one.cv2() * one.expectation() ** 2
    assert abs(fsum(times) / MANY - mean) <= LIMIT * sqrt(variance / MANY)
    squares = [(time - mean) ** 2 for time in times]
    average = fsum(squares) / MANY
    spread = fsum((square - average) ** 2 for square in squares) / MANY
    assert abs(average - variance) <= LIMIT * sqrt(spread / MANY) + 1e-9 * variance


@pytest.mark.slow
@pytest.mark.parametrize("name", ["uniform", "exponential", "erlang", "gamma", "gamma of small shape", "weibull"])
def test_samples_follow_the_whole_distribution(name):
    """Kolmogorov's distance of 20,000 keyed draws from scipy's distribution, at 99.999 %."""
    theirs = {
        "uniform": stats.uniform(0, HOUR),
        "exponential": stats.expon(scale=HOUR),
        "erlang": stats.erlang(3, scale=HOUR / 3),
        "gamma": stats.gamma(2.5, scale=MINUTE / 2.5),
        "gamma of small shape": stats.gamma(0.5, scale=MINUTE / 0.5),
        "weibull": stats.weibull_min(0.7, scale=HOUR / special.gamma(1 + 1 / 0.7)),
    }[name]
    assert stats.kstest(_sample(name), theirs.cdf).pvalue > 1e-5


# ---- published values ------------------------------------------------------------------------------------------------


def _mean_largest(n: int, quantile) -> float:
    """Give the mean of the largest of n: the integral of the quantile of u^(1/n), in halves because of its ends."""
    parts = [
        integrate.quad(lambda u: quantile(u ** (1 / n)), a, b, epsabs=1e-9, limit=400)[0]
        for a, b in ((0, 1e-3), (1e-3, 0.5), (0.5, 0.999), (0.999, 1))
    ]
    return fsum(parts)


@pytest.mark.parametrize(
    ("n", "normal", "lognormal"),
    [
        (2, 0.5641896, 2.5068804906),
        (5, 1.1629645, 4.0698590794),
        (10, 1.5387527, 5.6210805373),
        (100, 2.5075936, 13.5946495172),
    ],
)
def test_the_largest_of_n_durations_has_its_published_mean(n, normal, lognormal):
    """Normal: Harter, Expected values of normal order statistics, Biometrika 48 (1961) 151-165; lognormal(0, 1):
    by quadrature of its distribution function. To 1e-5."""
    one = Lognormal.of_p95(DAY, round(DAY * exp(Z95)))

    def days(p: float) -> float:
        return one.quantile(min(p, 1 - 2.0**-53)) / DAY

    found = (_mean_largest(n, lambda p: normal_quantile(min(max(p, 2.0**-53), 1 - 2.0**-53))), _mean_largest(n, days))
    assert found == pytest.approx((normal, lognormal), abs=1e-5)


def test_weibull_of_a_mean_has_the_published_scale():
    """Shape 0.7 and mean 10 give the scale 7.8999954987 and cv^2 2.1386856319 (the case of decreasing hazard in
    Schroeder and Gibson, A large-scale study of failures in high-performance computing systems, DSN 2006)."""
    one = Weibull.of_mean(0.7, 10 * SECOND)
    assert [float(one.scale) / SECOND, one.cv2(), one.expectation() / SECOND] == pytest.approx(
        [7.8999954986990595, 2.1386856318511667, 10], rel=1e-12
    )
