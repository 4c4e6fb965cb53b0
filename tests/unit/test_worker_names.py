"""Workers with names of their own, and workers that a variant or a value of a search has taken away."""

from typing import Any

import pytest
from night_runs import MINUTE, Ran
from quiet_night import QUIET, changed, problems

from emulator import run, size
from emulator.scenario.load import from_settings, varied
from emulator.scenario.variants import absent_workers
from emulator.show.comparison.screens import sizing_page

COPY = {"queue": "night", "parts": [{"name": "copy", "takes": "20m"}]}


def settings(pools: dict[str, Any], **more: Any) -> dict[str, Any]:
    """Give a night with six jobs of 20 min at its start."""
    return {
        "title": "Names",
        "starts": "2026-06-12T22:00:00",
        "lasts": "3h",
        "queues": {"night": {"lease": "2m"}},
        "pools": {name: {"serves": ["night"], "poll": 0, "heartbeat": "20s", **pool} for name, pool in pools.items()},
        "routines": {"copy": COPY},
        "arrivals": [{"name": "copies", "routine": "copy", "count": 6, "at": 0}],
        **more,
    }


def hand_outs(settings: dict[str, Any]) -> list[tuple[str, float]]:
    found = Ran(from_settings(settings), 1)
    return [(row[4], row[0] / MINUTE) for row in found.of("handed_out")]


def test_workers_are_called_by_their_own_names() -> None:
    """Two named workers take two jobs every 20 min, in the order in which they stand."""
    named = settings({"dome": {"workers": ["south", "north"]}})
    assert hand_outs(named) == [(who, at) for at in (0, 20, 40) for who in ("south", "north")]


def test_a_name_is_usable_wherever_a_numbered_worker_is() -> None:
    """South works at double speed, has the tape, loses its power at 5 min for 5 min and leaves at 30 min."""
    named = settings(
        {
            "dome": {
                "workers": ["south", "north"],
                "per_worker": {"south": {"speed": 2.0}},
                "equipment_changes": [{"at": 0, "workers": ["south"], "installs": ["tape"]}],
            }
        },
        systems={"archive": {"answers_in": "1m"}},
        access=[{"who": "south", "to": "archive"}],
        faults=[
            {"power_off": "south", "at": "+5m", "back_after": "5m"},
            {"freeze": ["north"], "at": "+1m", "lasts": 0},
        ],
        actions=[{"drain": "south", "at": "+15m"}],
    )
    assert hand_outs(named)[:3] == [("south", 0), ("north", 0), ("south", 10)]
    assert [who for who, at in hand_outs(named) if at > 15] == ["north", "north", "north"]


@pytest.mark.parametrize(
    ("pools", "said"),
    [
        ({"dome": {"serves": ["night"]}}, ["pools.dome: how many workers? give `count`, or their names as `workers`"]),
        (
            {"dome": {"count": 1, "workers": ["north"], "serves": ["night"]}},
            ["pools.dome.workers: `count` and `workers` both say how many workers there are: keep one of the two"],
        ),
        (
            {"dome": {"workers": ["north", "north"], "serves": ["night"]}},
            ["pools.dome.workers.1: the worker 'north' stands here twice"],
        ),
        (
            {"dome": {"workers": ["north", "tower"], "serves": ["night"]}, "tower": {"count": 1, "serves": ["night"]}},
            ["pools.dome.workers.1: 'tower' is the name of a pool already"],
        ),
        (
            {"dome": {"workers": ["north"], "serves": ["night"]}, "tower": {"workers": ["north"], "serves": ["night"]}},
            ["pools.tower.workers.0: 'north' is the name of a worker of the pool 'dome' already"],
        ),
        (
            {"dome": {"workers": ["tower-2"], "serves": ["night"]}, "tower": {"count": 2, "serves": ["night"]}},
            ["pools.dome.workers.0: 'tower-2' is the name of a worker of the pool 'tower' already"],
        ),
        (
            {"dome": {"workers": ["a/b"], "serves": ["night"]}},
            [
                "pools.dome.workers.0: a name may not hold '/': paths (queues.night), parts of systems "
                "(archive/shelf), jobs (entry#3) and {templates} are written with it"
            ],
        ),
    ],
)
def test_names_that_cannot_be(pools: dict[str, Any], said: list[str]) -> None:
    pools = {name: {"equipped_with": ["tape"], **pool} for name, pool in pools.items()}
    assert problems(changed(pools=pools)) == said


def test_who_is_not_there_is_told_with_those_who_are() -> None:
    """A number is no name of a pool that names its workers, and a near name is advised."""
    pools = {"dome": {**QUIET["pools"]["dome"], "workers": ["north", "south"]}}
    del pools["dome"]["count"]
    faults = [{"freeze": "dome-1", "at": "22:00"}, {"freeze": "nort", "at": "22:00"}]
    pools["dome"]["per_worker"] = {"west": {"speed": 2.0}}
    assert sorted(problems(changed(pools=pools, faults=faults)), reverse=True) == [
        "pools.dome.per_worker.west: 'west' is no worker of the pool 'dome': workers of 'dome' are called north, south",
        "faults.1.freeze: no worker or pool is called 'nort': did you mean 'north'?",
        "faults.0.freeze: there is no worker 'dome-1': workers of 'dome' are called north, south",
    ]


POOLS = {"dome": {"count": 3, "per_worker": {"dome-3": {"speed": 2.0}}}}
FAULTS = [
    {"power_off": "dome-2", "at": "+5m", "back_after": "5m"},
    {"freeze": ["dome-1", "dome-3"], "at": "+30m", "lasts": "1s"},
    {"freeze": {"pool": "dome", "some": 2}, "at": "+31m", "lasts": "1s"},
]


def test_a_worker_that_a_variant_takes_away_is_told_by_the_night() -> None:
    """With one worker, what is aimed at the others hits nothing, and the night is played; as written it is a slip."""
    loaded = from_settings(
        settings(
            POOLS, faults=FAULTS, actions=[{"drain": "dome-3", "at": "+1h"}], variants={"one": {"pools.dome.count": 1}}
        )
    )
    assert absent_workers(loaded.variants["one"]) == ("dome-2", "dome-3")
    found = Ran(varied(loaded, {"pools.dome.count": 1}), 1)
    missed = [(row[6], row[8], row[9]) for row in found.of("fault_missed")]
    assert missed == [("faults[0]", "dome-2", "no_such_workers"), ("faults[1]", "dome-3", "no_such_workers")]
    assert [row[8] for row in found.of("action_refused")] == ["no_such_workers"]
    assert problems({**settings({"dome": {"count": 1}}), "faults": FAULTS[:1]}) == [
        "faults.0.power_off: there is no worker 'dome-2': workers of 'dome' are called dome-1"
    ]


def test_a_mistake_of_the_variant_itself_is_still_told() -> None:
    """A worker that there never was is a slip of the pen in a variant too."""
    said = settings(
        POOLS, variants={"one": {"pools.dome.count": 1, "faults": {"add": [{"freeze": "dome-9", "at": 0}]}}}
    )
    assert [text.split(": ", 1)[1] for text in problems(said)] == [
        "there is no worker 'dome-9': workers of 'dome' are called dome-1"
    ]


@pytest.mark.slow
def test_a_search_by_size_goes_on_without_a_worker_and_says_so() -> None:
    """Six jobs of 20 min take 2 h with one worker, and 1 h with two; dome-2 and dome-3 are not there with one."""
    said = settings(POOLS, faults=FAULTS[:2], must_hold=[{"measure": "makespan", "at_most": "3h", "in_share": 0.1}])
    found = size(said, by="pools.dome.count", first=1, last=2, nights=2, processes=1)
    assert found.absent == ((1, ("dome-2", "dome-3")), (2, ("dome-3",)))
    assert "With pools.dome.count = 2, dome-3 is not there: what is aimed at it hits" in sizing_page(found).as_text()


def test_a_summary_names_workers_by_their_names() -> None:
    """The pool has two workers."""
    text = run(settings({"dome": {"workers": ["south", "north"]}})).summary().as_text()
    assert "2 in dome" in text
