"""Promises of the distributions of times, and that their ticks are the same on every machine."""

import ast
import math
from array import array
from decimal import Context, Decimal, localcontext
from fractions import Fraction
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.timeline.ticks import DAY, HOUR, MINUTE, SECOND
from emulator.world import numerics
from emulator.world.draws import Draws, Purpose, geometric
from emulator.world.numerics import (
    HALF,
    LONGEST,
    exactly,
    gamma_cdf,
    gamma_function,
    hazard,
    normal_cdf,
    normal_quantile,
)
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

LAST = 1 - 2.0**-53
WEEK = 7 * DAY

PINNED_SAMPLES = {
    "constant": 3600000000,
    "uniform": 1392053067,
    "triangular": 2780811139,
    "exponential": 285504085357,
    "erlang": 503105812030,
    "gamma": 60442751215,
    "gamma of small shape": 7887916338,
    "weibull": 366672899010,
    "weibull of mean": 163502771457,
    "lognormal by p95": 135915427045,
    "lognormal by mean": 181316141360,
    "empirical": 60000000,
    "trace": 60000000,
}

ALL: dict[str, Distribution] = {
    "constant": Constant(HOUR),
    "uniform": Uniform(MINUTE, HOUR),
    "triangular": Triangular(MINUTE, 20 * MINUTE, 3 * HOUR),
    "exponential": Exponential(WEEK),
    "erlang": Erlang(3, WEEK),
    "gamma": Gamma(2.5, DAY),
    "gamma of small shape": Gamma(0.3, DAY),
    "weibull": Weibull(1.5, WEEK),
    "weibull of mean": Weibull.of_mean(0.7, WEEK),
    "lognormal by p95": Lognormal.of_p95(2 * DAY, WEEK),
    "lognormal by mean": Lognormal.of_mean(WEEK, 2.0),
    "empirical": Empirical((3 * HOUR, MINUTE, HOUR), (0.1, 2.5, 1.0)),
    "trace": Trace((3 * HOUR, MINUTE, HOUR)),
}
ONE_UNIFORM = [name for name, distribution in ALL.items() if distribution.uniforms == 1]

uniforms = st.integers(0, 2**53 - 1).map(lambda k: k * 2.0**-53)


def at(distribution: Distribution, *values: float) -> int:
    """Give the sample for these uniforms."""
    return distribution.sample(lambda place: values[place])


# ---- the same ticks everywhere -------------------------------------------------------------------------------------

_BENT = ("exp", "log", "log1p", "pow")


def bend(monkeypatch: pytest.MonkeyPatch, ulps: tuple[int, ...]) -> None:
    """Make the C library's functions err, by each of these units in the last place in turn."""

    def bent(function):
        calls = 0

        def err(*arguments):
            nonlocal calls
            calls += 1
            result = function(*arguments)
            off = ulps[calls % len(ulps)]
            if result != 0:  # log(1) = 0 and the like are exact in every library (C standard, annex F)
                result += off * math.ulp(result)
            return result

        return err

    for name in _BENT:
        monkeypatch.setattr(numerics, name, bent(getattr(math, name)))


@cache
def keyed(place: int) -> "array[float]":
    """Give the uniforms of 20,000 keys at a place; they are drawn once for all that samples here."""
    draws = Draws(29)
    return array("d", (draws.row(Purpose.PART_TIME, 1, n)(place) for n in range(20_000)))


def rows(name: str, many: int) -> list[int]:
    if name == "geometric":
        return [geometric(u, 1e-9) for u in keyed(0)[:many]]
    distribution = ALL[name]
    return [distribution.sample(lambda place, n=n: keyed(place)[n], n) for n in range(many)]


@cache
def straight(name: str, many: int) -> list[int]:
    """Give the draws of the C library as it is."""
    return rows(name, many)


@pytest.mark.slow
@pytest.mark.parametrize("name", [*ALL, "geometric"])
def test_ticks_do_not_depend_on_the_last_bits_of_the_c_library(name, monkeypatch):
    """20,000 draws of each distribution are the same when exp, log, log1p and pow err by up to 2 ulp: as many as show
    that plain rounding would not do, see below."""
    expected = straight(name, 20_000)
    bend(monkeypatch, (2, -2, 1, -1, 0, 2, -2))
    assert rows(name, 20_000) == expected


@pytest.mark.slow
@pytest.mark.parametrize("ulps", [2, -2])
@pytest.mark.parametrize("name", [*ALL, "geometric"])
def test_ticks_do_not_depend_on_a_c_library_that_always_errs_to_one_side(name, ulps, monkeypatch):
    expected = straight(name, 5_000)
    bend(monkeypatch, (ulps,))
    assert rows(name, 5_000) == expected


def test_the_bent_library_would_move_ticks_that_were_merely_rounded(monkeypatch):
    """The two tests above can fail: plain rounding of the same exponentials gives other ticks."""
    draws = Draws(29)
    us = [draws.uniform(Purpose.PART_TIME, 1, n) for n in range(20_000)]
    straight = [round(-WEEK * math.log1p(-u)) for u in us]
    bend(monkeypatch, (2, -2, 1, -1, 0, 2, -2))
    assert [round(-WEEK * numerics.log1p(-u)) for u in us] != straight


def test_the_bent_names_are_all_that_is_used_of_the_c_library():
    """numerics imports from math what the tests bend and exact functions; the other modules only exact ones."""
    exact = {"floor", "fsum", "isfinite", "isqrt", "lcm", "sqrt"}
    found = {}
    for module in ("draws", "numerics", "laws", "sampling"):
        tree = ast.parse((Path(numerics.__file__).parent / f"{module}.py").read_text("utf-8"))
        imports = [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom | ast.Import)]
        names = {alias.name for node in imports for alias in node.names if getattr(node, "module", None) == "math"}
        assert not any(alias.name in {"math", "cmath", "statistics"} for node in imports for alias in node.names)
        found[module] = names - exact
    assert found.pop("numerics") == set(_BENT)
    assert not any(found.values())


def test_a_callers_own_decimal_settings_change_nothing():
    """Three digits of precision in the caller's context do not reach a constant or a close decision."""
    straight = [
        rows(name, 2_000) for name in ("gamma", "lognormal by mean", "weibull of mean", "erlang", "exponential")
    ]
    with localcontext(Context(prec=3)):
        made = [
            Gamma(2.5, DAY),
            Lognormal.of_mean(WEEK, 2.0),
            Weibull.of_mean(0.7, WEEK),
            Erlang(3, WEEK),
            Exponential(WEEK),
        ]
        draws = Draws(29)
        again = [[one.sample(draws.row(Purpose.PART_TIME, 1, n)) for n in range(2_000)] for one in made]
    assert again == straight


# ---- the ticks are the exact quantile, rounded -----------------------------------------------------------------------


def share_below(name: str, half_tick: Decimal) -> Decimal:
    """Give the distribution function at a time above 0, to fifty digits; written down here once more from textbooks."""
    x = half_tick
    one = ALL[name]
    if isinstance(one, Exponential):
        return 1 - (-x / one.mean).exp()
    if isinstance(one, Gamma):
        shape = Decimal(one.shape)
        return gamma_cdf(shape, x * shape / one.mean, gamma_function(shape))
    if isinstance(one, Weibull):
        return 1 - (-((x / one.scale).ln() * Decimal(one.shape)).exp()).exp()
    assert isinstance(one, Lognormal)
    return normal_cdf((x / one.median).ln() / one.spread)


@pytest.mark.slow
@pytest.mark.parametrize(
    "name",
    [
        "exponential",
        "gamma",
        "gamma of small shape",
        "weibull",
        "weibull of mean",
        "lognormal by p95",
        "lognormal by mean",
    ],
)
def test_a_tick_is_the_nearest_to_the_exact_quantile(name):
    """For tick n, the share below n - 1/2 is at most u, and the share below n + 1/2 is above it: also at both ends."""
    draws = Draws(30)
    us = [draws.uniform(Purpose.PART_TIME, 1, n) for n in range(300)]
    for u in [*us, 2.0**-53, 2.0**-40, 1e-6, 1 - 1e-6, 1 - 2.0**-40, LAST]:
        tick = at(ALL[name], u)
        with exactly():
            assert tick == 0 or share_below(name, tick - HALF) <= Decimal(u)
            assert tick == LONGEST or share_below(name, tick + HALF) > Decimal(u)


@settings(deadline=None, max_examples=40)
@given(st.floats(0.01, 10_000), st.integers(1, LONGEST), uniforms)
def test_gamma_is_exact_for_every_shape_and_mean(shape, mean, u):
    """The same two-sided check over the whole range of parameters, the guess being as bad as it may."""
    tick = at(Gamma(shape, mean), u)
    with exactly():
        exact = Decimal(shape)
        whole_gamma = gamma_function(exact)
        below = 0 if tick == 0 else gamma_cdf(exact, (tick - HALF) / mean * exact, whole_gamma)
        assert below <= Decimal(u)
        assert tick == LONGEST or gamma_cdf(exact, (tick + HALF) / mean * exact, whole_gamma) > Decimal(u)


@given(st.integers(0, 400), st.integers(-5, 500))
def test_the_search_finds_the_tick_from_any_guess(true, guess):
    """A guess costs time, never the result."""
    assert numerics._climb(guess, lambda n: n <= true) == true


@given(st.lists(uniforms, min_size=3, max_size=3))
def test_erlang_is_the_rounded_sum_of_its_exponentials(us):
    """-mean/k times the sum of the logs, in sixty digits, rounded half up."""
    with exactly():
        total = sum((hazard(u) for u in us), Decimal(0)) * WEEK / 3
        expected = int(total + HALF)
    assert at(Erlang(3, WEEK), *us) == expected


@given(st.integers(0, 60), st.integers(0, 60), st.integers(0, 60), uniforms)
def test_triangular_is_the_exact_quantile_rounded_half_up(a, c, b, u):
    """Held against the distribution function in fractions."""
    a, c, b = sorted((a, c, b))
    tick = at(Triangular(a, c, b), u)

    def below(x: Fraction) -> Fraction:
        if x <= a:
            return Fraction(int(x == a == b) * 0)
        if x >= b:
            return Fraction(1)
        return (x - a) ** 2 / ((b - a) * (c - a)) if x < c else 1 - (b - x) ** 2 / ((b - a) * (b - c))

    assert below(tick - Fraction(1, 2)) <= u
    assert below(tick + Fraction(1, 2)) > u


def test_triangular_rounds_a_half_up_on_both_sides():
    """Quantiles that are exactly n + 1/2: 1/2 at u = 1/64 of (0, 4, 4) and 3 1/2 at u = 63/64 of (0, 0, 4)."""
    assert [at(Triangular(0, 4, 4), 1 / 64), at(Triangular(0, 0, 4), 63 / 64)] == [1, 4]


@given(uniforms)
def test_uniform_gives_each_tick_the_same_chance(u):
    assert at(Uniform(10, 29), u) == 10 + int(Fraction(u) * 20)


# ---- what the sixty digits rest on -----------------------------------------------------------------------------------


def test_two_pi_is_right():
    """Machin's formula: pi/4 = 4 arctan(1/5) - arctan(1/239)."""

    def arctan_of_one_over(n: int) -> Decimal:
        return sum((Decimal((-1) ** k) / ((2 * k + 1) * Decimal(n) ** (2 * k + 1)) for k in range(60)), Decimal(0))

    with localcontext(Context(prec=75)):
        expected = 8 * (4 * arctan_of_one_over(5) - arctan_of_one_over(239))
        assert abs(numerics._TWO_PI - expected) < Decimal("1e-63")


def test_gamma_function_has_its_known_values():
    """Factorials, gamma(1/2) = sqrt(pi), and the recursion across the range, to a relative 1e-50."""
    with exactly():
        root = (numerics._TWO_PI / 2).sqrt()
        pairs = [(gamma_function(Decimal(n)), Decimal(math.factorial(n - 1))) for n in (1, 2, 3, 10, 171)]
        pairs += [(gamma_function(HALF), root), (gamma_function(Decimal("2.5")), root * 3 / 4)]
        small = Decimal("0.01")
        pairs += [(gamma_function(small) * small, gamma_function(1 + small))]
        assert all(abs(got / expected - 1) < Decimal("1e-50") for got, expected in pairs)


def test_gamma_and_normal_shares_agree_with_each_other_and_with_the_exponential():
    """P(1, x) = 1 - exp(-x), and P(1/2, z^2/2) = 2 Phi(z) - 1: two series, one value, to 1e-50."""
    with exactly():
        one, half = gamma_function(Decimal(1)), gamma_function(HALF)
        for text in ("0.001", "0.7", "3", "8.2"):
            x = Decimal(text)
            assert abs(gamma_cdf(Decimal(1), x, one) - (1 - (-x).exp())) < Decimal("1e-50")
            assert abs(gamma_cdf(HALF, x * x / 2, half) - (2 * normal_cdf(x) - 1)) < Decimal("1e-50")
            assert abs(normal_cdf(-x) + normal_cdf(x) - 1) < Decimal("1e-50")
        assert [normal_cdf(Decimal(-13)), normal_cdf(Decimal(0)), normal_cdf(Decimal(13))] == [0, HALF, 1]


def test_the_normal_quantile_of_p95_is_right():
    from emulator.world import laws

    with exactly():
        assert abs(normal_cdf(laws._Z95) - Decimal("0.95")) < Decimal("1e-49")


def test_the_normal_quantile_keeps_its_bound(monkeypatch):
    """Within a relative 2**-46 of the exact quantile, in the middle, at the seams and in both tails, library bent."""
    bend(monkeypatch, (2, -2))
    draws = Draws(31)
    shares = [draws.uniform(Purpose.PART_TIME, 1, n) for n in range(500)]
    for seam in (0.075, 0.925, math.exp(-25), 2.0**-53, LAST, 2.0**-30, 1 - 2.0**-30, 0.5 + 2.0**-53, 0.5 - 2.0**-54):
        shares += [seam, math.nextafter(seam, 0.5), math.nextafter(math.nextafter(seam, 0.5), 0.5)]
    with exactly():
        bound = Decimal(2) ** -46
        for p in shares:
            z = Decimal(normal_quantile(p))
            ends = sorted((z * (1 - bound), z * (1 + bound)))
            assert normal_cdf(ends[0]) <= Decimal(p) <= normal_cdf(ends[1]), p


@pytest.mark.parametrize("shape", [0.01, 0.3, 1.0, 2.5, 40.0, 1000.0, 10_000.0])
def test_the_share_of_gamma_keeps_its_bound(shape, monkeypatch):
    """The float share differs from the exact one by less than its stated error, library bent."""
    bend(monkeypatch, (2, -2))
    one = Gamma(shape, DAY)
    draws = Draws(32)
    for n in range(40 if shape < 500 else 8):
        ticks = at(one, draws.uniform(Purpose.PART_TIME, 1, n)) + 0.5
        share, _, error = numerics._gamma_share(ticks, shape, DAY, one._crest)
        with exactly():
            exact = Decimal(shape)
            expected = gamma_cdf(exact, Decimal(ticks) / DAY * exact, one._whole_gamma)
            assert abs(Decimal(share) - expected) <= Decimal(error)
        assert error <= share * 1e-9


# ---- what every distribution does ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ALL)
def test_a_sample_asks_for_exactly_the_stated_uniforms(name):
    """The places 0 to uniforms - 1, each once, whatever comes."""
    for u in (0.0, 0.3, LAST):
        asked = []

        def draw(place, u=u, asked=asked):
            asked.append(place)
            return u

        ALL[name].sample(draw, 5)
        assert asked == list(range(ALL[name].uniforms))


@pytest.mark.parametrize("name", ONE_UNIFORM)
def test_a_sample_is_the_quantile_of_its_uniform_and_never_falls(name):
    """More uniform, more time; from the least time on, whole, not above the longest."""
    one = ALL[name]
    shares = sorted([0.0, LAST, *(Draws(33).uniform(Purpose.PART_TIME, 1, n) for n in range(500))])
    times = [at(one, u) for u in shares]
    assert times == [one.quantile(u) for u in shares] == sorted(times)
    assert times[0] == one.least() >= 0
    assert times[-1] <= LONGEST
    assert {type(time) for time in times} == {int}


@pytest.mark.parametrize("name", ALL)
def test_p95_and_least_are_quantiles(name):
    """Those of 0.95 and of 0."""
    one = ALL[name]
    assert (one.p95(), one.least()) == (one.quantile(0.95), one.quantile(0))


@pytest.mark.parametrize("name", ALL)
@pytest.mark.parametrize("share", [-0.1, 1.0, 1e-300, float("nan")])
def test_a_quantile_of_no_share_is_refused(name, share):
    with pytest.raises(ValueError) as caught:
        ALL[name].quantile(share)
    assert str(caught.value) == (f"there is no quantile of the share {share}: give 0, or from 2**-53 to below 1")


def test_what_would_be_longer_than_142_years_is_cut():
    """Every distribution with no longest time ends at LONGEST, the float far beyond or just about there."""
    assert [
        at(Exponential(LONGEST), LAST),
        at(Erlang(2, LONGEST), LAST, LAST),
        at(Gamma(0.01, LONGEST), LAST),
        at(Weibull(0.01, LONGEST), LAST),
        at(Weibull(1.0, LONGEST), 1 - math.exp(-1)),
        at(Lognormal.of_p95(1, LONGEST), LAST),
    ] == [LONGEST] * 6


def test_moments_are_the_textbook_ones():
    """Mean in ticks and squared coefficient of variation, worked out by hand."""
    a, c, b = 6, 12, 24
    found = {
        "constant": Constant(7),
        "constant 0": Constant(0),
        "uniform": Uniform(1, 6),
        "uniform 0": Uniform(0, 0),
        "triangular": Triangular(a, c, b),
        "exponential": Exponential(SECOND),
        "gamma": Gamma(2.5, SECOND),
        "erlang": Erlang(4, SECOND),
        "weibull": Weibull(1.0, SECOND),
        "weibull 2": Weibull(0.5, SECOND),
        "lognormal": Lognormal.of_mean(SECOND, 2.0),
        "empirical": Empirical((10, 20), (3, 1)),
        "trace": Trace((2, 4, 4, 4, 5, 5, 7, 9)),
        "trace 0": Trace((0, 0)),
    }
    assert {name: (one.expectation(), one.cv2()) for name, one in found.items()} == {
        "constant": (7.0, 0.0),
        "constant 0": (0.0, 0.0),
        "uniform": (3.5, float(Fraction(35, 12) / Fraction(49, 4))),
        "uniform 0": (0.0, 0.0),
        "triangular": (14.0, (36 + 144 + 576 - 72 - 144 - 288) / 18 / 196),
        "exponential": (1e6, 1.0),
        "gamma": (1e6, 0.4),
        "erlang": (1e6, 0.25),
        "weibull": (1e6, 1.0),
        "weibull 2": (2e6, 5.0),
        "lognormal": (1e6, 4.0),
        "empirical": (12.5, 18.75 / 156.25),
        "trace": (5.0, 4 / 25),
        "trace 0": (0.0, 0.0),
    }


def test_lognormal_has_the_median_and_p95_that_were_stated():
    one = Lognormal.of_p95(40 * SECOND, 2 * MINUTE)
    assert [one.quantile(0.5), one.p95(), one.least()] == [40 * SECOND, 2 * MINUTE, 0]


def test_equal_parameters_make_equal_distributions():
    """They are values: equal, with equal hash, and they say what they are."""
    assert Gamma(2.0, 5) == Gamma(2.0, 5) != Gamma(2.0, 6)
    assert len({Empirical((1, 2)), Empirical([1, 2]), Trace([1, 2])}) == 2
    assert repr(Gamma(2.0, 5)) == "Gamma(shape=2.0, mean=5)"


def test_erlang_and_gamma_have_the_same_quantiles():
    assert Erlang(3, HOUR).quantile(0.3) == Gamma(3.0, HOUR).quantile(0.3)
    assert Erlang(3, HOUR).least() == 0


def test_empirical_draws_by_weight_in_ascending_order():
    """Weights 1, 0, 3 on 30, 20, 10: the lower three quarters are 10, what has no weight never comes."""
    one = Empirical((30, 20, 10), (1, 0, 3))
    assert [at(one, u) for u in (0.0, 0.7499, 0.75, LAST)] == [10, 10, 30, 30]
    assert one.least() == 10


def test_a_trace_goes_by_ordinal_and_starts_again():
    one = Trace((30, 10, 20))
    assert [one.sample(lambda place: 0.5, n) for n in range(5)] == [30, 10, 20, 30, 10]
    assert [one.least(), one.quantile(0.5), one.p95()] == [10, 20, 30]


def test_pin_one_sample_of_each():
    """Pin copied from a run on one machine: every machine and every Python must give these ticks."""
    draws = Draws(1)
    assert {name: one.sample(draws.row(Purpose.PART_TIME, 7), 1) for name, one in ALL.items()} == PINNED_SAMPLES


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Constant(-1), f"a constant has the time -1: give whole ticks from 0 to {LONGEST}"),
        (lambda: Constant(1.5), f"a constant has the time 1.5: give whole ticks from 0 to {LONGEST}"),
        (lambda: Uniform(5, 4), f"a uniform has the high 4: give whole ticks from 5 to {LONGEST}"),
        (lambda: Uniform(-5, 4), f"a uniform has the low -5: give whole ticks from 0 to {LONGEST}"),
        (lambda: Triangular(5, 4, 9), f"a triangular has the likeliest 4: give whole ticks from 5 to {LONGEST}"),
        (lambda: Triangular(5, 6, 5), f"a triangular has the longest 5: give whole ticks from 6 to {LONGEST}"),
        (lambda: Triangular(-1, 6, 5), f"a triangular has the shortest -1: give whole ticks from 0 to {LONGEST}"),
        (lambda: Exponential(0), f"an exponential has the mean 0: give whole ticks from 1 to {LONGEST}"),
        (lambda: Gamma(0.001, 5), "a gamma has the shape 0.001: give a number from 0.01 to 10000"),
        (lambda: Gamma(float("nan"), 5), "a gamma has the shape nan: give a number from 0.01 to 10000"),
        (lambda: Gamma(1, 0), f"a gamma has the mean 0: give whole ticks from 1 to {LONGEST}"),
        (lambda: Erlang(0, 5), "an Erlang has 0 stages: give a whole number from 1 to 1000"),
        (lambda: Erlang(2, LONGEST + 1), f"an Erlang has the mean {LONGEST + 1}: give whole ticks from 1 to {LONGEST}"),
        (lambda: Weibull(2000, 5), "a Weibull has the shape 2000: give a number from 0.01 to 1000"),
        (lambda: Weibull(2, 0), f"a Weibull has the scale 0: give more than 0 and at most {LONGEST} ticks"),
        (lambda: Weibull.of_mean(0, 5), "a Weibull has the shape 0: give a number from 0.01 to 1000"),
        (lambda: Weibull.of_mean(2, 0), f"a Weibull has the mean 0: give whole ticks from 1 to {LONGEST}"),
        (lambda: Lognormal.of_p95(0, 5), f"a lognormal has the median 0: give whole ticks from 1 to {LONGEST}"),
        (lambda: Lognormal.of_p95(5, 4), f"a lognormal has the p95 4: give whole ticks from 5 to {LONGEST}"),
        (
            lambda: Lognormal.of_p95(5, 5),
            "a lognormal has its p95 at its median, 5 ticks: say a constant instead",
        ),
        (lambda: Lognormal.of_mean(0, 1), f"a lognormal has the mean 0: give whole ticks from 1 to {LONGEST}"),
        (lambda: Lognormal.of_mean(5, 0), "a lognormal has the cv 0: give a number from 0.001 to 1000"),
        (
            lambda: Lognormal(0, Decimal(1)),
            f"a lognormal has the median 0: give more than 0 and at most {LONGEST} ticks",
        ),
        (lambda: Lognormal(5, Decimal(0)), "a lognormal has the spread 0: give more than 0 and at most 50"),
        (lambda: Empirical(()), "an empirical list is empty: give at least one time"),
        (lambda: Empirical((1, -2)), f"an empirical list has the time -2: give whole ticks from 0 to {LONGEST}"),
        (
            lambda: Empirical((1, 2), (1,)),
            "an empirical list has 2 times and 1 weights: give one weight for each",
        ),
        (
            lambda: Empirical((1, 2), ()),
            "an empirical list has 2 times and 0 weights: give one weight for each",
        ),
        (lambda: Empirical((1, 2), (1, -1)), "an empirical list has the weight -1: give 0 or more"),
        (lambda: Empirical((1, 2), (1, math.inf)), "an empirical list has the weight inf: give 0 or more"),
        (lambda: Empirical((1, 2), (0, 0)), "an empirical list has no weight above 0: give at least one"),
        (lambda: Trace(()), "a trace is empty: give at least one time"),
    ],
)
def test_wrong_parameters_are_refused_with_what_is_allowed(make, message):
    with pytest.raises(ValueError) as caught:
        make()
    assert str(caught.value) == message
