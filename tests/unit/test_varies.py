"""Factors that differ from night to night: drawn once, the same under each variant, on everything that names them."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import emulator
from emulator.errors import ScenarioError
from emulator.scenario.load import Loaded, from_settings, load
from emulator.show.meta import factors_in_words
from emulator.world.draws import Draws
from emulator.world.tonight import factors_of, tonight

NIGHT: dict[str, Any] = {
    "title": "Plates in nights that differ",
    "starts": "2026-06-12T20:00:00",
    "lasts": "10h",
    "varies": {"demand": {"cv": 0.4}, "pace": {"cv": 0.2, "law": "gamma"}},
    "queues": {"night": {"lease": "60s"}},
    "pools": {"dome": {"count": 3, "serves": ["night"], "heartbeat": "20s"}},
    "routines": {
        "copy": {
            "queue": "night",
            "parts": [
                {"name": "read", "takes": {"between": ["4m", "8m"], "varies_with": "pace"}},
                {"name": "write", "takes": "1m", "error_share": 0.02, "errors_vary_with": "demand"},
            ],
        }
    },
    "arrivals": [
        {"routine": "copy", "per_hour": 12, "varies_with": "demand"},
        {"routine": "copy", "at": "+1h", "count": 20, "varies_with": "demand", "name": "batch"},
        {"routine": "copy", "at": "+2h", "count": 3, "name": "fixed"},
    ],
}
MINUTE = 60_000_000


def loaded(**changes: Any) -> Loaded:
    return from_settings({**NIGHT, **changes})


def test_a_factor_multiplies_what_names_it_and_nothing_else() -> None:
    scenario, factors = loaded(), factors_of(loaded(), Draws(7))
    got, said = tonight(scenario, Draws(7))
    assert said == factors
    assert set(said) == {"demand", "pace"}
    demand, pace = said["demand"], said["pace"]
    by_name = {it.label: it for it in got.scenario.arrivals}
    assert by_name["copy per_hour 12"].per_hour == pytest.approx(12 * demand)
    assert by_name["batch"].count == round(20 * demand)
    assert by_name["fixed"].count == 3
    read, write = got.scenario.routines["copy"].parts
    assert read.takes is not None
    assert write.takes is not None
    assert read.takes.between == (round(4 * MINUTE * pace), round(8 * MINUTE * pace))
    assert write.takes.constant == MINUTE
    assert write.error_share == pytest.approx(0.02 * demand)
    assert got.scenario.varies == {}


def test_the_factors_have_the_mean_and_deviation_that_they_were_given() -> None:
    """A lognormal and a gamma of mean 1: the deviation of 2,000 draws lies within a tenth of what was stated."""
    drawn = [factors_of(loaded(), Draws(seed)) for seed in range(2000)]
    for name, cv in (("demand", 0.4), ("pace", 0.2)):
        values = np.array([it[name] for it in drawn])
        assert values.mean() == pytest.approx(1, abs=4 * cv / 2000**0.5)
        assert values.std() == pytest.approx(cv, rel=0.1)
    assert abs(np.corrcoef([it["demand"] for it in drawn], [it["pace"] for it in drawn])[0, 1]) < 4 / 2000**0.5


def test_a_replication_draws_the_same_factors_under_each_variant() -> None:
    one = loaded(variants={"short lease": {"queues.night.lease": "50s"}})
    other = from_settings({**NIGHT, "queues": {"night": {"lease": "50s"}}, "arrivals": NIGHT["arrivals"][:1]})
    assert factors_of(one, Draws(3)) == factors_of(other, Draws(3)) != factors_of(one, Draws(4))


def test_nights_differ_by_their_factor_in_what_is_counted() -> None:
    for seed in (1, 2, 3):
        summary = emulator.run(NIGHT, seed=seed)
        factor = factors_of(loaded(), Draws(seed))["demand"]
        expected = 12 * 10 * factor + round(20 * factor) + 3
        assert abs((summary.figure("accepted").value or 0) - expected) < 4 * expected**0.5


def test_a_night_says_which_factors_were_drawn() -> None:
    """Its events, its summary, its page and its data say so, each with the value that the night was made with."""
    want = {name: round(times, 6) for name, times in factors_of(loaded(), Draws(5)).items()}
    night = emulator.run(NIGHT, seed=5)
    events = [event for event in night.events() if event.kind == "factor_drawn"]
    assert {event.details["factor"]: event.details["times"] for event in events} == want
    assert [event.cause for event in events] == [1] * len(want)
    said = factors_in_words(want)
    assert said.startswith("Drawn for this night: demand ")
    assert said in " ".join(night.summary().as_text().split())
    assert night.as_json()["factors"] == want
    assert said in night.page()


def test_a_night_without_factors_is_what_it_was() -> None:
    plain = from_settings(
        {**NIGHT, "varies": {}, "arrivals": [{"routine": "copy", "per_hour": 12}], "routines": ROUTINES}
    )
    same, none = tonight(plain, Draws(5))
    assert same is plain
    assert none == {}


ROUTINES = {"copy": {"queue": "night", "parts": [{"name": "read", "takes": "4m"}]}}


def test_all_factors_of_a_file_are_those_of_one_past_night(tmp_path: Path) -> None:
    (tmp_path / "nights.csv").write_text("date,demand,pace\n2026-05-01,0.5,2.0\n2026-05-03,1,\n2026-05-02,1.5,0.25\n")
    (tmp_path / "night.yaml").write_text(
        "title: t\nstarts: 2026-06-12T20:00:00\nlasts: 2h\n"
        "varies: {demand: {one_of_nights: nights.csv}, pace: {one_of_nights: nights.csv}}\n"
        "queues: {night: {lease: 60s}}\npools: {dome: {count: 1, serves: [night], heartbeat: 20s}}\n"
        "routines: {copy: {queue: night, parts: [{name: read, takes: {constant: 4m, varies_with: pace}}]}}\n"
        "arrivals: [{routine: copy, per_hour: 3, varies_with: demand}]\n"
    )
    found = load(tmp_path / "night.yaml")
    drawn = [tuple(factors_of(found, Draws(seed)).values()) for seed in range(60)]
    assert set(drawn) == {(0.5, 2.0), (1.5, 0.25)}
    assert 15 < drawn.count((0.5, 2.0)) < 45  # the night without a pace is never borrowed


def test_a_borrowed_night_may_tell_a_factor_of_one_routine_alone(tmp_path: Path) -> None:
    """Copying took 3 times as long in the one night, 4 minutes of work 12; counting as long as all else, 0.5 times."""
    (tmp_path / "nights.csv").write_text("date,pace,pace:copy,pace:gone\n2026-05-01,0.5,3,1\n2026-05-02,2,,\n")
    (tmp_path / "night.yaml").write_text(
        "title: t\nstarts: 2026-06-12T20:00:00\nlasts: 2h\nvaries: {pace: {one_of_nights: nights.csv}}\n"
        "queues: {night: {lease: 60s}}\npools: {dome: {count: 2, serves: [night], heartbeat: 20s}}\n"
        "routines:\n"
        "  copy: {queue: night, parts: [{name: read, takes: {constant: 4m, varies_with: pace}}]}\n"
        "  count: {queue: night, parts: [{name: look, takes: {constant: 4m, varies_with: pace}}]}\n"
        "arrivals: [{routine: copy, at: +0s}, {routine: count, at: +0s}]\n"
    )
    found = load(tmp_path / "night.yaml")
    drawn = {}
    for seed in range(20):
        night, factors = tonight(found, Draws(seed))
        takes = {name: routine.parts[0].law for name, routine in night.scenario.routines.items()}
        drawn[factors_in_words(factors)] = {name: law and (law.constant or 0) / MINUTE for name, law in takes.items()}
    assert drawn == {
        factors_in_words({"pace": 0.5, "pace:copy": 3.0}): {"copy": 12, "count": 2},
        factors_in_words({"pace": 2.0}): {"copy": 8, "count": 8},
    }


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            {"varies": {"demnd": {"cv": 0.4}, "pace": {"cv": 0.2}}},
            "no factor is called 'demand'",
        ),
        ({"varies": {**NIGHT["varies"], "spare": {"cv": 1}}}, "nothing varies with 'spare'"),
        ({"varies": {**NIGHT["varies"], "pace": {"mean": 2}}}, "drawn by its `cv` or from `one_of_nights`"),
        ({"varies": {**NIGHT["varies"], "pace": {"one_of_nights": "a.csv", "mean": 2}}}, "past nights have their own"),
        (
            {"arrivals": [{"routine": "copy", "every": "5m", "varies_with": "demand"}]},
            "does not belong to arrivals by `every`",
        ),
    ],
)
def test_wrong_factors_are_told(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(ScenarioError, match=said):
        loaded(**changes)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("", "holds no night"),
        ("date,pace\n1,2\n", "has no column 'demand', but date, pace"),
        ("date,demand\n1,-2\n", "nights.csv:2: demand is '-2'"),
        ("date,demand,demand:copy\n1,2,\n2,1,soon\n", "nights.csv:3: demand:copy is 'soon'"),
        ("date,demand,demand\n1,2,3\n", "nights.csv:1: column demand stands twice"),
        ("date,demand\n1\n", "nights.csv:2: cannot be read as a night: it has 1 cells, not 2"),
    ],
)
def test_a_wrong_file_of_nights_is_told(tmp_path: Path, rows: str, said: str) -> None:
    (tmp_path / "nights.csv").write_text(rows)
    settings = {**NIGHT, "varies": {"demand": {"one_of_nights": "nights.csv"}, "pace": {"cv": 0.2}}}
    with pytest.raises(ScenarioError, match=said):
        from_settings(settings, folder=tmp_path)
