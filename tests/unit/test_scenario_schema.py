"""What is made from the models: the JSON Schema, its shipped copy, the reference page, the resolved scenario."""

from copy import deepcopy
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from quiet_night import QUIET, RIGHT, changed, problems
from scenario_file import reference_page

from emulator.errors import ScenarioError
from emulator.scenario.fault_kinds import FAULT_KEYS, FAULT_NEEDS
from emulator.scenario.load import from_settings, load, load_text
from emulator.scenario.messages import keys_at, node_at, shape, shown, words
from emulator.scenario.schema import SHIPPED, schema, schema_text
from emulator.scenario.stated import resolved
from emulator.scenario.text import read

DOCS = Path(__file__).parents[2] / "docs"
VALIDATOR = jsonschema.Draft202012Validator(schema())


def accepted(data: dict[str, Any]) -> bool:
    return bool(VALIDATOR.is_valid(data))


def test_the_schema_is_a_schema() -> None:
    """The schema is valid JSON Schema of its dialect."""
    jsonschema.Draft202012Validator.check_schema(schema())
    assert schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def test_the_shipped_schema_is_fresh() -> None:
    """The copy that is shipped is what the models give (``python -m emulator.scenario.schema`` makes it anew)."""
    assert SHIPPED.read_text("utf-8") == schema_text()


def test_the_reference_page_is_fresh() -> None:
    """The reference page is what the models give (``python docs/make/scenario_file.py`` makes it anew)."""
    assert (DOCS / "reference-scenario.md").read_text("utf-8") == reference_page()


@pytest.mark.parametrize("name", ["quiet", "shown", "everything", "based"])
def test_right_files_fit_the_schema(name: str) -> None:
    """What loads fits the schema too."""
    assert list(VALIDATOR.iter_errors(read(RIGHT / f"{name}.yaml").data)) == []


@pytest.mark.parametrize(
    "change",
    [
        {"lasts": 5},
        {"lasts": "5"},
        {"lasts": "6hours"},
        {"last": "6h"},
        {"seed": -1},
        {"heartbeats": "computd"},
        {"queues": {}},
        {"queues": {"night.1": {}}},
        {"queues": {"night": {"leese": "90s"}}},
        {"queues": {"night": {"retry": {"attempts_in_all": 0}}}},
        {"queues": {"night": {"lease": {"value": "90s"}}}},
        {"queues": {"night": {"lease": {"value": "90s", "from": "hearsay"}}}},
        {"queues": {"night": {"lease": {"value": 90, "from": "guess"}}}},
        {"pools": {"dome": {"count": 3, "serves": "night"}}},
        {"faults": [{"power_off": "dome-1", "freeze": "dome-1", "at": "22:00"}]},
        {"faults": [{"at": "22:00"}]},
        {"faults": [{"power_off": 5, "at": "22:00"}]},
        {"faults": [{"power_off": "dome-1", "at": "25:00"}]},
        {"arrivals": [{"routine": "plate-copy"}]},
        {"must_hold": [{"measure": "makespan", "at_most": "3 hours"}]},
    ],
)
def test_the_schema_refuses(change: dict[str, Any]) -> None:
    """What a value cannot be is refused by the schema as by the models."""
    assert not accepted(changed(**change))
    assert problems(changed(**change))


def test_every_value_may_be_wrapped() -> None:
    """Wherever a value may stand, the wrapper that says its source may stand too: for schema and loader alike."""
    data = read(RIGHT / "everything.yaml").data
    for key in ("variants", "combine", "baseline", "questions"):
        del data[key]  # their values are free
    plain = from_settings(data, folder=RIGHT)
    wrapped = 0
    for depth in range(1, 10):
        copy = deepcopy(data)
        locs = [loc for loc in _values(data, ()) if len(loc) == depth]
        for loc in locs:
            inner: Any = copy
            for part in loc[:-1]:
                inner = inner[part]
            inner[loc[-1]] = {"value": inner[loc[-1]], "from": "agreed"}
        assert [error.json_path for error in VALIDATOR.iter_errors(copy)] == []
        loaded = from_settings(copy, folder=RIGHT)
        assert loaded.scenario == plain.scenario
        assert {".".join(map(str, loc)) for loc in locs} <= {
            path for path, told in loaded.provenance.items() if told.source == "agreed"
        }
        wrapped += len(locs)
    assert wrapped > 300


def _values(data: Any, loc: tuple[Any, ...]) -> list[tuple[Any, ...]]:
    """List the paths of all values but wrappers, what is in them, free parameters and mappings from names."""
    if isinstance(data, dict) and ("value" in data or "parameters" in loc):
        return []
    below = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    of_names = loc in [(), ("queues",), ("pools",), ("systems",), ("routines",), ("varies",)] or loc[-1] in (
        "per_worker",
        "parameters",
    )
    return ([] if of_names else [loc]) + [path for key, value in below for path in _values(value, (*loc, key))]


def test_every_key_says_what_it_is() -> None:
    """Each key of each model has a description that is a sentence, and a value that can be put in words."""
    for model, node in shape()["$defs"].items():
        for key, value in node["properties"].items():
            assert value["description"][-1] in ".)", (model, key)
            assert words(value) != "a value", (model, key)


def test_the_tables_of_kinds_name_real_keys() -> None:
    """The keys that belong to each kind of fault are keys of a fault."""
    known = set(shape()["$defs"]["Fault"]["properties"])
    assert {key for keys in FAULT_KEYS.values() for key in keys} <= known
    assert all(needed in FAULT_KEYS[kind] for kind, needed in FAULT_NEEDS.items())


@pytest.mark.parametrize(
    "path, said",
    [
        ("seed", "a whole number from 0 to 9223372036854775807"),
        ("title", "text of at most 200 characters"),
        ("zone", "text"),
        ("meant_to_miss", "true or false"),
        ("queues", "a mapping from names to mappings"),
        ("queues.night.lease", "a duration above 0 such as 90s, 1h30m, 500ms or PT30S"),
        ("queues.night.retry.pause", "none, constant, linear, exponential"),
        ("pools.dome.speed", "a number above 0, at most 1000"),
        ("pools.dome.serves", "a list with at least one entry, each a name"),
        ("pools.dome.power.days", "a list with at least one entry, each one of mon, tue, wed, thu, fri, sat, sun"),
        ("pools.dome.link.loss_out", "a number from 0 to 1"),
        ("pools.dome.clock.drift_ppm", "a number above -1e+06, at most 1e+06"),
        ("routines.plate-copy.parts", "a list with at least one entry, each a mapping"),
        ("routines.plate-copy.parameters", "a mapping from names to list, text, number"),
        ("routines.plate-copy.parts.0.takes.weights", "a list, each a number"),
        ("arrivals.0.parameters", "a mapping from names to values"),
        ("broker", "a mapping with keys such as leases_during_outage"),
    ],
)
def test_words_for_what_may_stand_there(path: str, said: str) -> None:
    """What may stand at a path is said in plain words, with its range."""
    assert words(node_at([int(part) if part.isdecimal() else part for part in path.split(".")])) == said


def test_words_for_the_unexpected() -> None:
    """A node that says nothing of itself is any value; a bound on one side is said alone."""
    assert (words({}), words({"type": "number", "exclusiveMinimum": 0}), words({"type": "integer", "minimum": 1})) == (
        "a value",
        "a number above 0",
        "a whole number, at least 1",
    )
    assert keys_at(("queues", "night", "lease")) == ()


@pytest.mark.parametrize(
    "value, said",
    [
        (None, "nothing"),
        (False, "false"),
        ({}, "an empty mapping"),
        ([1], "a list"),
        ("x" * 99, "'" + "x" * 56 + "..."),
    ],
)
def test_what_was_found_is_shown_in_short(value: Any, said: str) -> None:
    """What was found is shown on one line."""
    assert shown(value) == said


@pytest.mark.parametrize("name", ["quiet", "shown", "everything"])
def test_the_resolved_scenario_is_the_same(name: str) -> None:
    """A scenario with its defaults filled in loads again, and is equal, sources of values included."""
    loaded = load(RIGHT / f"{name}.yaml")
    again = load_text(resolved(loaded), folder=RIGHT)
    assert (again.scenario, again.provenance, again.variants) == (loaded.scenario, loaded.provenance, loaded.variants)
    assert resolved(again) == resolved(loaded)


def test_the_resolved_scenario_reads_well() -> None:
    """Defaults are there, times have the clock beside them, and keys that say nothing are not."""
    lines = resolved(load(RIGHT / "quiet.yaml")).splitlines()
    start = lines.index("arrivals:")
    assert lines[start : start + 10] == [
        "arrivals:",
        "- routine: plate-copy",
        "  name: nightly",
        "  count: 40",
        "  at: +30m  # 2026-06-12 22:00:00",
        "  parameters:",
        "    plates:",
        "    - a",
        "    - b",
        "- routine: plate-copy",
    ]
    assert "    heartbeat_jitter: 0s" in lines


def test_texts_that_look_like_something_else_stay_texts() -> None:
    """Names and texts that another reader would take for numbers, truth values or dates come back as texts."""
    odd = [
        "0o17",
        "1e3",
        "no",
        "null",
        "~",
        "22:40",
        "2026-03-29",
        "+5m",
        "- x",
        "a: b",
        "# c",
        "tab\tbed",
        "line\nend",
    ]
    plates = {"plates": [*odd, 7, 0.5]}
    settings = {**QUIET, "about": "\n".join(odd), "arrivals": [{**QUIET["arrivals"][0], "parameters": plates}]}
    settings["must_hold"] = []
    loaded = from_settings(settings)
    assert load_text(resolved(loaded)).scenario == loaded.scenario


def test_moments_before_the_start_come_back() -> None:
    """A grant from before the start is written as an instant, which no offset could tell."""
    access = [{"who": "dome", "to": "archive", "given": "2026-06-12T20:00:00.5"}]
    loaded = from_settings(changed(access=access))
    text = resolved(loaded)
    assert '  given: "2026-06-13T00:00:00.500000Z"' in text.splitlines()
    assert load_text(text).scenario == loaded.scenario


def test_the_reference_page_names_every_key() -> None:
    """No key of any model is missing from the reference page."""
    page = reference_page()
    keys = {key for node in shape()["$defs"].values() for key in node["properties"]}
    assert sorted(key for key in keys if f"| `{key}` |" not in page) == []


def test_a_wrong_resolved_scenario_would_be_told() -> None:
    """What the resolved scenario says is checked like any file: a change that breaks it is refused."""
    text = resolved(load(RIGHT / "quiet.yaml"))
    with pytest.raises(ScenarioError, match=r"queues\.night\.lease: found '0s'"):
        load_text(text.replace("lease: 1m30s", "lease: 0s"))
