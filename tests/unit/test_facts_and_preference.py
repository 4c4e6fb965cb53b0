"""Facts of a lesson (``also_true``), what is preferred (``prefer``), and what counts as a what-if."""

import json
from typing import Any

import pytest
from quiet_night import changed, problems

import emulator
from emulator.errors import InputError
from emulator.experiment.comparison_plan import of_variants
from emulator.scenario.load import from_settings, load_text

NIGHT: dict[str, Any] = {
    "title": "Copies",
    "starts": "2026-06-12T21:30:00",
    "lasts": "2h",
    "queues": {"night": {}},
    "pools": {"dome": {"count": 1, "serves": ["night"], "heartbeat": "20s"}},
    "systems": {"archive": {"answers_in": "1s"}},
    "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}]}},
    "arrivals": [{"routine": "copy", "name": "plates", "count": 2, "at": "21:35"}],
    "must_hold": [{"measure": "makespan", "at_most": "20m"}],
}


def test_a_fact_is_judged_apart_and_counts_as_no_requirement() -> None:
    found = emulator.run({**NIGHT, "also_true": [{"measure": "lost_leases", "exactly": 0}]})
    assert (found.fits, found.outcome, found.sentence) == (True, "good", "The night fits: the one requirement is met.")
    assert [(fact.requirement, fact.met) for fact in found.also_true] == [("lost_leases exactly 0", True)]
    said = found.as_json()
    assert (said["verdict"]["stated"], [fact["met"] for fact in said["also_true"]]) == (1, [True])
    assert "\n  also true: leases lost exactly 0 (0)\n" in found.summary().as_text()


def test_a_fact_that_is_not_true_has_a_sentence_of_its_own_and_is_never_good() -> None:
    facts = [{"measure": "lost_leases", "exactly": 1}, {"measure": "done", "exactly": 2}]
    found = emulator.run({**NIGHT, "also_true": facts})
    assert (found.fits, found.outcome) == (True, "bad")
    assert found.sentence.endswith(" Under also_true, 1 of 2 facts is not true of this night.")
    assert "\nUnder also_true, 1 of 2 facts is not true of this night.\n" in found.summary().as_text()
    assert "\n  not true: leases lost exactly 1 (0)\n" in found.summary().as_text()
    assert "Under also_true, 1 of 2 facts is not true of this night." in found.page()


def test_facts_alone_are_judged_though_nothing_is_required() -> None:
    night = {key: value for key, value in NIGHT.items() if key != "must_hold"}
    assert emulator.run({**night, "also_true": [{"measure": "done", "exactly": 2}]}).outcome == "nothing_asked"
    assert emulator.run({**night, "also_true": [{"measure": "done", "exactly": 3}]}).outcome == "bad"


def test_facts_are_test_results_of_their_own(tmp_path: Any) -> None:
    log = tmp_path / "night.db"
    emulator.run({**NIGHT, "also_true": [{"measure": "lost_leases", "exactly": 1}]}, log=log)
    said = emulator.export(log, "junit")
    assert '<testsuites name="queuedrill" tests="2" failures="1" errors="0" skipped="0">' in said
    assert '<testsuite name="Copies" tests="1" failures="0" errors="0" skipped="0">' in said
    assert '<testsuite name="Copies: also true" tests="1" failures="1" errors="0" skipped="0">' in said


@pytest.mark.parametrize(
    ("key", "value", "wrong"),
    [
        (
            "also_true",
            [{"measure": "lost_leases", "exactly": 1, "in_share": 0.9}],
            "also_true.0.in_share: a fact is judged on one night: `in_share` belongs to `must_hold`",
        ),
        (
            "also_true",
            [{"measure": "makespan", "not_worse_by": "5m"}],
            "also_true.0.not_worse_by: a fact is judged on one night: `not_worse_by` belongs to `must_hold`",
        ),
        (
            "also_true",
            [{"measure": "lost_lease", "exactly": 1}],
            "also_true.0.measure: no figure is called 'lost_lease': did you mean 'lost_leases'?",
        ),
        (
            "also_true",
            [{"measure": "done", "queue": "nigth", "exactly": 1}],
            "also_true.0.queue: no queue is called 'nigth': did you mean 'night'?",
        ),
        ("prefer", ["makespam"], "prefer.0: no figure is called 'makespam': did you mean 'makespan'?"),
        (
            "prefer",
            ["makespan", "accepted"],
            "prefer.1: of accepted neither more nor less is better: name another figure",
        ),
        ("prefer", ["makespan", "makespan"], "prefer.1: makespan stands here twice: name each figure once"),
    ],
)
def test_what_is_wrong_is_told_at_its_place(key: str, value: Any, wrong: str) -> None:
    assert problems(changed(**{key: value})) == [wrong]


def test_a_mistake_in_them_has_a_line_and_a_column() -> None:
    text = "\n".join(f"{key}: {json.dumps(value)}" for key, value in NIGHT.items())
    with pytest.raises(InputError, match=r"night.yaml:10:10: wrong-reference: prefer.0: no figure is called 'speed'"):
        load_text(f"{text}\nprefer: [speed]\n", "night.yaml")


@pytest.mark.parametrize(
    ("prefer", "message"),
    [
        (["makespam"], "there is no figure 'makespam': did you mean 'makespan'?"),
        (["accepted"], "prefer: of accepted neither more nor less is better: name another figure"),
        ([], "prefer: no figure is named: name at least one, or leave `prefer` out"),
        (["makespan", "makespan"], "prefer: a figure is named twice: name each once"),
    ],
)
def test_what_is_preferred_on_the_command_line_is_checked_before_a_night_is_run(prefer: Any, message: str) -> None:
    variants = {"variants": {"two": {"pools.dome.count": 2}}}
    with pytest.raises(InputError, match=message.replace("?", r"\?")):
        emulator.compare({**NIGHT, **variants}, prefer=prefer, nights=1, processes=1)


@pytest.mark.parametrize(
    ("patch", "what_if", "keys"),
    [
        ({"queues.night.lease": "5m"}, False, 1),
        ({"pools.dome.count": 2, "pools.dome.poll": "1m"}, False, 2),
        ({"queues.night.retry": {"attempts_in_all": 3, "pause": "constant", "first": "1m"}}, False, 3),
        ({"arrivals.plates.at": "21:40"}, False, 1),
        ({"pools.spare": {"count": 1, "serves": ["night"]}}, False, 1),
        ({"faults": [{"power_off": "dome-1", "at": "21:40"}]}, True, 1),
        ({"arrivals.plates.count": 3}, True, 1),
        ({"arrivals": []}, True, 1),
        ({"routines.copy.parts.0.takes": "11m"}, True, 1),
        ({"routines.copy.parts.0.error_share": 0.1}, True, 1),
        ({"systems.archive.answers_in": "2s"}, True, 1),
        ({"pools.dome.count": 2, "arrivals.plates.count": 3}, True, 2),
        ({"pools.dome.count": 2, "candidate": False}, True, 1),
        ({"arrivals.plates.count": 3, "candidate": True}, False, 1),
    ],
)
def test_what_changes_the_world_is_a_what_if(patch: dict[str, Any], what_if: bool, keys: int) -> None:
    """In a file, and as a mapping of Python's."""
    for scenario, given in ((NIGHT, {"other": patch}), ({**NIGHT, "variants": {"other": patch}}, None)):
        _, _, entrants = of_variants(from_settings(scenario), given, None)
        assert [(one.name, one.changed, one.what_if) for one in entrants] == [
            ("as written", 0, False),
            ("other", keys, what_if),
        ]


def test_a_candidate_is_true_or_false() -> None:
    said = problems(changed(variants={"two": {"pools.dome.count": 2, "candidate": "yes"}}))
    assert said == ["variants.two.candidate: found 'yes': true (it may be recommended) or false (a what-if) is wanted"]
    with pytest.raises(InputError, match="variants: two: candidate: found 'yes'"):
        of_variants(from_settings(NIGHT), {"two": {"pools.dome.count": 2, "candidate": "yes"}}, None)


def test_a_what_if_based_on_another_variant_says_so_itself() -> None:
    """What a variant says of itself is not handed on to those that are based on it."""
    variants = {
        "two": {"pools.dome.count": 2, "candidate": False},
        "three": {"based_on": "two", "pools.dome.poll": "1m"},
    }
    _, _, entrants = of_variants(from_settings({**NIGHT, "variants": variants}), None, None)
    assert [one.what_if for one in entrants] == [False, True, False]


def test_what_is_preferred_decides_among_those_that_qualify() -> None:
    """Two workers need half the time: by hours the scenario as written is taken, by makespan the variant."""
    night = {**NIGHT, "variants": {"two": {"pools.dome.count": 2}}}

    def taken(**keys: Any) -> tuple[str, ...]:
        found = emulator.compare({**night, **keys.pop("own", {})}, nights=42, processes=1, **keys)
        assert found.recommendation is not None
        return found.recommendation.recommended

    assert taken() == ("as written",)
    assert taken(prefer=["makespan"]) == ("two",)
    assert taken(own={"prefer": ["makespan"]}) == ("two",)
    assert taken(own={"prefer": ["makespan"]}, prefer=["worker_hours"]) == ("as written",)


def test_where_nothing_is_random_one_night_decides_and_every_seed_is_that_night() -> None:
    """Two jobs of ten minutes on one worker take 20 minutes; a law for their time makes it random."""
    night = {**NIGHT, "variants": {"two": {"pools.dome.count": 2}}}
    one = emulator.compare(night, nights=1, processes=1, prefer=["makespan"]).recommendation
    assert one is not None
    assert (one.random, one.answer, one.recommended) == (False, "take", ("two",))
    assert {standing.interval for standing in one.standings} == {None}
    assert emulator.nights(NIGHT, 1, processes=1).holds is True
    drawn = {
        **NIGHT,
        "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": {"between": ["1m", "2m"]}}]}},
    }
    assert emulator.nights(drawn, 1, processes=1).holds is None
    two = emulator.compare({**drawn, "variants": night["variants"]}, nights=1, processes=1).recommendation
    assert two is not None
    assert (two.random, two.answer) == (True, "too_few_nights")
