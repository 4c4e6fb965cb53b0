"""Where does a share fall below what is asked? Shapes that are known beforehand, nights drawn or counted by hand."""

import math

import pytest

from emulator.outlook.share_fit import Crossing, Played, fit_share, share_curve
from emulator.world.draws import Draws, Purpose, entity_key

DAYS = [float(day) for day in range(365)]


def logistic(x: float) -> float:
    return 1 / (1 + math.exp(-x))


def expected(share: float, nights: int, at: float) -> Played:
    """Give the nights that a share would bring: as many as are expected, to the nearest."""
    return Played(at, round(share * nights), nights)


def test_a_logistic_curve_is_found_again() -> None:
    """Of nights as many meet it as the curve says: 0.5 at 180, and 0.9 at 180 - 20 * ln 9 = 136.06."""
    played = [expected(logistic((180 - at) / 20), 400, at) for at in range(0, 366, 15)]
    fit = fit_share(played, 0, 365)
    assert fit.share(180) == pytest.approx(0.5, abs=0.02)
    found = share_curve(played, 0, 365, 0.9).crossing(DAYS, 0.95)
    assert found.first is not None and abs(found.first - 136.06) <= 4
    assert found.low is not None and found.high is not None
    assert found.low <= 136 <= found.high and found.high - found.low < 20


def test_a_share_that_recovers_is_not_taken_to_fall_for_ever() -> None:
    """A dip to 0.5 around day 180 is one: high before it, low in it, high again behind it."""
    played = [expected(0.99 - 0.5 * math.exp(-(((at - 180) / 40) ** 2)), 200, at) for at in range(0, 366, 8)]
    fit = fit_share(played, 0, 365)
    assert [fit.share(at) > 0.9 for at in (20, 180, 345)] == [True, False, True]


def test_where_every_night_is_met_nothing_crosses() -> None:
    """300 nights without a miss: the share is clearly above 0.9 everywhere, and no standard error runs away."""
    played = [Played(float(at), 12, 12) for at in range(0, 365, 15)]
    assert share_curve(played, 0, 365, 0.9).crossing(DAYS, 0.95) == Crossing(None, None, None)
    assert fit_share(played, 0, 365).root(180, 0.9) > 1.96


def test_where_every_night_is_missed_it_is_below_at_once() -> None:
    """The first place that is looked at is the answer, and both ends of its interval."""
    played = [Played(float(at), 0, 12) for at in range(0, 365, 15)]
    assert share_curve(played, 0, 365, 0.9).crossing(DAYS, 0.95) == Crossing(0.0, 0.0, 0.0)


def test_an_edge_is_found_between_the_last_that_holds_and_the_first_that_does_not() -> None:
    """All nights hold up to day 100 and none from day 110 on: the date lies between, and the interval says no less."""
    played = [Played(float(at), 20 * (at <= 100), 20) for at in range(0, 360, 10)]
    found = share_curve(played, 0, 365, 0.9).crossing(DAYS, 0.95)
    assert found.low is not None and found.high is not None
    assert 70 <= found.low <= 110 and 95 <= found.high <= 125


def test_the_root_of_the_ratio_is_that_of_a_single_share() -> None:
    """One place and nothing else: 2 ln L ratio of 60 of 100 against 0.5 is 4.03, worked out by hand; its root 2.007.

    2 * (60 ln(0.6 / 0.5) + 40 ln(0.4 / 0.5)) = 2 * (10.939 - 8.926) = 4.027.
    """
    fit = fit_share([Played(5.0, 60, 100)], 0, 10)
    assert fit.root(5.0, 0.5) == pytest.approx(2.007, abs=0.02)


@pytest.mark.slow
def test_the_interval_holds_the_date_as_often_as_it_says() -> None:
    """Of 24 trials of a curve with 400 nights each at least 20 hold it: 95 % would fail that one time in 150."""
    draws = Draws(1)
    truth = next(day for day in DAYS if logistic((200 - day) / 25) < 0.9)
    held = 0
    for trial in range(24):
        played = []
        for place in range(25):
            at = 365 * (place + 0.5) / 25
            keys = (entity_key("trial", trial, place, night) for night in range(16))
            met = sum(draws.uniform(Purpose.NIGHT_FACTOR, key) < logistic((200 - at) / 25) for key in keys)
            played.append(Played(at, met, 16))
        found = share_curve(played, 0, 365, 0.9).crossing(DAYS[::2], 0.95)
        held += found.low is not None and found.low <= truth and (found.high is None or truth <= found.high)
    assert held >= 20
