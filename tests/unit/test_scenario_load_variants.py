"""Where values come from, and what they are under each variant."""

from datetime import date
from typing import Any

import pytest
from quiet_night import QUIET, RIGHT, changed, problems, quiet

from emulator.errors import ScenarioError
from emulator.scenario.load import from_settings, guessed_share, load, varied
from emulator.scenario.models import Distribution
from emulator.scenario.provenance import Provenance

SECOND = 1_000_000


def test_provenance_is_kept_by_path() -> None:
    """What wrappers say is kept by the dotted path of the value, also inside variants."""
    loaded = load(RIGHT / "everything.yaml")
    assert loaded.provenance == {
        "lasts": Provenance("agreed", date(2026, 5, 1)),
        "queues.night.lease": Provenance("measured", date(2026, 5, 1), 312),
        "queues.night.retry.attempts_in_all": Provenance("guess"),
        "pools.dome.link.loss_back": Provenance("guess"),
        "routines.plate-copy.parts.5.takes.constant": Provenance("guess"),
        "variants.other.pools.spare.power.off": Provenance("guess"),
    }
    assert guessed_share(loaded) == 4 / 6
    assert guessed_share(load(RIGHT / "quiet.yaml")) is None


def test_names_may_be_called_value() -> None:
    """A queue, a pool or a parameter may be called value, and is no wrapper then."""
    routine = {**QUIET["routines"]["plate-copy"], "parameters": {"plates": "list", "value": "text"}}
    arrivals = [{"routine": "plate-copy", "at": "22:00", "parameters": {"plates": ["a"], "value": "x"}}]
    loaded = from_settings(
        changed(
            queues={**QUIET["queues"], "value": {"lease": "90s"}},
            routines={"plate-copy": routine},
            arrivals=arrivals,
        )
    )
    assert (list(loaded.scenario.queues), loaded.scenario.arrivals[0].parameters) == (
        ["night", "value"],
        {"plates": ["a"], "value": "x"},
    )


@pytest.mark.parametrize(
    "wrapper, expected",
    [
        (
            {"value": {"value": "90s", "from": "guess"}, "from": "agreed"},
            ["queues.night.lease.value: this value says twice where it comes from: keep one"],
        ),
        (
            {"value": "90s", "from": 5},
            ["queues.night.lease.from: found 5: allowed are: measured, documented, agreed, estimated, guess"],
        ),
        (
            {"value": "90s", "from": "guess", "n": 0},
            ["queues.night.lease.n: found 0: a whole number of observations from 1 on is wanted"],
        ),
        (
            {"value": "90s", "from": "guess", "on": "May"},
            ["queues.night.lease.on: found 'May': a date such as 2026-05-01 is wanted"],
        ),
    ],
)
def test_wrong_wrappers_are_told(wrapper: dict[str, Any], expected: list[str]) -> None:
    """A wrapper says once, and in its own words, where a value comes from."""
    assert problems(changed(queues={"night": {"lease": wrapper}})) == expected


def test_variants_are_scenarios_of_their_own() -> None:
    """Each variant is the whole scenario with its values changed; the scenario itself is left as it was."""
    loaded = load(RIGHT / "shown.yaml")
    own = loaded.scenario
    retry = own.queues["night"].retry.model_copy(update={"first": 120 * SECOND})
    night = own.queues["night"].model_copy(update={"retry": retry})
    assert loaded.variants["patient"] == own.model_copy(update={"queues": {"night": night}, "variants": {}})
    assert loaded.variants["short-lease"].queues["night"].lease == 30 * SECOND
    assert own.queues["night"].lease == 90 * SECOND


def test_variants_reach_items_and_what_is_not_stated() -> None:
    """A path may count items, name an arrival entry, add keys that are not stated, and take a value back by null."""
    loaded = load(RIGHT / "everything.yaml")
    assert loaded.variants["patient"].faults[0].back_after == Distribution(constant=300 * SECOND)
    assert loaded.variants["patient"].arrivals[5].excludes == ()
    other = loaded.variants["other"]
    assert other.lasts == 86_400 * SECOND
    assert other.pools["spare"].power is not None and other.pools["spare"].power.off == "23:00"
    assert other.queues["day"].retry.allowance is not None and other.queues["day"].retry.allowance.holds == 3
    none = varied(loaded, {"queues.night.time_limit": None, "faults": []})
    assert (none.scenario.queues["night"].time_limit, none.scenario.faults) == (None, ())


def test_variants_reach_the_values_of_parameters() -> None:
    """A path may name one parameter of an arrival entry, stated or not; one that the routine lacks is told."""
    scenario = changed(
        routines={"plate-copy": {**QUIET["routines"]["plate-copy"], "parameters": {"plates": "list", "shelf": "text"}}},
        arrivals=[{"routine": "plate-copy", "name": "copies", "at": "22:00", "parameters": {"plates": ["a"]}}],
    )
    of = "arrivals.copies.parameters"
    loaded = from_settings({**scenario, "variants": {"more": {f"{of}.plates": ["a", "b"], f"{of}.shelf": "low"}}})
    assert loaded.variants["more"].arrivals[0].parameters == {"plates": ["a", "b"], "shelf": "low"}
    [told] = problems({**scenario, "variants": {"more": {f"{of}.plate": ["a", "b"]}}})
    assert told.startswith(f"variants.more.{of}.plate: ")


def test_lists_that_are_not_stated_can_be_counted_but_not_filled() -> None:
    """An item of a list that is not there is told, with how many there are."""
    with pytest.raises(ScenarioError) as caught:
        varied(load(RIGHT / "quiet.yaml"), {"faults.0.at": "23:00"}, "later")
    assert str(caught.value) == "later: faults.0.at: faults has 0 items, counted from 0, and none is called '0'"


@pytest.mark.parametrize(
    "path, message",
    [
        ("variants.patient", "there is no 'variants' in the scenario: did you mean 'arrivals'?"),
        ("queus.night.lease", "there is no 'queus' in the scenario: did you mean 'queues'?"),
        ("pools.dome.per_worker.dome-1.speed", "there is no 'dome-1' in pools.dome.per_worker: it is empty"),
    ],
)
def test_paths_that_lead_nowhere_are_told(path: str, message: str) -> None:
    """A path must lead to a key of the format, and to names that are there."""
    with pytest.raises(ScenarioError) as caught:
        varied(load(RIGHT / "quiet.yaml"), {path: 1})
    assert str(caught.value) == f"variant: {path}: {message}"


def test_a_wrong_variant_is_told_where_it_is_written() -> None:
    """What a variant breaks elsewhere is told at the variant's own path; an empty variant breaks nothing."""
    assert problems(changed(variants={"none": {}, "day": {"routines.plate-copy.queue": "day"}})) == [
        "variants.day.routines.plate-copy.queue: no queue is called 'day': allowed are: night"
    ]


def test_changes_that_do_not_fit_are_told_in_python() -> None:
    """Changing a loaded scenario in Python is held to the same rules as a file."""
    with pytest.raises(ScenarioError) as caught:
        quiet(queues__night__lease="soon")
    assert [problem.message for problem in caught.value.problems] == [
        "'soon' is not a duration: write 90s, 1h30m, 500ms or PT30S"
    ]


def test_combinations_are_variants_named_by_their_values() -> None:
    """Every combination of the lists is a variant, save the one that the scenario is as it stands."""
    loaded = load(RIGHT / "everything.yaml")
    made = {name: patch for name, patch in loaded.patches.items() if name not in ("patient", "other")}
    lease, count = "queues.night.lease", "pools.spare.count"
    assert made == {
        "lease 30s + count 1": {lease: "30s", count: 1},
        "lease 30s + count 2": {lease: "30s", count: 2},
        "lease 90s + count 2": {lease: "90s", count: 2},
    }
    assert loaded.variants["lease 30s + count 2"].queues["night"].lease == 30 * SECOND
    assert loaded.scenario.baseline == "patient"


def test_paths_that_end_alike_are_told_apart() -> None:
    """The shortest end of a path that no other has names the value; mappings and lists are told by their values."""
    loaded = from_settings(
        changed(
            combine={
                "queues.night.lease": ["2m"],
                "routines.plate-copy.requires": [["tape"], []],
                "pools.dome.heartbeat": ["20s", "40s"],
                "queues.night.retry": [{}, {"attempts_in_all": 2}],
            }
        )
    )
    assert "lease 2m + requires (tape) + heartbeat 40s + retry (attempts_in_all 2)" in loaded.variants
