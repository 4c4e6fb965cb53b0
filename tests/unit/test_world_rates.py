"""Rates by the hour of the day and the day of the week."""

from datetime import datetime
from typing import Any

import pytest
from night_runs import HOUR, MINUTE
from quiet_night import QUIET, changed, problems

from emulator.scenario.clock import Clock
from emulator.scenario.load import from_settings
from emulator.scenario.models import Rates
from emulator.scenario.schedules import rates_over
from emulator.timeline.agenda import Agenda
from emulator.world.arrival_processes import ByTheClock, poisson_gaps
from emulator.world.arrivals import Gaps, Window
from emulator.world.draws import Draws
from emulator.world.tonight import offered_load

FRIDAY = Clock(datetime(2026, 6, 12, 17), "America/Santiago")  # noqa: DTZ001 - a local time; the clock knows the zone
WEEK_SAID = {"weekdays": {"18:00": 10.0, "20:00": 26.0}, "sat": 5.0}
WEEK = Rates.model_validate(WEEK_SAID)


class Halves(Draws):
    """Every uniform is one half, so that each gap is ln 2 of an hour at a rate of one."""

    def uniform(self, purpose: int, entity: int, number: int = 0, attempt: int = 0, place: int = 0) -> float:
        return 0.5


GAP = 2495329850  # ln 2 hours = 0.69314718055994... * 3,600,000,000 microseconds


def comes(rates: Any, lasts: int, draws: Draws | None = None, surge: tuple[int, float] | None = None) -> list[int]:
    found: list[int] = []
    agenda = Agenda()
    coming = ByTheClock(
        agenda, draws or Halves(1), lambda n, at, line, cause: found.append(at), rates, 7, Window(0, lasts)
    )
    coming.start()
    if surge is not None:
        agenda.at(surge[0], lambda _: coming.set_factor(surge[1]))
    agenda.run(before=(lasts, 0, 0, 0, 0))
    return found


def test_the_rates_of_a_week_hold_from_their_times_on() -> None:
    """From Friday 17:00: none, 10 from 18:00, 26 from 20:00, 5 all Saturday, none on Sunday and Monday till 18:00."""
    hours = [(tick // HOUR, rate) for tick, rate in rates_over(WEEK, FRIDAY, 3 * 24 * HOUR)]
    assert hours[:8] == [(-17, 0), (1, 10), (3, 26), (7, 5), (31, 0), (55, 0), (73, 10), (75, 26)]


def test_a_day_on_which_the_clocks_change_is_as_long_as_it_is() -> None:
    """In Santiago Sunday, 6 September 2026, begins at 01:00: 23 hours lie between the two midnights."""
    clock = Clock(datetime(2026, 9, 5, 22), "America/Santiago")  # noqa: DTZ001 - a local time
    rates = Rates.model_validate({"sat": 1.0, "sun": {"12:00": 2.0}})
    hours = [(tick // HOUR, rate) for tick, rate in rates_over(rates, clock, 24 * HOUR)]
    assert hours[:4] == [(-22, 1), (2, 0), (13, 2), (25, 0)]


def test_a_gap_is_used_up_by_the_rate_that_holds() -> None:
    """A gap of ln 2 = 0.693 jobs comes at 0.693 h at 1 an hour; the next uses up 0.307 until 1 h, and the
    rest of 0.386 at 2 an hour: 1.193 h; a third 0.347 h later, at 1.540 h.
    """
    expected = [GAP, HOUR + (2 * GAP - HOUR) // 2, HOUR + (3 * GAP - HOUR) // 2]
    assert comes([(0, 1.0), (HOUR, 2.0)], expected[-1] + MINUTE) == [pytest.approx(at, abs=2) for at in expected]


def test_nothing_comes_while_the_rate_is_nothing() -> None:
    """0.5 of the gap of 0.693 is used up by half past; then the rate is 0 until 5 h, and 1 again: 5.193 h."""
    [first] = comes([(0, 1.0), (HOUR // 2, 0.0), (5 * HOUR, 1.0)], 5 * HOUR + HOUR // 2)
    assert first == pytest.approx(5 * HOUR + GAP - HOUR // 2, abs=1)
    assert comes([(0, 1.0), (HOUR // 2, 0.0)], 100 * HOUR) == []


def test_a_surge_divides_what_remains_of_a_gap() -> None:
    """At 0.5 h the rate is doubled: 0.193 of the gap remain, which take 0.0966 h."""
    first, *_ = comes([(0, 1.0)], HOUR, surge=(HOUR // 2, 2.0))
    assert first == pytest.approx(HOUR // 2 + (GAP - HOUR // 2) / 2, abs=1)


def test_one_rate_for_all_days_is_the_plain_rate() -> None:
    """With the same draws the jobs of 6 an hour come when they do with `per_hour: 6`, to a tick for each gap."""
    plain: list[int] = []
    agenda, draws = Agenda(), Draws(3)
    gaps = Gaps(agenda, draws, lambda n, at, line, cause: plain.append(at), poisson_gaps(6.0), 7, Window(0, 9 * HOUR))
    gaps.start()
    agenda.run(before=(9 * HOUR, 0, 0, 0, 0))
    assert comes([(0, 6.0)], 9 * HOUR, Draws(3)) == [pytest.approx(at, abs=n) for n, at in enumerate(plain, 1)]


def test_as_many_come_in_each_hour_as_its_rate_says() -> None:
    """Over 300 nights, of 10 and of 26 an hour: Poisson, so within 4 standard deviations of 3,000 and of 7,800."""
    counts = [0, 0]
    for seed in range(300):
        for at in comes([(0, 10.0), (HOUR, 26.0)], 2 * HOUR, Draws(seed)):
            counts[at // HOUR] += 1
    assert abs(counts[0] - 3000) < 4 * 3000**0.5
    assert abs(counts[1] - 7800) < 4 * 7800**0.5


@pytest.mark.parametrize(
    ("rates", "said"),
    [
        ({}, ": no job ever comes: give a rate above 0 for some day"),
        ({"sat": 0}, ": no job ever comes: give a rate above 0 for some day"),
        ({"satt": 5}, ".satt: unknown key 'satt': did you mean 'sat'?"),
    ],
)
def test_rates_that_cannot_be(rates: Any, said: str) -> None:
    entry = {"name": "more", "routine": "plate-copy", "parameters": {"plates": ["a"]}, "per_hour": rates}
    assert problems(changed(arrivals=[*QUIET["arrivals"], entry])) == [f"arrivals.2.per_hour{said}"]


def test_a_factor_of_the_night_multiplies_every_rate() -> None:
    assert WEEK.times(2).of_day(0) == [("00:00", 0.0), ("18:00", 20.0), ("20:00", 52.0)]
    assert WEEK.times(2).of_day(5) == [("00:00", 10.0)]


def offered(**entry: Any) -> float:
    """Give the offered load of one worker from Friday 17:00 for 12 h, with jobs of half an hour."""
    settings = {
        "title": "Rates",
        "starts": "2026-06-12T17:00:00",
        "lasts": "12h",
        "queues": {"night": {}},
        "pools": {"dome": {"count": 1, "serves": ["night"]}},
        "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "30m"}]}},
        "arrivals": [{"routine": "copy", **entry}],
    }
    loaded = from_settings(settings)
    return offered_load(loaded.scenario, loaded.clock)["dome"]


@pytest.mark.parametrize(
    ("entry", "load"),
    [
        ({"per_hour": 2}, 1.0),
        # 10 an hour for 2 h, 26 for 4 h, 5 for 5 h of Saturday: 149 jobs in 12 h, half an hour each
        ({"per_hour": WEEK_SAID}, 149 / 12 / 2),
        # from 19:00 to 21:00: 10, then 26
        ({"per_hour": WEEK_SAID, "from": "19:00", "until": "21:00"}, 36 / 2 / 2),
        ({"per_hour": WEEK_SAID, "batch": 3}, 3 * 149 / 12 / 2),
        ({"per_hour": WEEK_SAID, "days": ["sat"]}, 25 / 12 / 2),
        ({"per_hour": {"mon": 5}}, 0.0),
        ({"per_hour": WEEK_SAID, "from": "+12h"}, 0.0),  # nothing is left of the run
    ],
)
def test_rates_by_the_clock_offer_their_mean_load(entry: dict[str, Any], load: float) -> None:
    """The mean of the jobs an hour from `from` to `until`, times the length of one."""
    assert offered(**entry) == pytest.approx(load)
