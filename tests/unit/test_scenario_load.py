"""Loading a scenario: what comes out of it, from where, and how fast."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from bench.counts import count
from call_counts import calls_of
from quiet_night import QUIET, RIGHT, changed, problems

from emulator.errors import Problem, ScenarioError
from emulator.scenario import models
from emulator.scenario.load import from_settings, load, load_text
from emulator.scenario.messages import shape
from emulator.scenario.models import Arrival, Distribution, Queue, Retry
from emulator.scenario.stated import resolved
from emulator.scenario.text import read
from emulator.scenario.values import Model

SECOND = 1_000_000


@pytest.mark.parametrize("name", ["quiet", "shown", "everything", "based"])
def test_right_files_load(name: str) -> None:
    """What the docs show, and a file with every key, load."""
    loaded = load(RIGHT / f"{name}.yaml")
    assert (loaded.name, loaded.path, loaded.folder) == (str(loaded.path), RIGHT / f"{name}.yaml", RIGHT)
    assert loaded.text == (RIGHT / f"{name}.yaml").read_text("utf-8")


def test_values_become_what_the_models_hold() -> None:
    """Durations and moments are ticks, moments by the scenario's own clock; defaults are filled in."""
    scenario = load(RIGHT / "quiet.yaml").scenario
    assert scenario.queues["night"] == Queue(
        lease=90 * SECOND, retry=Retry(attempts_in_all=4, pause="constant", first=20 * SECOND)
    )
    assert scenario.arrivals[0] == Arrival(
        name="nightly", routine="plate-copy", count=40, at=1800 * SECOND, parameters={"plates": ["a", "b"]}
    )
    assert scenario.routines["plate-copy"].parts[0].takes == Distribution(constant=240 * SECOND)


def test_the_clock_comes_with_the_scenario() -> None:
    """What is loaded brings its clock: the start in its zone."""
    clock = load(RIGHT / "shown.yaml").clock
    assert (clock.starts, clock.zone) == (datetime(2026, 6, 12, 21, 30), "America/Santiago")  # noqa: DTZ001 - local


def test_text_settings_and_file_are_the_same() -> None:
    """A file, its text, and the same settings made in Python give equal scenarios."""
    file = load(RIGHT / "quiet.yaml")
    text = load_text(file.text, "night", folder=RIGHT)
    settings = from_settings(QUIET, folder=RIGHT)
    assert file.scenario == text.scenario == settings.scenario
    assert (text.name, settings.name, settings.text) == ("night", "settings", "")


def test_every_key_is_used_by_the_full_example() -> None:
    """The file with everything really uses every key of every model, so that the other tests see them all."""
    used: set[str] = set()

    def collect(value: Any) -> None:
        if isinstance(value, dict):
            used.update(value)
            for inner in value.values():
                collect(inner)
        elif isinstance(value, list):
            for inner in value:
                collect(inner)

    collect(read(RIGHT / "everything.yaml").data)
    known = {(model, key) for model, node in shape()["$defs"].items() for key in node["properties"]}
    assert sorted((model, key) for model, key in known if key not in used) == []


def test_durations_in_python_may_be_timedelta() -> None:
    """Settings in Python may hold timedelta for durations and a datetime for the start."""
    loaded = from_settings(changed(starts=datetime(2026, 6, 12, 21, 30), lasts=timedelta(hours=6)))  # noqa: DTZ001
    assert loaded.scenario == load(RIGHT / "quiet.yaml").scenario


@pytest.mark.parametrize(
    "value, what",
    [
        (object(), "a value of type object"),
        ({1, 2}, "a value of type set"),
        (float("nan"), "nan"),
        (float("-inf"), "-inf"),
        ("bell\a", "'bell\\x07'"),
    ],
)
def test_settings_that_are_no_plain_data_are_refused(value: Any, what: str) -> None:
    """What no file could hold is refused at its path, not passed on."""
    with pytest.raises(ScenarioError) as caught:
        from_settings(changed(arrivals=[{"parameters": value}]))
    message = f"found {what}: mappings, lists, texts, finite numbers, durations and dates are wanted"
    assert caught.value.problems == (Problem("settings", 0, 0, "arrivals.0.parameters", message),)


def test_numbers_of_settings_are_taken_as_those_of_files_are() -> None:
    """A number in Python is right where the same number in a file is: finite, a whole one of at most 30 digits."""
    law = {"one_of": ["1m", "2m"], "weights": [1e308, 10**30 - 1]}
    routines = {"plate-copy": {**QUIET["routines"]["plate-copy"], "parts": [{"name": "a", "takes": law}]}}
    loaded = from_settings(changed(routines=routines))
    assert loaded.scenario.routines["plate-copy"].parts[0].takes.weights == (1e308, 1e30)
    assert load_text(resolved(loaded)).scenario == loaded.scenario
    law["weights"] = [1, -(10**5000)]
    assert problems(changed(routines=routines)) == [
        "routines.plate-copy.parts.0.takes.weights.1: found a number of more than 30 digits: at most 30 are taken"
    ]


def test_settings_that_hold_themselves_are_refused() -> None:
    """A mapping that holds itself is refused, without end or traceback."""
    settings: dict[str, Any] = {}
    settings["queues"] = settings
    with pytest.raises(ScenarioError, match="found a value of type dict"):
        from_settings(settings)


def test_settings_have_no_places() -> None:
    """A mistake in settings names the path, and no line."""
    with pytest.raises(ScenarioError) as caught:
        from_settings(changed(lasts="6 hours"))
    assert (
        str(caught.value)
        == "settings: wrong-value: lasts: '6 hours' is not a duration: write 90s, 1h30m, 500ms or PT30S"
    )
    assert from_settings(QUIET).place("lasts") == "settings"


def test_a_file_that_is_not_there_is_told() -> None:
    """A missing file is a scenario error that says so."""
    with pytest.raises(ScenarioError, match=r"^nowhere.yaml: unreadable: cannot be read: No such file or directory$"):
        load("nowhere.yaml")


def test_places_of_values() -> None:
    """The place of a value is given by its path, wrappers or not; the nearest one for what is not written."""
    loaded = load(RIGHT / "everything.yaml")
    file = str(RIGHT / "everything.yaml")
    assert loaded.place("queues.night.lease") == f"{file}:15:20"  # the value inside its wrapper
    assert loaded.place(("faults", 2, "freeze", 1)) == f"{file}:169:41"
    assert loaded.place("faults.2.freeze.1") == f"{file}:169:41"
    assert loaded.place("pools.spare.heartbeat") == loaded.place("pools.spare") == f"{file}:77:10"


def test_no_more_than_a_hundred_mistakes_are_told() -> None:
    """Of very many mistakes a hundred are told, and how many more there are."""
    queue = dict.fromkeys((f"wrong{number}" for number in range(150)), 1)
    found = problems(changed(queues={"night": queue}))
    assert (len(found), found[-1]) == (101, ": and 50 more mistakes")


def test_of_the_mistakes_of_many_places_the_first_in_the_file_are_told() -> None:
    """However many unknown keys one mapping has, each mistake counts, and those are told that stand first."""
    keys = "".join(f"  wrong{number}: 1\n" for number in range(150))
    text = f"lests: 6h\nqueues:\n night:\n{keys}lasts: soon\n"
    with pytest.raises(ScenarioError) as caught:
        load_text(text)
    told = caught.value.problems
    assert sorted((it.line, it.path) for it in told[:6]) == [
        *((1, missing) for missing in ("arrivals", "lests", "pools", "routines", "starts", "title"))
    ]
    assert (len(told), told[99].path, told[100].message) == (101, "queues.night.wrong93", "and 57 more mistakes")


def instructions(keys: int) -> int:
    """Count the instructions that it takes to tell so many unknown keys of a scenario file."""
    text = (RIGHT / "quiet.yaml").read_text("utf-8") + "".join(f"k{number}: 1\n" for number in range(keys))

    def look() -> None:
        with pytest.raises(ScenarioError) as caught:
            load_text(text)
        assert caught.value.problems[-1].message == f"and {keys - 100} more mistakes"

    return count(look)


@pytest.mark.slow
def test_unknown_keys_cost_linear_time() -> None:
    """An unknown key beyond those that are told costs at most 450 instructions, however many there are.

    So 150,000 of them take less than 2 s where 35 million instructions a second are executed.
    """
    instructions(200)  # what is imported when it is first used
    few, some, many = map(instructions, (500, 1000, 2000))
    assert (some - few) / 500 == pytest.approx((many - some) / 1000, rel=0.02)
    assert (many - some) / 1000 < 450


def test_wrong_start_does_not_hide_other_mistakes() -> None:
    """With a start that cannot be read, the times in the file are still looked at, and none is blamed for it."""
    assert problems(changed(starts="soon", lasts="6 hours")) == [
        "starts: found 'soon': a local time such as 2026-06-12T21:30:00 is wanted",
        "lasts: '6 hours' is not a duration: write 90s, 1h30m, 500ms or PT30S",
    ]


@pytest.mark.parametrize(
    "starts, message",
    [
        ("2026-06-12T21:30:00Z", "the start 2026-06-12T21:30:00+00:00 has an offset: leave it out, the zone tells it"),
        ("1850-01-01", "the start 1850-01-01T00:00:00 is out of range: years run from 1900 to 9000"),
        (5, "found 5: text is wanted"),
        ("20260612T213000", "found '20260612T213000': a local time such as 2026-06-12T21:30:00 is wanted"),
        ("2026-02-30", "found '2026-02-30': a local time such as 2026-06-12T21:30:00 is wanted"),
    ],
)
def test_starts_is_a_local_time(starts: Any, message: str) -> None:
    """A start with an offset, out of range, or in another form is refused; date alone and seconds are optional."""
    assert problems(changed(starts=starts)) == [f"starts: {message}"]
    assert from_settings(changed(starts="2026-06-12 21:30")).clock.starts == datetime(2026, 6, 12, 21, 30)  # noqa: DTZ001


def test_a_zone_cannot_lead_into_the_file_system() -> None:
    """A zone that is a path is refused like any other unknown zone."""
    assert problems(changed(zone="../../etc/passwd"))[0].startswith(
        "zone: '../../etc/passwd' is no time zone: write an area"
    )
    assert problems(changed(zone=5)) == ["zone: found 5: text is wanted"]


def test_moments_need_a_clock() -> None:
    """Models without a clock read offsets only, and say so."""
    arrival = {"routine": "plate-copy", "at": "+2h"}
    assert Arrival.model_validate(arrival).at == 7200 * SECOND
    with pytest.raises(ValueError, match="a clock time needs the scenario's `starts` and `zone`"):
        Arrival.model_validate({"routine": "plate-copy", "at": "22:00"})


def test_moments_more_than_a_century_away_are_refused() -> None:
    """No moment lies more than a century from the start, before it or after it."""
    access = [{"who": "dome", "to": "archive", "given": "1900-01-01T00:00:00"}]
    assert problems(changed(access=access)) == ["access.0.given: this lies more than 100 years from the start"]


def test_models_say_their_mistakes_to_python_too() -> None:
    """A model that is made in Python refuses what does not fit together, in the words that a file gets."""
    with pytest.raises(ValueError, match="first: a pause that is linear needs `first`, the first pause, above 0"):
        Retry(pause="linear")
    with pytest.raises(ValueError, match="when do they come"):
        Arrival(routine="plate-copy")


@pytest.mark.parametrize(
    "arrival, label",
    [
        (Arrival(routine="plate-copy", name="nightly", at=0), "nightly"),
        (Arrival(routine="plate-copy", at=0), "plate-copy at 0s"),
        (Arrival(routine="plate-copy", per_hour=0.5), "plate-copy per_hour 0.5"),
        (Arrival(routine="plate-copy", every=90 * SECOND), "plate-copy every 1m30s"),
        (Arrival(routine="plate-copy", recurs="0 23 * * *"), "plate-copy recurs 0 23 * * *"),
        (Arrival(routine="plate-copy", trace="a.csv"), "plate-copy trace a.csv"),
        (
            Arrival(routine="plate-copy", gaps=Distribution(between=(SECOND, 2 * SECOND))),
            'plate-copy gaps {"between":["1s","2s"]}',
        ),
    ],
)
def test_an_entry_without_a_name_is_called_by_what_it_is(arrival: Arrival, label: str) -> None:
    """An arrival entry without a name is called by its routine and its way of arriving, not by its place."""
    assert arrival.label == label


def test_unnamed_entries_can_be_referred_to() -> None:
    """What an entry without a name is called can be used wherever an entry is named."""
    arrivals = [{"routine": "plate-copy", "at": "22:00", "count": 3, "parameters": {"plates": ["a"]}}]
    loaded = from_settings(changed(arrivals=arrivals, faults=[{"poison_job": "plate-copy at 30m#3"}]))
    assert loaded.scenario.faults[0].poison_job == "plate-copy at 30m#3"
    assert problems(changed(arrivals=arrivals, faults=[{"poison_job": "plate-copy at 30m#4"}])) == [
        "faults.0.poison_job: 'plate-copy at 30m' has 3 jobs, and none with the number 4"
    ]


def test_a_small_file_loads_at_once() -> None:
    """The example of the docs is loaded in some 20,000 calls (about 10 ms on a quiet machine)."""
    load(RIGHT / "shown.yaml")
    assert calls_of(lambda: load(RIGHT / "shown.yaml")) < 40_000


def test_defaults_are_what_the_models_take() -> None:
    """A default that is a part of a scenario itself is one that validation would give."""
    defaults = {
        f"{model.__name__}.{name}": field.default
        for model in vars(models).values()
        if isinstance(model, type) and issubclass(model, Model)
        for name, field in model.model_fields.items()
        if isinstance(field.default, Model)
    }
    assert len(defaults) >= 10
    for name, default in defaults.items():
        given = {key: getattr(default, key) for key in default.model_fields_set}
        taken = type(default)(**given)
        assert (taken, taken.model_fields_set) == (default, default.model_fields_set), name
        assert taken.__dict__ == default.__dict__


def test_loaded_scenarios_compare_by_what_they_say() -> None:
    """Loading the same file twice gives equal results, another file another one."""
    first = load(RIGHT / "quiet.yaml")
    assert (first == load(RIGHT / "quiet.yaml"), first == load(RIGHT / "everything.yaml")) == (True, False)
