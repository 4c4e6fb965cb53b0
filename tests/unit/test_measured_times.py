"""Laws made of measured times: quantiles, files, mixtures."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from call_counts import calls_of
from scipy import stats

import emulator
from emulator.errors import ScenarioError
from emulator.report.reproduce import reproduce
from emulator.scenario.load import from_settings
from emulator.scenario.models import Distribution
from emulator.world.sampling import Constant, Empirical, Lognormal, Mixture, Quantiles, Uniform, sampling_of

MINUTE = 60_000_000


def night(takes: Any) -> dict[str, Any]:
    return {
        "title": "Measured times",
        "starts": "2026-06-12T20:00:00",
        "lasts": "10h",
        "queues": {"night": {"lease": "60s"}},
        "pools": {"dome": {"count": 1, "serves": ["night"], "heartbeat": "20s"}},
        "routines": {"copy": {"queue": "night", "parts": [{"name": "read", "takes": takes}]}},
        "arrivals": [{"routine": "copy", "at": "+0s", "count": 3}],
    }


def test_quantiles_are_joined_by_straight_lines() -> None:
    """Against numpy's interpolation of the same points, and the moments of what is uniform between two of them."""
    points = (0, 60, 60, 200, 1000)
    law = Quantiles(points)
    shares = np.arange(0, 1, 1 / 4096)
    want = np.interp(shares, np.linspace(0, 1, 5), points)
    assert np.max(np.abs([law.at(float(u)) for u in shares] - want)) <= 0.5
    fine = np.interp((np.arange(200_000) + 0.5) / 200_000, np.linspace(0, 1, 5), points)
    assert law.expectation() == pytest.approx(fine.mean(), rel=1e-6)
    assert law.cv2() == pytest.approx(fine.var() / fine.mean() ** 2, rel=1e-4)
    assert (law.least(), law.quantile(0.5), law.p95()) == (0, 60, 840)


def test_a_mixture_has_the_moments_and_quantiles_of_its_parts() -> None:
    """Nine in ten take 4 min, one in ten is lognormal: mean and variance by the law of total variance, quantiles by the
    share that scipy gives."""
    slow = Lognormal.of_p95(60 * MINUTE, 120 * MINUTE)
    law = Mixture((Constant(4 * MINUTE), slow), (9, 1))
    assert law.expectation() == pytest.approx(0.9 * 4 * MINUTE + 0.1 * slow.expectation())
    second = 0.9 * (4 * MINUTE) ** 2 + 0.1 * slow.expectation() ** 2 * (1 + slow.cv2())
    assert law.cv2() == pytest.approx(second / law.expectation() ** 2 - 1)
    sigma = np.log(2) / stats.norm.ppf(0.95)
    reference = stats.lognorm(sigma, scale=60 * MINUTE)
    assert law.quantile(0.5) == 4 * MINUTE
    assert law.p95() == pytest.approx(reference.ppf(0.5), rel=1e-6)
    assert law.quantile(0.99) == pytest.approx(reference.ppf(0.9), rel=1e-6)
    assert law.least() == pytest.approx(0, abs=MINUTE)


def test_a_draw_among_thousands_of_times_costs_what_one_among_few_does() -> None:
    few, many = Empirical(tuple(range(40))), Empirical(tuple(range(4000)))
    assert calls_of(lambda: many.at(0.37)) == calls_of(lambda: few.at(0.37))
    few_points, many_points = Quantiles(tuple(range(40))), Quantiles(tuple(range(4000)))
    assert calls_of(lambda: many_points.at(0.37)) == calls_of(lambda: few_points.at(0.37))


def test_every_law_is_reached_from_a_file_of_settings(tmp_path: Path) -> None:
    (tmp_path / "times.csv").write_text("takes;what\n90;copy\n\n2m;copy\n1.5\n")
    assert sampling_of(Distribution(quantiles=(1, 5))) == Quantiles((1, 5))
    mixed = Distribution(mixture=(Distribution(constant=1), Distribution(between=(2, 3))), weights=(2, 1))
    assert sampling_of(mixed) == Mixture((Constant(1), Uniform(2, 3)), (2, 1))
    found = from_settings(night({"from_file": "times.csv"}), folder=tmp_path)
    takes = found.scenario.routines["copy"].parts[0].takes
    assert takes is not None
    assert takes.one_of == (90_000_000, 2 * MINUTE, 1_500_000)
    assert found.data["routines"]["copy"]["parts"][0]["takes"] == {"from_file": "times.csv"}


def test_a_log_remembers_the_file_of_times(tmp_path: Path) -> None:
    (tmp_path / "times.csv").write_text("90\n2m\n")
    found = from_settings(night({"from_file": "times.csv"}), folder=tmp_path)
    emulator.run(found, log=tmp_path / "night.qdlog")
    reproduce(tmp_path / "night.qdlog")
    (tmp_path / "times.csv").write_text("91\n2m\n")
    with pytest.raises(emulator.InputError, match=r"times.csv was changed since|another times.csv"):
        reproduce(tmp_path / "night.qdlog")


@pytest.mark.parametrize(
    ("takes", "said"),
    [
        ({"quantiles": ["1m", "30s"]}, r"takes.quantiles.1: quantiles rise: 30s follows 1m"),
        ({"quantiles": ["1m"]}, "takes.quantiles"),
        ({"mixture": ["1m", {"traced": True}]}, "a mixture is of laws that one draw makes"),
        ({"mixture": ["1m", {"mean": "1m", "law": "erlang", "stages": 2}]}, "a mixture is of laws that one draw makes"),
        ({"mixture": ["1m", "2m"], "weights": [1]}, "each needs one weight: there are 2, and of weights 1"),
        ({"mixture": ["1m", {"constant": "2m", "varies_with": "pace"}]}, "say it of the whole mixture"),
        ({"from_file": "missing.csv"}, "missing.csv"),
        ({"from_file": "../times.csv"}, "takes.from_file"),
        ({"from_file": "wrong.csv"}, "wrong.csv:2: 'soon' is no time"),
        ({"from_file": "empty.csv"}, "empty.csv: holds 0 times"),
    ],
)
def test_wrong_measured_times_are_told(tmp_path: Path, takes: Any, said: str) -> None:
    (tmp_path / "wrong.csv").write_text("takes\nsoon\n")
    (tmp_path / "empty.csv").write_text("takes\n")
    with pytest.raises(ScenarioError, match=said):
        from_settings(night(takes), folder=tmp_path)
