"""What does not fit together in a scenario, told in plain words at its path."""

from pathlib import Path
from typing import Any

import pytest
from quiet_night import QUIET, changed, problems

from emulator.errors import ScenarioError
from emulator.scenario.load import from_settings

SECOND = 1_000_000


NIGHTLY = QUIET["arrivals"][0]


@pytest.mark.parametrize(
    "part, expected",
    [
        (
            {"routines": {"plate-copy": {"queue": "night", "parts": "checksum"}}},
            [
                "arrivals.0.parameters.plates: the routine 'plate-copy' has no parameter 'plates': it has none",
                "arrivals.1.parameters.plates: the routine 'plate-copy' has no parameter 'plates': it has none",
                "routines.plate-copy.parts: found 'checksum': a list with at least one entry, each a mapping is wanted",
            ],
        ),
        ({"pools": 5}, ["pools: found 5: a mapping from names to mappings is wanted"]),
        (
            {"faults": [{"system_outage": "archive/shelf", "at": "23:00"}]},
            ["faults.0.system_outage: no system is called 'archive/shelf': did you mean 'archive'?"],
        ),
        (
            {"access": [{"who": "dome", "to": "archive/"}]},
            ["access.0.to: 'archive/' names no part of the system behind its slash"],
        ),
        (
            {"pools": {"dome": {"count": 0, "serves": ["night"]}}, "faults": [{"freeze": "dome-1", "at": "23:00"}]},
            ["faults.0.freeze: there is no worker 'dome-1': the pool 'dome' has no workers"],
        ),
        (
            {"faults": [{"freeze": "dom-1", "at": "23:00"}, {"freeze": "roof-1", "at": "23:00"}]},
            [
                "faults.0.freeze: no worker or pool is called 'dom-1': did you mean 'dome-1'?",
                "faults.1.freeze: no worker or pool is called 'roof-1': the pools are: dome",
            ],
        ),
        (
            {"faults": [{"freeze": "dmoe-3", "at": "23:00"}, {"freeze": "dmoe-4", "at": "23:00"}]},
            [
                "faults.0.freeze: no worker or pool is called 'dmoe-3': did you mean 'dome-3'?",
                "faults.1.freeze: no worker or pool is called 'dmoe-4': did you mean 'dome'?",
            ],
        ),
        (
            {
                "routines": {
                    name: {"queue": "night", "parts": [{"name": "a", "takes": "1m", "effect": "x", "repeatable": word}]}
                    for name, word in {"plate-copy": "no", "other": "looks-first", "third": 5}.items()
                },
                "arrivals": [{"routine": "plate-copy", "at": "22:00"}],
            },
            [
                "routines.plate-copy.parts.0.repeatable: found 'no': allowed are: true or false or checks_first",
                "routines.other.parts.0.repeatable: found 'looks-first': did you mean 'checks_first'? "
                "allowed are: true or false or checks_first",
                "routines.third.parts.0.repeatable: found 5: true or false or checks_first is wanted",
            ],
        ),
        (
            {"faults": [{"freeze": ["dome-1", "dome-9"], "at": "23:00"}]},
            ["faults.0.freeze.1: there is no worker 'dome-9': workers of 'dome' are called dome-1 to dome-3"],
        ),
        (
            {"faults": [{"freeze": [], "at": "23:00"}]},
            [
                "faults.0.freeze: found an empty list: a worker, a pool, a list of them, or {pool: ..., some: 2} "
                "or {pool: ..., share: 0.5} is wanted"
            ],
        ),
        (
            {"faults": [{"freeze": {"pool": "roof"}, "at": "23:00"}]},
            ["faults.0.freeze.pool: no pool is called 'roof': allowed are: dome"],
        ),
        (
            {"faults": [{"error_burst": "plate-kopy", "share": 0.5, "at": "23:00"}]},
            ["faults.0.error_burst: no system or routine is called 'plate-kopy': did you mean 'plate-copy'?"],
        ),
        (
            {"faults": [{"freeze": "dome", "gaps": 0}]},
            ["faults.0.gaps: gaps of 0 never let time pass: give longer ones"],
        ),
        (
            {"faults": [{"freeze": "dome", "at": "23:00", "gaps_from": "onset"}]},
            ["faults.0.gaps_from: `gaps_from` says what `gaps` are counted from: give `gaps` beside it"],
        ),
        (
            {"faults": [{"freeze": "dome", "gaps": "1h", "at": "23:00"}]},
            ["faults.0.at: `at` and `gaps` both say when: keep one"],
        ),
        (
            {"faults": [{"freeze": "dome", "until": "23:00", "at": "23:00"}]},
            ["faults.0.until: the window is empty: `until` must be later than `at`"],
        ),
        (
            {"faults": [{"freeze": "dome", "until": "23:00", "at": "22:00", "lasts": "5m"}]},
            ["faults.0.lasts: `until` says when it ends, and so does `lasts`: keep one"],
        ),
        (
            {
                "actions": [
                    {"drain": "dome-1", "at": "23:00", "back_after": "5m", "until": "23:30"},
                    {"hold_queue": "night", "at": "23:00", "until": "23:00"},
                    {"withdraw": "nightly#1", "at": "23:00", "until": "23:30"},
                    {"hold": "nightly#1", "at": "23:00", "back_after": "5m"},
                ]
            },
            [
                "actions.0.back_after: `until` says when it is over, and so does `back_after`: keep one",
                "actions.1.until: it is over before it begins: `until` must be later than `at`",
                "actions.2.until: `until` does not belong to withdraw; allowed beside it are: at, late_by",
                "actions.3.back_after: `back_after` does not belong to hold; allowed beside it are: at, late_by, "
                "lasts, until",
            ],
        ),
        ({"faults": [{"at": "23:00"}]}, None),
        ({"actions": [{"at": "23:00"}]}, None),
        (
            {"arrivals": [{"routine": "plate-copy", "gaps": {"one_of": ["0s", "0s"]}, "parameters": {"plates": []}}]},
            ["arrivals.0.gaps: gaps of 0 never let time pass: give longer ones, or `at` with a `count`"],
        ),
        (
            {"arrivals": [{"routine": "plate-copy", "trace": "wrong.csv"}]},
            ["arrivals.0.trace: there is no file 'wrong.csv' beside the scenario"],
        ),
        (
            {"arrivals": [5, *QUIET["arrivals"]], "actions": [{"hold": "nobody#1", "at": "23:00"}]},
            [
                "arrivals.0: found 5: a mapping with keys such as routine, name, count, at, per_hour, every, gaps, "
                "again_after is wanted"
            ],
        ),
        (
            {
                "routines": {
                    "plate-copy": {
                        "queue": "night",
                        "parts": [{"name": "x", "takes": "1s", "effect": "y", "if_already_in_progress": "ok"}],
                    }
                },
                "arrivals": [{"routine": "plate-copy", "at": "22:00"}],
            },
            [
                "routines.plate-copy.parts.0.if_already_in_progress: `if_already_in_progress` belongs to effects that "
                "land remotely"
            ],
        ),
        (
            {
                "routines": {
                    "plate-copy": {"queue": "night", "parts": [{"name": "x", "takes": "1s", "patience": "1s"}]}
                },
                "arrivals": [{"routine": "plate-copy", "at": "22:00"}],
            },
            ["routines.plate-copy.parts.0.patience: `patience` belongs to a part that `calls` a system"],
        ),
        (
            {"must_hold": [{"measure": "makespan", "at_most": "3h", "exactly": "2h"}]},
            ["must_hold.0.exactly: `exactly` stands alone, without `at_least` and `at_most`"],
        ),
        (
            {"must_hold": [{"measure": "makespan", "at_most": True}]},
            ["must_hold.0.at_most: found true: a number, or a duration such as 3h is wanted"],
        ),
        (
            {"must_hold": [{"measure": "done_share", "at_least": "90%"}]},
            ["must_hold.0.at_least: found '90%': done_share is a share, so a share from 0 to 1 is wanted"],
        ),
        (
            {"must_hold": [{"measure": "makespan", "at_most": "3h", "within": "3h"}]},
            [
                "must_hold.0.within: `within` belongs to an `entry` without a measure; "
                "a measure has at_least or the like"
            ],
        ),
        (
            {"must_hold": [{"each_occurrence_of": "rounds", "within": "3h", "at_most": 5, "in_share": 0}]},
            [
                "must_hold.0.at_most: `at_most` belongs to a measure; the jobs of an entry have started_by or the like",
                "must_hold.0.in_share: a requirement that holds in a share of 0 asks for nothing",
            ],
        ),
        (
            {"must_hold": [{"entry": "nightly"}, {"entry": "nightly", "finished_by": "05:00", "queue": "night"}]},
            [
                "must_hold.0: by when? give `started_by`, `finished_by`, `within` or `starts_after_end_of`",
                "must_hold.1.queue: `queue` belongs to a measure; the jobs of an entry have started_by or the like",
            ],
        ),
        (
            {"must_hold": [{"in_share": 0.9}, {"entry": "nightly", "starts_after_end_of": "nightly"}]},
            [
                "must_hold.0: what must hold? give a `measure` with a bound, or an `entry` with a time such as "
                "`finished_by`",
                "must_hold.1.starts_after_end_of: no job starts after its own end: name another entry",
            ],
        ),
        (
            {"must_hold": [{"entry": "nightly", "starts_after_end_of": "nighty"}]},
            ["must_hold.0.starts_after_end_of: no arrival entry is called 'nighty': did you mean 'nightly'?"],
        ),
        (
            {
                "arrivals": [
                    NIGHTLY,
                    {**NIGHTLY, "name": "last", "after": {"entry": "nightly", "jobs": "all", "number": 3}},
                ]
            },
            [
                "arrivals.1.after.number: `jobs: all` waits for every job of the entry, and `number` for one: "
                "keep one of the two"
            ],
        ),
        (
            {
                "arrivals": [
                    NIGHTLY,
                    {**NIGHTLY, "name": "one", "after": [{"entry": "nightly"}, {"entry": "two", "jobs": "every"}]},
                    {
                        **NIGHTLY,
                        "name": "two",
                        "after": {"any_of": [{"entry": "nightly", "number": 99}, {"entry": "on"}]},
                    },
                    {**NIGHTLY, "name": "three", "after": []},
                ]
            },
            [
                "arrivals.1.after.1.jobs: found 'every': allowed are: same_number or all",
                "arrivals.2.after.any_of.0.number: 'nightly' has 40 jobs, and none with the number 99",
                "arrivals.2.after.any_of.1.entry: no arrival entry is called 'on': did you mean 'one'?",
                "arrivals.3.after: found an empty list: a mapping with keys such as entry, jobs, number, if_failed, "
                "follows_resubmitted or a list with at least one entry, each a mapping or a mapping with keys such as "
                "any_of is wanted",
            ],
        ),
        (
            {
                "arrivals": [
                    NIGHTLY,
                    {**NIGHTLY, "name": "one", "after": [{"entry": "nightly"}, {"entry": "three"}]},
                    {
                        **NIGHTLY,
                        "name": "two",
                        "after": {"any_of": [{"entry": "nightly"}, {"entry": "one", "jobs": "all"}]},
                    },
                    {**NIGHTLY, "name": "three", "after": {"entry": "two"}},
                ]
            },
            ["arrivals.1.after.1.entry: jobs would wait for themselves: one after three after two after one"],
        ),
        (
            {
                "arrivals": [{**NIGHTLY, "retry": {"allowance": {"holds": 1}}}, *QUIET["arrivals"][1:]],
                "routines": {
                    "plate-copy": {
                        **QUIET["routines"]["plate-copy"],
                        "retry": {"first": "1m"},
                        "parts": [
                            {"name": "look", "takes": "1m", "asks_again": {"times": 2}},
                            {"name": "copy", "calls": "archive", "asks_again": {"first": "1m"}},
                            {"name": "note", "calls": "archive", "asks_again": {"times": 2, "jitter": "full"}},
                        ],
                    }
                },
            },
            [
                "routines.plate-copy.parts.0.asks_again: `asks_again` belongs to a part that `calls` a system",
                "routines.plate-copy.parts.1.asks_again.times: `times` is missing: So often at most, after the first "
                "call.",
                "routines.plate-copy.parts.2.asks_again.jitter: there is no pause to jitter: give pause: constant, "
                "linear or exponential",
                "routines.plate-copy.retry.first: `first` says nothing without pause: constant, linear or exponential",
                "arrivals.0.retry.allowance: the allowance of retries is the queue's: give it there",
            ],
        ),
        (
            {
                "routines": {
                    "plate-copy": {
                        **QUIET["routines"]["plate-copy"],
                        "parameters": {"plates": "list", "films": "list", "weight": "number"},
                        "parts": [
                            {"name": "a", "takes": {"base": "1m"}},
                            {"name": "b", "takes": {"per_element": "1m", "per_unit": "1m", "of": "plates"}},
                            {"name": "c", "takes": {"per_element": "1m"}},
                            {"name": "d", "takes": {"per_element": "1m", "of": "weight"}},
                            {"name": "e", "takes": {"per_unit": "1m", "base": {"mean": "1m"}}},
                        ],
                    }
                }
            },
            [
                "routines.plate-copy.parts.0.takes: what does it grow with? give `per_element` or `per_unit`, or write "
                "the base alone",
                "routines.plate-copy.parts.1.takes.of: 'plates' is no number parameter of 'plate-copy': "
                "allowed are: weight",
                "routines.plate-copy.parts.1.takes.per_unit: `per_element` and `per_unit` stand for two parameters: "
                "keep one",
                "routines.plate-copy.parts.2.takes.per_element: `per_element` wants a list parameter of 'plate-copy': "
                "say which with `of`: plates, films",
                "routines.plate-copy.parts.3.takes.of: 'weight' is no list parameter of 'plate-copy': "
                "allowed are: films, plates",
                "routines.plate-copy.parts.4.takes.base: `mean` alone is no distribution: write 4m or {between: "
                "[2m, 7m]}, {median: 4m, p95: 9m}, {mean: 1h, law: exponential}",
            ],
        ),
        (
            {"must_hold": [{"measure": "unsafe_repeats_across_jobs", "at_most": 0, "queue": "night"}]},
            ["must_hold.0.queue: unsafe_repeats_across_jobs cannot be told by queue, only for the whole night"],
        ),
        (
            {"queues": {"night": {"lease": "90s", "retry": {"retried": ["error", "error"]}}}},
            ["queues.night.retry.retried: an outcome stands here twice"],
        ),
        (
            {"queues": {"night": {"capacity": None, "lease": None}}},
            [
                "queues.night.lease: nothing stands here: a duration above 0 such as 90s, 1h30m, 500ms or PT30S "
                "is wanted, or leave the key out"
            ],
        ),
    ],
)
def test_mistakes_between_the_parts(part: dict[str, Any], expected: list[str] | None) -> None:
    """What does not fit together is told in plain words at its path, and nothing is told that only follows from it."""
    found = problems(changed(**part))
    if expected is None:  # the list of all kinds is long: the beginning says it
        assert len(found) == 1 and "is one of: " in found[0]
    else:
        assert sorted(found) == sorted(expected)


@pytest.mark.parametrize(
    "pool, expected",
    [
        ({"power": {"on": "08:00", "off": "08:00"}}, "power.off: `on` and `off` are the same time"),
        (
            {"power": [{"on": "08:00", "off": "09:00"}, {"on": "10:00"}]},
            "power.1: each of several windows begins and ends: give `off`",
        ),
        (
            {"power": [{"off": "08:00"}, {"on": "10:00", "off": "11:00"}]},
            "power.0: each of several windows begins and ends: give `on`",
        ),
        ({"power": [{"on": "08:00", "off": "09:00"}] * 2}, "power.1: this window stands here twice"),
        (
            {"power": [{"on": "08:00", "off": "09:00"}, {"on": "08:00", "off": "08:00"}]},
            "power.1.off: `on` and `off` are the same time",
        ),
        ({"power": {"off": "08:00", "days": ["mon", "mon"]}}, "power.days: a day stands here twice"),
        (
            {"power": {"off": "08:00", "finish_within": "1s"}},
            "power.finish_within: `finish_within` belongs to at_shutdown: finish",
        ),
        (
            {"power": {"on": "08:00", "skips_jobs_too_long_to_finish": True}},
            "power.skips_jobs_too_long_to_finish: there is no shutdown to finish before: give `off`",
        ),
        ({"clock": {"behind": True}}, "clock.behind: behind by how much? give `offset`"),
        ({"idle_off_after": "5m"}, "idle_off_after: `idle_off_after` belongs to woken_on_demand: true"),
        ({"serves": ["night", "night"]}, "serves: a queue stands here twice"),
        (
            {"equipment_changes": [{"at": "23:00", "workers": ["roof-1"], "installs": ["x"]}]},
            "equipment_changes.0.workers.0: 'roof-1' is no worker of the pool 'dome': "
            "workers of 'dome' are called dome-1 to dome-3",
        ),
        (
            {"equipped_with": [""]},
            "equipped_with.0: a name is 1 to 200 printable characters without blanks at its ends",
        ),
    ],
)
def test_mistakes_in_pools(pool: dict[str, Any], expected: str) -> None:
    """What a pool is told must fit together."""
    assert problems(changed(pools={"dome": {**QUIET["pools"]["dome"], **pool}})) == [f"pools.dome.{expected}"]


TAKES = (
    "a duration such as 4m, or a distribution such as {median: 4m, p95: 9m} or a mapping with keys such as base, "
    "per_element, per_unit, of"
)


@pytest.mark.parametrize(
    "takes, expected",
    [
        (
            {},
            "a distribution needs a law: "
            "write 4m or {between: [2m, 7m]}, {median: 4m, p95: 9m}, {mean: 1h, law: exponential}",
        ),
        ({"min": "2m", "mode": "2m", "max": "2m"}, "max: `max` must be above `min` (2m)"),
        ({"one_of": ["1m"], "weights": [0]}, "weights: all weights are 0: at least one must be more"),
        (["1m"], f"found a list: {TAKES} is wanted"),
        (True, f"found true: {TAKES} is wanted"),
        (4, "a bare number has no unit: write 90s, 1h30m, 500ms or PT30S"),
    ],
)
def test_mistakes_in_distributions(takes: Any, expected: str) -> None:
    """A distribution names one law whose values fit together."""
    routine = {"queue": "night", "parts": [{"name": "x", "takes": takes}]}
    arrivals = [{"routine": "plate-copy", "at": "22:00"}]
    [found] = problems(changed(routines={"plate-copy": routine}, arrivals=arrivals))
    assert found.replace("takes.", "takes: ", 1) == f"routines.plate-copy.parts.0.takes: {expected}"


def test_templates_are_checked_by_their_braces() -> None:
    """A template is neither empty nor endless."""
    arrivals = [{"routine": "plate-copy", "at": "22:00", "parameters": {"plates": []}, "key": ""}]
    assert problems(changed(arrivals=arrivals)) == ["arrivals.0.key: write 1 to 1000 characters, such as {volume}"]


def test_a_trace_must_begin_well(tmp_path: Path) -> None:
    """A trace whose beginning cannot be read is told where the scenario names it."""
    (tmp_path / "wrong.csv").write_text("when\n1\n")
    arrivals = [{"routine": "plate-copy", "trace": "wrong.csv", "parameters": {"plates": []}}]
    with pytest.raises(ScenarioError) as caught:
        from_settings(changed(arrivals=arrivals), folder=tmp_path)
    [problem] = caught.value.problems
    assert (problem.path, problem.message.startswith("this trace is wrong: ")) == ("arrivals.0.trace", True)


def test_long_circles_are_found_and_shortened() -> None:
    """Jobs that wait for each other over very many entries are found, and the circle is told in short."""
    count = 2000
    arrivals = [
        {
            "name": f"n{i}",
            "routine": "plate-copy",
            "at": "22:00",
            "parameters": {"plates": []},
            "after": {"entry": f"n{(i + 1) % count}"},
        }
        for i in range(count)
    ]
    [found] = problems(changed(arrivals=arrivals, must_hold=[]))
    assert found == (
        "arrivals.0.after.entry: jobs would wait for themselves: "
        + "".join(f"n{i} after " for i in range(10))
        + "... after n0"
    )


def test_of_very_many_names_no_nearest_is_sought() -> None:
    """With very many names a wrong one is told at once, without comparing it to all."""
    queues = {f"q{i}": {} for i in range(600)} | QUIET["queues"]
    routines = {"plate-copy": {**QUIET["routines"]["plate-copy"], "queue": "nite"}}
    assert problems(changed(queues=queues, routines=routines)) == [
        "routines.plate-copy.queue: no queue is called 'nite': it is none of the 601 that are defined"
    ]
