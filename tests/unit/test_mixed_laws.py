"""Laws by quantiles, from a file and mixtures; parts that fail early; workers on which more fails."""

from pathlib import Path
from typing import Any

import pytest
from call_counts import calls_of
from night_runs import MINUTE, Ran
from quiet_night import QUIET, changed, problems

from emulator.scenario.load import from_settings
from emulator.scenario.models import Distribution
from emulator.world.bounded import Constant, Uniform
from emulator.world.mixed import Mixture, Quantiles
from emulator.world.sampling import Empirical, Exponential, Gamma, Lognormal
from emulator.world.sampling_of import sampling_of


@pytest.mark.parametrize(
    ("u", "time"), [(0.0, 10), (0.125, 15), (0.25, 20), (0.5, 40), (0.625, 40), (0.75, 40), (0.9, 76), (0.999999, 100)]
)
def test_a_time_lies_between_two_quantiles(u: float, time: int) -> None:
    """Five quantiles lie at 0, 1/4, 1/2, 3/4 and 1; at 0.9, three fifths of the way from 40 to 100."""
    assert Quantiles((10, 20, 40, 40, 100)).at(u) == time


def test_the_moments_of_quantiles_are_those_of_their_pieces() -> None:
    """Of (0, 10, 30): half uniform in [0, 10], half in [10, 30]: mean 12.5, mean of squares (100 + 1300) / 6."""
    law = Quantiles((0, 10, 30))
    assert (law.least(), law.p95(), law.expectation()) == (0, 28, 12.5)
    assert law.cv2() == pytest.approx((1400 / 6) / 12.5**2 - 1)


def test_two_quantiles_are_the_uniform_law() -> None:
    """Held against the uniform law, which gives each whole tick alike; quantiles round to the nearest."""
    one, other = Quantiles((0, 1_000_000)), Uniform(0, 1_000_000)
    assert all(abs(one.at(u / 100) - other.at(u / 100)) <= 1 for u in range(100))


def test_a_mixture_chooses_by_its_first_uniform_and_draws_by_the_next() -> None:
    """Three quarters are 10; the rest lies between 20 and 29, the second uniform of one half gives 25."""
    mixture = Mixture(((0.75, Constant(10)), (0.25, Uniform(20, 29))))
    assert (mixture.uniforms, mixture.least(), mixture.expectation()) == (2, 10, 0.75 * 10 + 0.25 * 24.5)
    assert [mixture.sample(lambda place, first=first: (first, 0.5)[place]) for first in (0.7499, 0.75)] == [10, 25]
    assert mixture.sample(lambda place: (0.8, 0.0)[place]) == 20


@pytest.mark.parametrize("p", [0.05, 0.25, 0.5, 0.9, 0.95, 0.99])
def test_the_quantiles_of_a_mixture_are_those_of_scipy(p: float) -> None:
    """30 % exponential with mean 1 min, 70 % lognormal with median 2 min and p95 5 min: its function is inverted."""
    scipy = pytest.importorskip("scipy")
    stats, optimize = scipy.stats, pytest.importorskip("scipy.optimize")
    laws = (0.3, Exponential(MINUTE)), (0.7, Lognormal.of_p95(2 * MINUTE, 5 * MINUTE))
    sigma = optimize.brentq(lambda s: stats.lognorm(s, scale=2).ppf(0.95) - 5, 0.01, 3)
    exact = optimize.brentq(
        lambda t: 0.3 * stats.expon.cdf(t) + 0.7 * stats.lognorm(sigma, scale=2).cdf(t) - p, 1e-9, 100
    )
    assert Mixture(laws).quantile(p) / MINUTE == pytest.approx(exact, rel=1e-6)


def test_the_variance_of_a_mixture_is_that_within_and_that_between() -> None:
    """Half 2, half gamma with mean 6 and shape 4 (variance 9): mean 4, variance 9 / 2 + 4."""
    assert Mixture(((0.5, Constant(2)), (0.5, Gamma(4.0, 6)))).cv2() == pytest.approx((4.5 + 4) / 16)


@pytest.mark.parametrize(
    "make",
    [
        lambda many: Quantiles(tuple(range(many))),
        lambda many: Empirical(tuple(range(many))),
        lambda many: Mixture(tuple((1 / many, Constant(place)) for place in range(many))),
    ],
    ids=["quantiles", "measured times", "mixture"],
)
def test_many_points_cost_a_draw_no_more_than_few(make: Any) -> None:
    """4,000 points cost as many calls as 40."""
    few, many = make(40), make(4000)
    assert calls_of(lambda: many.sample(lambda place: 0.7)) == calls_of(lambda: few.sample(lambda place: 0.7))


def test_times_from_a_file_are_drawn_like_a_list_of_them(tmp_path: Path) -> None:
    """Blank lines and those that begin with # are passed over; the order of the lines is nothing."""
    (tmp_path / "times.csv").write_text("# of last month\n3m\n\n1m\n2m\n")
    night = {**QUIET, "systems": {"archive": {**QUIET["systems"]["archive"], "answers_in": {"from_file": "times.csv"}}}}
    law = sampling_of(from_settings(night, folder=tmp_path).scenario.systems["archive"].answers_in)
    assert law is not None
    assert [law.sample(lambda place, u=u: u) // MINUTE for u in (0.1, 0.5, 0.9)] == [1, 2, 3]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("1m\n5\n", "times.csv:2:1: '5' is not a duration"),
        ("", "times.csv has 0 times: 1 to 1,000,000 are wanted, one a line"),
        ("1m\nsoon\n", "times.csv:2:1: "),
        (None, ""),
    ],
)
def test_a_file_of_times_is_told_with_its_line(tmp_path: Path, text: str | None, said: str) -> None:
    if text is not None:
        (tmp_path / "times.csv").write_text(text)
    night = {**QUIET, "systems": {"archive": {**QUIET["systems"]["archive"], "answers_in": {"from_file": "times.csv"}}}}
    with pytest.raises(Exception) as caught:
        from_settings(night, folder=tmp_path)
    assert f"systems.archive.answers_in.from_file: {said}" in str(caught.value)


def test_a_law_that_varies_from_night_to_night_varies_in_all_its_parts() -> None:
    """Half as long again: 10 and 20 become 15 and 30; the shares stay."""
    mixture = {"mixture": [{"share": 0.5, "of": 10}, {"share": 0.5, "of": {"quantiles": [20, 40]}}]}
    made = Distribution.model_validate(mixture).times(1.5).mixture or ()
    assert [one.of.constant or one.of.quantiles for one in made] == [15, (30, 60)]


MISTAKES = [
    ({"quantiles": ["2m", "1m"]}, "takes.quantiles.1: the quantiles must rise to the longest: 1m falls"),
    ({"mixture": [{"share": 0.5, "of": "1m"}]}, "takes.mixture: the shares add up to 0.5, and not to 1"),
    (
        {"mixture": [{"share": 1.0, "of": {"mixture": [{"share": 1.0, "of": "1m"}]}}]},
        "takes.mixture.0.of: no mixture, trace or factor stands in a mixture",
    ),
]


@pytest.mark.parametrize(("takes", "said"), MISTAKES)
def test_laws_that_cannot_be(takes: Any, said: str) -> None:
    routine = {"queue": "night", "parts": [{"name": "x", "takes": takes}]}
    arrivals = [{"routine": "plate-copy", "at": "22:00"}]
    assert problems(changed(routines={"plate-copy": routine}, arrivals=arrivals)) == [
        f"routines.plate-copy.parts.0.{said}"
    ]


# -- errors -----------------------------------------------------------------------------------------------------------


def ends(part: dict[str, Any], workers: int = 1, **pool: Any) -> list[tuple[str, float, str]]:
    """Play as many jobs of 20 min as there are workers, at once: give worker, minute and outcome."""
    settings = {
        "title": "Errors",
        "starts": "2026-06-12T22:00:00",
        "lasts": "2h",
        "queues": {"night": {"lease": "2m"}},
        "pools": {"dome": {"count": workers, "serves": ["night"], "poll": 0, "heartbeat": "20s", **pool}},
        "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "20m", **part}]}},
        "arrivals": [{"routine": "copy", "count": workers, "at": 0}],
    }
    found = Ran(from_settings(settings), 1)
    return sorted((row[4], row[0] / MINUTE, row[7]) for row in found.of("attempt_ended"))


def test_an_error_comes_at_the_end_of_a_part_or_early() -> None:
    """All fail: after 20 min, after 3 min, and after 20 min where 30 min would be longer than the work."""
    assert ends({"error_share": 1}) == [("dome-1", 20, "error")]
    assert ends({"error_share": 1, "fails_after": "3m"}) == [("dome-1", 3, "error")]
    assert ends({"permanent_error_share": 1, "fails_after": "30m"}) == [("dome-1", 20, "permanent_error")]


def test_what_does_not_fail_takes_its_time() -> None:
    assert ends({"fails_after": "3m"}) == [("dome-1", 20, "ok")]


def test_a_slow_worker_fails_later() -> None:
    """At half speed 3 min of work are 6 min."""
    assert ends({"error_share": 1, "fails_after": "3m"}, speed=0.5) == [("dome-1", 6, "error")]


def test_on_one_worker_more_fails_than_on_the_others() -> None:
    """On dome-2 everything fails, after 3 min."""
    found = ends({"fails_after": "3m"}, workers=3, per_worker={"dome-2": {"error_share": 1.0}})
    assert found == [("dome-1", 20, "ok"), ("dome-2", 3, "error"), ("dome-3", 20, "ok")]


def test_fails_after_belongs_to_a_part_that_takes_a_time() -> None:
    routine = {**QUIET["routines"]["plate-copy"], "parts": [{"name": "x", "calls": "archive", "fails_after": "1m"}]}
    assert problems(changed(routines={"plate-copy": routine})) == [
        "routines.plate-copy.parts.0.fails_after: `fails_after` belongs to a part that `takes` a time: "
        "a call fails at its end"
    ]
