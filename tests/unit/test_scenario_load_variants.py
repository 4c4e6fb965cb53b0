"""Where values come from, and what they are under each variant."""

import re
from datetime import date
from typing import Any

import pytest
from quiet_night import QUIET, RIGHT, changed, problems, quiet

from emulator.errors import ScenarioError
from emulator.scenario.load import Loaded, from_settings, load, varied
from emulator.scenario.messages import Provenance, rewrap, unwrap
from emulator.scenario.models import Distribution

SECOND = 1_000_000


def test_provenance_is_kept_by_path() -> None:
    """What wrappers say is kept by the dotted path of the value, also inside variants."""
    loaded = load(RIGHT / "everything.yaml")
    assert {re.sub(r"parts\.\d+", "parts.N", path): told for path, told in loaded.provenance.items()} == {
        "lasts": Provenance("agreed", date(2026, 5, 1)),
        "queues.night.lease": Provenance("measured", date(2026, 5, 1), 312),
        "queues.night.retry.attempts_in_all": Provenance("guess", None, None, (3, 8), "nobody counted", "sha256:0f"),
        "pools.dome.link.loss_back": Provenance("guess"),
        "credentials.0.ends": Provenance("documented"),
        "growth.0.by": Provenance("measured", date(2026, 5, 1)),
        "routines.plate-copy.parts.N.takes.constant": Provenance("guess"),
        "variants.other.pools.spare.power.off": Provenance("guess"),
    }


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
        (
            {"value": "90s", "from": "guess", "plausible": ["30s"]},
            ["queues.night.lease.plausible: found a list: two ends such as [30s, 5m] are wanted"],
        ),
        (
            {"value": "90s", "from": "guess", "why": 3, "history": 4},
            [
                "queues.night.lease.why: found 3: a text is wanted",
                "queues.night.lease.history: found 4: a text is wanted",
            ],
        ),
    ],
)
def test_wrong_wrappers_are_told(wrapper: dict[str, Any], expected: list[str]) -> None:
    """A wrapper says once, and in its own words, where a value comes from."""
    assert problems(changed(queues={"night": {"lease": wrapper}})) == expected


def test_a_wrapper_is_written_as_it_was_read() -> None:
    """All that a wrapper says stands in it again after the program has written it."""
    told = {"from": "guess", "on": "2026-05-01", "n": 3, "plausible": ["5h", "8h"], "why": "no log", "history": "ab"}
    wrapped = {"lasts": {"value": "6h", **told}}
    data, said, wrong = unwrap(wrapped)
    assert (rewrap(data, said), wrong) == (wrapped, [])


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
    assert (
        str(caught.value)
        == "later: unknown-key: faults.0.at: faults has 0 items, counted from 0, and none is called '0'"
    )


@pytest.mark.parametrize(
    "path, message",
    [
        ("variants.patient", "there is no 'variants' in the scenario: did you mean 'varies'?"),
        ("queus.night.lease", "there is no 'queus' in the scenario: did you mean 'queues'?"),
        ("pools.dome.per_worker.dome-1.speed", "there is no 'dome-1' in pools.dome.per_worker: it is empty"),
    ],
)
def test_paths_that_lead_nowhere_are_told(path: str, message: str) -> None:
    """A path must lead to a key of the format, and to names that are there."""
    with pytest.raises(ScenarioError) as caught:
        varied(load(RIGHT / "quiet.yaml"), {path: 1})
    assert str(caught.value) == f"variant: unknown-key: {path}: {message}"


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
    made = {name: patch for name, patch in loaded.patches.items() if name not in ("patient", "other", "later")}
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


FAULTS = [
    {"name": "blackout", "power_off": "dome-1", "at": "23:00"},
    {"freeze": "dome-1", "at": "23:30", "lasts": "1m"},
    {"name": "cut", "cut_link": "dome", "at": "00:00", "lasts": "2m"},
]


def kinds_and_times(loaded: Loaded, variant: str) -> list[tuple[str, int]]:
    """Give what goes wrong under a variant: what each fault is, and when in minutes after the start at 21:30."""
    faults = loaded.variants[variant].faults
    return [
        ("power_off" if it.power_off else "freeze" if it.freeze else "cut_link", (it.at or 0) // (60 * SECOND))
        for it in faults
    ]


def test_a_variant_adds_to_a_list_and_takes_away() -> None:
    """What is removed goes by its name, or by its number; what is added comes last, and the rest stays as it was."""
    loaded = from_settings(
        changed(
            faults=FAULTS,
            variants={
                "no blackout": {"faults": {"remove": ["blackout"]}},
                "two": {"faults": {"add": [{"freeze": "dome-1", "at": "01:00", "lasts": "1m"}], "remove": ["cut", 1]}},
                "words": {"pools.dome.equipped_with": {"add": ["lamp"]}},
            },
        )
    )
    assert kinds_and_times(loaded, "no blackout") == [("freeze", 120), ("cut_link", 150)]
    assert kinds_and_times(loaded, "two") == [("power_off", 90), ("freeze", 210)]
    before = loaded.scenario.pools["dome"].equipped_with
    assert loaded.variants["words"].pools["dome"].equipped_with == (*before, "lamp")
    assert [fault.name for fault in loaded.scenario.faults] == ["blackout", None, "cut"]


@pytest.mark.parametrize(
    "key, item, path, value",
    [
        ("faults", {"name": "dark", "power_off": "dome-1", "at": "23:00"}, "at", "23:30"),
        ("actions", {"name": "dark", "drain": "dome-1", "at": "23:00"}, "at", "23:30"),
        ("access", {"name": "dark", "who": "dome", "to": "archive", "given": "23:00"}, "given", "23:30"),
        ("credentials", {"name": "dark", "who": "dome", "to": "archive", "life": "1h"}, "life", "2h"),
        ("must_hold", {"name": "dark", "measure": "makespan", "at_most": "3h"}, "at_most", "4h"),
        ("also_true", {"name": "dark", "measure": "makespan", "at_most": "3h"}, "at_most", "4h"),
        (
            "arrivals",
            {"name": "dark", "routine": "plate-copy", "at": "23:00", "parameters": {"plates": ["a"]}},
            "at",
            "23:30",
        ),
    ],
)
def test_items_of_every_list_go_by_their_names(key: str, item: dict[str, Any], path: str, value: str) -> None:
    """A path names an item, and two items of one list cannot have one name."""
    base = changed(systems={"archive": {"slots": 1, "answers_in": "1s"}})
    items = [*base.get(key, ()), item]
    loaded = from_settings({**base, key: items, "variants": {"other": {f"{key}.dark.{path}": value}}})
    stated = from_settings({**base, key: [*items[:-1], {**item, path: value}]})
    assert loaded.variants["other"] == stated.scenario
    twice = problems({**base, key: [*items, item]})
    assert [told for told in twice if "give" in told and "another" in told] == twice != []


def test_a_name_goes_before_a_number() -> None:
    """An item that is called 1 is meant by 1, wherever it stands."""
    faults = [{**FAULTS[0], "name": "1"}, FAULTS[1]]
    loaded = from_settings(changed(faults=faults, variants={"later": {"faults.1.at": "23:59"}}))
    assert kinds_and_times(loaded, "later") == [("power_off", 149), ("freeze", 120)]


def test_null_takes_a_value_back_to_its_default() -> None:
    """Null takes back what is stated, whatever the default is; what is not stated is at its default already."""
    loaded = from_settings(
        changed(
            queues={"night": {"lease": "7m", "retry": {"attempts_in_all": 5, "pause": "linear", "first": "9s"}}},
            variants={
                "default": {
                    "queues.night.retry.pause": None,
                    "queues.night.retry.first": None,
                    "queues.night.lease": None,
                    "seed": None,
                }
            },
        )
    )
    plain = from_settings(changed(queues={"night": {"retry": {"attempts_in_all": 5}}}))
    assert loaded.variants["default"].queues == plain.scenario.queues
    assert loaded.variants["default"].seed == 1
    gone = varied(loaded, {"queues.night.retry.allowance.holds": None, "must_hold": None})
    assert (gone.scenario.queues["night"].retry.allowance, gone.scenario.must_hold) == (None, ())


def test_a_variant_is_based_on_another() -> None:
    """The changes of the other come first, in whichever order the two are written, and over several steps."""
    loaded = from_settings(
        changed(
            faults=FAULTS,
            variants={
                "third": {"based_on": "second", "faults.cut.at": "02:00", "faults": {"remove": ["late"]}},
                "second": {
                    "based_on": "first",
                    "queues.night.lease": "3m",
                    "faults": {"add": [{"name": "late", "freeze": "dome-1", "at": "03:00", "lasts": "1m"}]},
                },
                "first": {"queues.night.lease": "2m", "faults": {"remove": ["blackout"]}, "faults.0.at": "22:30"},
            },
        )
    )
    assert list(loaded.variants) == ["third", "second", "first"]
    assert kinds_and_times(loaded, "second") == [("freeze", 60), ("cut_link", 150), ("freeze", 330)]
    assert kinds_and_times(loaded, "third") == [("freeze", 60), ("cut_link", 270)]
    assert {name: it.queues["night"].lease // SECOND for name, it in loaded.variants.items()} == {
        "third": 180,
        "second": 180,
        "first": 120,
    }


def test_the_patch_of_a_variant_has_all_that_it_changes() -> None:
    """Applied by itself, the patch of a variant that is based on another makes the same scenario."""
    loaded = load(RIGHT / "everything.yaml")
    assert "based_on" not in loaded.patches["later"]
    for name, scenario in loaded.variants.items():
        assert varied(loaded, loaded.patches[name]).scenario == scenario
    [asked] = loaded.questions
    assert asked.ask == "What if the spare pool is dark from five on?"
    assert varied(loaded, asked.patch).scenario == asked.scenario
    assert asked.scenario.queues == loaded.variants["patient"].queues
    assert asked.scenario.faults[:-1] == loaded.variants["patient"].faults


def _told(**parts: Any) -> list[str]:
    return problems(changed(faults=FAULTS, **parts))


@pytest.mark.parametrize(
    "patch, message",
    [
        (
            {"faults": {"remove": ["blackuot"]}},
            "faults.remove.0: faults has 3 items, and none is called 'blackuot': did you mean 'blackout'?",
        ),
        (
            {"faults": {"remove": [3]}},
            "faults.remove.0: faults has 3 items, and none is called 3: allowed are: blackout, cut",
        ),
        ({"faults": {"remove": "cut"}}, "faults.remove: found 'cut': a list is wanted"),
        (
            {"faults": {"adds": []}},
            "faults: found a mapping: a list is wanted, or a mapping with `add`, `remove` or both",
        ),
        (
            {"faults": {"add": [{"freeze": "dome-9", "at": "23:00", "lasts": "1m"}]}},
            "faults.add.0.freeze: there is no worker 'dome-9': workers of 'dome' are called dome-1 to dome-3",
        ),
        (
            {"faults": {"add": [{"name": "cut", "freeze": "dome-1", "at": "23:00", "lasts": "1m"}]}},
            "faults.add.0.name: faults.2 is called 'cut' already: give this another name",
        ),
        ({"faults.cut": None}, "faults.cut: an item of a list has no default: to take it out, write {remove: [cut]}"),
        ({"lasts": None}, "lasts: `lasts` is missing: How long it lasts; what is unfinished then is shown as such."),
        ({"faults.gone.at": "23:00"}, "faults.gone.at: faults has 3 items, counted from 0, and none is called 'gone'"),
        ({"based_on": "othr"}, "based_on: there is no variant 'othr' to be based on: did you mean 'other'?"),
        ({"based_on": ["other"]}, "based_on: found a list: the name of a variant is wanted"),
        ({"based_on": "one"}, "based_on: variants would be based on themselves: 'one' on 'one'"),
        (
            {"based_on": "other", "faults.cut.at": "02:00"},
            "faults.cut.at: faults has 2 items, counted from 0, and none is called 'cut'",
        ),
    ],
)
def test_a_wrong_change_is_told_at_its_own_path(patch: dict[str, Any], message: str) -> None:
    """What is wrong in a variant, and in a question, is told at the very key or item."""
    other = {"faults": {"remove": ["cut"]}}
    assert _told(variants={"one": patch, "other": other}) == [f"variants.one.{message}"]
    if "one" not in str(patch) and "a list:" not in message:
        questions = [{"ask": "What then?", "change": patch}]
        assert _told(questions=questions, variants={"other": other}) == [f"questions.0.change.{message}"]


def test_a_mistake_is_told_once_where_variants_are_based_on_it() -> None:
    """What is wrong in one variant is not told again of those that are based on it."""
    wrong = {"one": {"queues.night.lease": "soon"}, "two": {"based_on": "one", "seed": 2}}
    assert _told(variants=wrong) == [
        "variants.one.queues.night.lease: 'soon' is not a duration: write 90s, 1h30m, 500ms or PT30S"
    ]
    both = {
        "one": {"pools.dome.count": 4},
        "two": {"based_on": "one", "pools.dome.per_worker": {"dome-4": {"speed": 2}}},
    }
    assert list(from_settings(changed(variants=both)).variants) == ["one", "two"]
    circle = {"one": {"based_on": "two"}, "two": {"based_on": "three"}, "three": {"based_on": "two"}}
    assert _told(variants=circle) == [
        "variants.three.based_on: variants would be based on themselves: 'two' on 'three' on 'two'"
    ]


def test_a_question_is_asked_once() -> None:
    """Two questions in the same words are a mistake: nobody could tell their answers apart."""
    one = {"ask": "What if it is slow?", "change": {"queues.night.lease": "5m"}}
    assert _told(questions=[one, one]) == ["questions.1.ask: this is asked already: ask each question once"]


def test_one_schedule_and_several_windows_may_take_each_others_place() -> None:
    """A variant may give a mapping where a list of windows stands, and a list where a mapping or nothing does."""
    one, other = {"on": "20:00", "off": "23:00"}, {"on": "01:00", "off": "02:00"}
    for stated in ({}, {"power": one}, {"power": [one, other]}):
        night = from_settings(changed(pools={"dome": {**QUIET["pools"]["dome"], **stated}}))
        for said in (other, [one, other]):
            dome = varied(night, {"pools.dome.power": said}).scenario.pools["dome"]
            assert [window.off for window in dome.windows] == (["02:00"] if said is other else ["23:00", "02:00"])
    changed_list = varied(night, {"pools.dome.power": {"remove": [0], "add": [{"on": "04:00", "off": "05:00"}]}})
    assert [window.off for window in changed_list.scenario.pools["dome"].windows] == ["02:00", "05:00"]
