"""Formulas against published values and counting; what a scenario must be for each, and what is refused by name."""

import itertools
import math
from typing import Any

import pytest

from emulator.experiment.executors import replicate
from emulator.experiment.settings import setting_of
from emulator.measure.words import value
from emulator.outlook.closed_forms import (
    ClosedForm,
    chance_of_losses_in_a_row,
    detection_delay,
    drain_time,
    erlang_c,
    executed_with_restarts,
    figures_needed,
    formulas,
    mmc_wait,
    polled_wait,
)
from emulator.outlook.stations import NotValidError
from emulator.scenario.load import from_settings

NIGHT: dict[str, Any] = {
    "title": "Copies",
    "starts": "2026-06-12T21:30:00",
    "lasts": "10h",
    "queues": {"night": {"lease": "90s", "retry": {"attempts_in_all": 9}}},
    "pools": {"dome": {"count": 3, "serves": ["night"], "heartbeat": "22s"}},
    "routines": {
        "copy": {"queue": "night", "parts": [{"name": "copy", "takes": {"mean": "4m", "law": "exponential"}}]}
    },
    "arrivals": [{"name": "steady", "routine": "copy", "per_hour": 20.0, "until": "+9h"}],
}


def asked(**more: Any) -> dict[str, str]:
    """Give what each formula says, or why it is refused, by the first words of its name."""
    found = formulas(from_settings({**NIGHT, **more}), [])
    return {short(one): one.refused or value(one.value or 0.0, one.unit) for one in found}


def short(one: ClosedForm) -> str:
    return " ".join(one.name.replace(",", "").split()[:2])


def test_the_wait_of_one_server_is_the_published_one() -> None:
    """10 an hour, 5 minutes each: 25 minutes (Rossetti 2021, queueing appendix; looked up, in docs/checks.md)."""
    assert mmc_wait(1, 10 / 12, 5.0) == pytest.approx(25.0)


@pytest.mark.parametrize(("servers", "wait"), [(1, 9.0), (2, 4.26), (5, 1.53), (10, 0.67), (20, 0.27)])
def test_growing_pools_wait_less_at_the_same_load(servers: int, wait: float) -> None:
    """Utilisation 0.9, work of 1 (Adan and Resing, chapter 5; from memory, in docs/checks.md)."""
    assert mmc_wait(servers, 0.9 * servers, 1.0) == pytest.approx(wait, abs=0.006)


def test_constant_work_waits_half_as_long() -> None:
    """For one server the approximation is exact: Pollaczek and Khinchine's formula with cv2 = 0."""
    assert mmc_wait(1, 0.8, 1.0, 0.0) == pytest.approx(0.8 / (2 * 0.2))


def test_a_full_load_has_no_steady_state() -> None:
    """It is refused by name, as is a backlog that nobody drains."""
    with pytest.raises(NotValidError, match="a load of 3 on 3 workers has no steady state"):
        erlang_c(3, 3.0)
    with pytest.raises(NotValidError, match="the backlog never drains"):
        drain_time(10, 3, 3.0, 1.0)


def test_of_two_idle_workers_the_first_asks_after_a_third_of_the_interval() -> None:
    """With hardly any load both are idle: 30 s / 3, and no other wait."""
    assert polled_wait(2, 1e-9, 60.0, 1.0, 30.0) == pytest.approx(10.0)


def test_a_backlog_drains_with_what_is_to_spare() -> None:
    """40 wait, 4 are free and take one each; 36 go at 4 / 3 - 1 a minute: 108 minutes. Two are taken at once."""
    assert drain_time(40, 4, 3.0, 1.0) == pytest.approx(108.0)
    assert drain_time(2, 4, 3.0, 1.0) == 0.0


def test_a_lost_worker_is_noticed_after_the_lease_but_for_the_age_of_its_last_heartbeat() -> None:
    """90 - 20 / 2 = 80; with one heartbeat in ten lost 20 * 0.1 / 0.9 less."""
    assert detection_delay(90, 20, 0.0) == 80.0
    assert detection_delay(90, 20, 0.1) == pytest.approx(80 - 20 / 9)


@pytest.mark.parametrize("row", [1, 2, 3])
def test_losses_in_a_row_are_counted_over_all_outcomes(row: int) -> None:
    """Against every outcome of up to ten heartbeats, each with its probability."""
    for trials, lost in itertools.product(range(11), (0.1, 0.5)):
        whole = 0.0
        for outcome in itertools.product((0, 1), repeat=trials):
            if "1" * row in "".join(map(str, outcome)):
                whole += math.prod(lost if one else 1 - lost for one in outcome)
        assert chance_of_losses_in_a_row(trials, row, lost) == pytest.approx(whole, abs=1e-12)


def test_work_that_starts_over() -> None:
    """Two hours of work, a failure in four: 4 * (e^0.5 - 1) = 2.5949 hours (Duda; worked out by hand)."""
    assert executed_with_restarts(2, 0, 4) == pytest.approx(2.5949, abs=1e-4)


def test_a_plain_queue_allows_load_and_wait_and_refuses_the_rest_by_name() -> None:
    """20 an hour of 4 minutes: a load of 4/3 on 3 workers, so C = 0.1808 and a wait of 0.1808 * 4 / (5/3) min: 26 s."""
    assert asked() == {
        "offered load": "1.33",
        "wait in": "26 s",
        "wait with": "workers do not poll: they are handed work at once",
        "drain time": "an outage of the broker is not the one thing that goes wrong",
        "time until": "no worker stops",
        "leases lost": "no heartbeat is lost",
        "share of": "losses of power to the whole pool are not the one thing that goes wrong",
        "least makespan": "losses of power to the whole pool are not the one thing that goes wrong",
    }


@pytest.mark.parametrize(
    ("more", "form", "said"),
    [
        ({"arrivals": [{"routine": "copy", "per_hour": 45.0}]}, "wait in", "no steady state"),
        ({"arrivals": [{"routine": "copy", "per_hour": 40.0, "until": "+2h"}]}, "wait in", "relaxation times"),
        ({"arrivals": [{"routine": "copy", "every": "3m"}]}, "wait in", "no Poisson process"),
        ({"arrivals": [{"routine": "copy", "at": "22:00", "count": 9}]}, "offered load", "at one rate"),
        ({"arrivals": [{"routine": "copy", "per_hour": {"sat": 5}}]}, "offered load", "at one rate"),
        ({"pools": {"dome": {**NIGHT["pools"]["dome"], "poll": "10m"}}}, "wait with", "jobs come in one interval"),
        ({"pools": {"dome": {**NIGHT["pools"]["dome"], "poll": "10s"}}}, "wait in", "idle workers poll"),
        ({"pools": {**NIGHT["pools"], "spare": {"count": 1, "serves": ["night"]}}}, "wait in", "2 pools serve"),
        ({"faults": [{"freeze": "dome-1", "at": "22:00", "lasts": "5m"}]}, "wait in", "faults strike"),
        (
            {"faults": [{"freeze": "dome-1", "at": "22:00", "lasts": "5m", "share_of_nights": 0.5}]},
            "wait in",
            "in some nights alone",
        ),
        ({"faults": [{"freeze": "dome-1", "at": "22:00", "lasts": "5m"}]}, "time until", "at times that are stated"),
        (
            {"faults": [{"freeze": "dome", "gaps": "1h", "lasts": "20s"}]},
            "time until",
            "back before their lease is over",
        ),
        ({"queues": {"night": {"renewed": False, "lease": "2h"}}}, "leases lost", "leases are not renewed"),
        (
            {"arrivals": [*NIGHT["arrivals"], {"routine": "copy", "at": "22:00"}]},
            "offered load",
            "2 entries bring jobs",
        ),
        ({"pools": {"dome": {**NIGHT["pools"]["dome"], "joins": "22:00"}}}, "wait in", "are not on all night"),
        (
            {"queues": {"night": {}, "day": {}}, "pools": {"dome": {"count": 3, "serves": ["night", "day"]}}},
            "wait in",
            "dome serves other queues too",
        ),
        ({"faults": [{"surge": "steady", "factor": 2, "at": "22:00", "lasts": "5m"}]}, "drain time", "a surge changes"),
        (
            {
                "systems": {"archive": {}},
                "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "calls": "archive"}]}},
            },
            "offered load",
            "takes as long as a system or a trace says",
        ),
        (
            {
                "routines": {
                    "copy": {"queue": "night", "parts": [{"name": "copy", "takes": "4m", "error_share": 0.1}]},
                }
            },
            "offered load",
            "work fails and is repeated",
        ),
        (
            {"faults": [{"lose_heartbeats": "dome", "at": "+0s", "share": 0.1}], "queues": {"night": {"lease": "20s"}}},
            "leases lost",
            "no longer than the time between two heartbeats",
        ),
        (
            {"pools": {"dome": {**NIGHT["pools"]["dome"], "heartbeat_jitter": "5s", "link": {"loss_out": 0.1}}}},
            "leases lost",
            "do not come evenly",
        ),
        (
            {"pools": {"dome": {**NIGHT["pools"]["dome"], "link": {"loss_back": 0.1}}}},
            "time until",
            "messages are lost",
        ),
        ({"queues": {"night": {"capacity": 5}}}, "wait in", "limits what waits or runs"),
        (
            {"faults": [{"broker_outage": True, "at": "23:00", "lasts": "1m"}]},
            "drain time",
            "the outage is shorter than a job",
        ),
        (
            {"faults": [{"power_off": "dome", "gaps": "4h", "back_after": "5m"}]},
            "share of",
            "do not come at exponential gaps",
        ),
        (
            {"varies": {"pace": {"cv": 0.3}}, "arrivals": [{**NIGHT["arrivals"][0], "varies_with": "pace"}]},
            "wait in",
            "factors",
        ),
        ({"actions": [{"hold_queue": "night", "at": "22:00", "lasts": "5m"}]}, "wait in", "people or other jobs"),
        (
            {"faults": [{"lose_heartbeats": "dome", "at": "22:30", "share": 0.1}]},
            "leases lost",
            "at times, or of some workers alone",
        ),
        (
            {
                "queues": {"night": {"lease": "30s"}},
                "faults": [{"lose_heartbeats": "dome", "at": "+0s", "share": 0.3}],
                "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "1h"}]}},
            },
            "leases lost",
            "most attempts at long work lose their lease",
        ),
    ],
)
def test_outside_what_it_supposes_a_formula_is_refused_by_name(more: dict[str, Any], form: str, said: str) -> None:
    """What stands in the way is told, and no value is given."""
    assert said in asked(**more)[form]


@pytest.mark.slow
def test_formulas_agree_with_nights_that_are_played() -> None:
    """A queue of its own for each: within a tenth of the mean of 12 nights, or within its interval; none differs."""
    losses = [{"lose_heartbeats": "dome", "at": "+0s", "share": 0.1}]
    power = {"power_off": "dome", "gaps": {"mean": "2h", "law": "exponential"}, "back_after": "10m"}
    hour = {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "1h"}]}}
    at_once = [{"routine": "copy", "at": "22:00", "count": 12}]
    outage = [{"broker_outage": True, "at": "23:00", "lasts": "40m"}]
    minute = {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "2m"}]}}
    worlds: dict[str, dict[str, Any]] = {
        "plain": {},
        "polls": {"pools": {"dome": {**NIGHT["pools"]["dome"], "poll": "30s"}}},
        "loses heartbeats": {"faults": losses, "queues": {"night": {**NIGHT["queues"]["night"], "lease": "45s"}}},
        "loses power": {"faults": [power], "routines": hour, "arrivals": at_once, "lasts": "20h"},
        "broker down": {
            "broker": {"leases_during_outage": "extend"},
            "faults": outage,
            "routines": minute,
            "arrivals": [{"routine": "copy", "every": "1m"}],
        },
    }
    given: set[str] = set()
    for more in worlds.values():
        loaded = from_settings({**NIGHT, **more})
        setting = setting_of(loaded, "as written")
        played = [replicate(setting, seed, figures_needed(loaded.scenario)) for seed in range(1, 13)]
        found = [one for one in formulas(loaded, played) if one.agrees is not None]
        assert [(one.name, one.agrees) for one in found] == [(one.name, True) for one in found]
        given |= {short(one) for one in found}
    assert given == set(asked()), "every formula was held against something"
