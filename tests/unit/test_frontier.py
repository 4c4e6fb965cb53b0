"""Which pairs of two numbers are enough? Frontiers put together by hand, from nights that are written down."""

import csv
import io
from typing import Any

import pytest

import emulator
from emulator.errors import InputError
from emulator.experiment.comparison_result import FrontierResult
from emulator.measure.comparison.shares import outcome_of_size
from emulator.measure.comparison.sizing import Frontier, Search, SizedRequirement, conclude_frontier
from emulator.show.comparison.exports import frontier_json, sizes_csv
from emulator.show.comparison.screens import frontier_page

NIGHTS = 40


def found(kept: dict[tuple[Any, Any], int | None], hours: dict[Any, float] | None = None, **more: Any) -> Frontier:
    """Put together what is known of pairs: in how many of 40 nights each kept all requirements (None: not judged)."""
    held = [[(seed, None if many is None else seed < many) for seed in range(NIGHTS)] for many in kept.values()]
    its = [
        [SizedRequirement("makespan at most 4 h", "makespan at most 4 h", many or 0, NIGHTS)] for many in kept.values()
    ]
    known: dict[str, Any] = {
        "title": "Plates",
        "file": "plates.yaml",
        "paths": ("pools.dome.count", "queues.night.lease"),
    }
    known |= {"share": 0.5, "confidence": 0.95, "nights": NIGHTS, "first_seed": 1}
    worker_hours = [None if hours is None else hours[first] for first, _ in kept]
    known |= {"values": list(kept), "held": held, "requirements": its, "worker_hours": worker_hours}
    return conclude_frontier(Search(**known | more))


# 40 of 40 and 38 of 40 hold at one half; 1 of 40 does not; of 24 of 40 it cannot be told (six pairs, 95 % together).
KEPT: dict[tuple[Any, Any], int | None] = {(1, 10): 1, (1, 20): 24, (1, 30): 40, (2, 10): 1, (2, 20): 38, (2, 30): 40}


def test_the_smallest_second_for_each_first() -> None:
    """The first value needs 30 (20 is open), the second 20; none has more planned hours, so both are named."""
    both = found(KEPT)
    assert [(one.first, one.second, one.open) for one in both.points] == [(1, 30, (20,)), (2, 20, ())]
    assert both.recommended == ((1, 30), (2, 20))
    assert both.sentence == (
        "2 pairs will do, and no other pair is smaller: 1 with 30, 2 with 20. "
        "They keep them in 38 of 40 nights or more, at least 78 % of all (50 % asked, 95 % sure)."
    )
    assert (both.monotone, outcome_of_size(both)) == (True, "good")


def test_the_fewest_worker_hours_decide() -> None:
    """One worker plans 8 hours, two 16: the pair with one is taken, however large its second value is."""
    one = found(KEPT, {1: 8.0, 2: 16.0})
    assert one.recommended == ((1, 30),)
    assert one.sentence.startswith(
        "Take pools.dome.count 1 with queues.night.lease 30: "
        "no other that keeps the requirements plans fewer worker-hours (8). It keeps them in 40 of 40 nights"
    )


def test_a_larger_first_value_is_worth_it_only_with_a_smaller_second() -> None:
    """Both need 20: the pair with the larger first value is beaten. Where only one holds, it is the one."""
    beaten = found({(1, 10): 1, (1, 20): 40, (2, 10): 1, (2, 20): 40})
    assert (beaten.recommended, "every other that keeps the requirements is larger" in beaten.sentence) == (
        ((1, 20),),
        True,
    )
    alone = found({(1, 10): 1, (1, 20): 1, (2, 10): 1, (2, 20): 40})
    assert (alone.recommended, "no smaller one that was tried keeps" in alone.sentence) == (((2, 20),), True)


def test_the_largest_second_for_each_first() -> None:
    """Then, and where nobody can choose the first number, the frontier itself is the answer."""
    falling = {(first, second): many for (first, second), many in zip(KEPT, (40, 24, 1, 40, 38, 1), strict=True)}
    largest = found(falling, {1: 8.0, 2: 16.0}, searched="largest")
    assert largest.recommended == ((1, 10), (2, 20))
    assert largest.points[0].open == (20,)
    assert largest.sentence.startswith(
        "Largest queues.night.lease that keeps the requirements: 10 with pools.dome.count 1, 20 with 2. "
    )
    demand = found(KEPT, {1: 8.0, 2: 8.0}, choose=False)
    assert demand.recommended == ((1, 30), (2, 20))
    assert demand.sentence.startswith("Smallest queues.night.lease that keeps the requirements: 30 with")
    many = {(first, second): 40 for first in range(1, 6) for second in (1, 2)}
    assert "1 with pools.dome.count 1, 1 with 2, 1 with 3, and 2 more." in found(many, choose=False).sentence


def test_no_pair_is_enough() -> None:
    """The best is named; where it never missed, the nights that would show it: (0.05 / 2 / 4) ** (1 / n) >= 0.9."""
    none = found({(1, 10): 1, (1, 20): 2, (2, 10): 3, (2, 20): 1})
    assert none.recommended == ()
    assert none.sentence == (
        "No pair is shown to keep the requirements: pools.dome.count 2 with queues.night.lease 10 comes closest. "
        "It keeps them in 3 of 40 nights (50 % asked, 95 % sure)."
    )
    useless = found(dict.fromkeys(KEPT, 0))
    assert useless.sentence == (
        "No pair is shown to keep the requirements, and none is better than another. "
        "They keep them in 0 of 40 nights (50 % asked, 95 % sure)."
    )
    assert outcome_of_size(none) == "bad"
    open_ones = found({(1, 10): 1, (1, 20): 40, (2, 10): 3, (2, 20): 40}, share=0.9)
    assert open_ones.sentence.endswith("Too few nights to decide on 2 pairs; 49 nights without a miss would show one.")
    assert outcome_of_size(open_ones) == "open"
    unjudged = found({(1, 10): None, (2, 10): None})
    assert "Nothing could be judged" in unjudged.sentence


def test_larger_is_not_always_better() -> None:
    """With the first value, 20 keeps far fewer nights than 10."""
    odd = found({(1, 10): 40, (1, 20): 1, (2, 10): 40, (2, 20): 40})
    assert (odd.monotone, odd.sentence.endswith("Larger values are not always better here.")) == (False, True)


def test_nothing_is_drawn() -> None:
    """One night decides, and no interval is printed."""
    sure = found(KEPT | {(1, 20): 40}, random=False)
    assert "Nothing in it is drawn, so one night decides" in sure.sentence
    assert "interval" not in frontier_page(sure).as_text()


def test_the_screen() -> None:
    """Whole. Exact ends, by scipy: 0.0041667 ** (1 / 40) = 0.872; of 38 in 40 from 0.784 to 0.998."""
    assert (
        frontier_page(found(KEPT, {1: 8.0, 2: 16.0})).as_text()
        == """\
Take pools.dome.count 1 with queues.night.lease 30: no other that keeps the
requirements plans fewer worker-hours (8). It keeps them in 40 of 40 nights, at
least 87 % of all (50 % asked, 95 % sure).

Plates. 40 nights with each pair (seeds 1 to 40).
A: pools.dome.count. B: queues.night.lease.

  A  smallest B  nights kept     95 % interval  worker-hours
  1          30     40 of 40   87.2 % to 100 %             8  take; 20 open
  2          20     38 of 40  78.4 % to 99.8 %            16  enough
  open: too few nights to decide whether that B is enough, too.
  The 95 % interval is for all 6 pairs together.

Nights kept, of 40
       B 10  B 20  B 30
  A 1     1    24    40
  A 2     1    38    40

Why not 1 with 20
  makespan at most 4 h: kept in 24 of 40 nights.
  One night that missed it:
  queuedrill run plates.yaml --change pools.dome.count=1 \\
    --change queues.night.lease=20 --seed 24

More: --all   --json   --csv FILE   --nights N
A rehearsal is a model; it does not replace your own change control.
"""
    )


def test_the_screen_without_a_pair() -> None:
    """It says which nights are told, why the best does not do, and who is not there."""
    none = found({(1, 10): 1, (1, 20): 2, (2, 10): 3, (2, 20): 24}, absent=(((1, 10), ("dome-2",)),))
    told = frontier_page(none).as_text()
    assert "  1        none      2 of 40" in told
    assert "too few nights\n" in told
    assert "none: the nights are those of the B that kept most." in told
    assert "Why not 2 with 20\n  makespan at most 4 h: kept in 24 of 40 nights." in told
    assert "With 1 and 10, dome-2 is not there: what is aimed at it hits nothing." in told
    many = found({(first, 1): 40 for first in range(15)}, {first: 8.0 + first for first in range(15)})
    assert "and 3 more values of A: --all" in frontier_page(many).as_text()
    assert "Why not" not in frontier_page(many).as_text()


def test_all_and_other_forms_say_the_same() -> None:
    """JSON has every pair, CSV a row for each pair and each requirement with it."""
    both = found(KEPT, {1: 8.0, 2: 16.0})
    told = frontier_json(both)
    assert (told["holds"], told["recommended"], len(told["tried"])) == (True, [[1, 30]], 6)
    rows = list(csv.DictReader(io.StringIO(sizes_csv(both))))
    assert [(row["pools.dome.count"], row["queues.night.lease"]) for row in rows if row["recommended"] == "1"] == [
        ("1", "30")
    ]
    assert [row["nights_kept"] for row in rows] == ["1", "1", "24", "24", "40", "40", "1", "1", "38", "38", "40", "40"]
    whole = frontier_page(both, everything=True).as_text()
    assert "makespan at most 4 h: nights kept, of 40" in whole
    many = found({(1, second): 40 for second in range(12)})
    assert "A 1, B 11" in frontier_page(many, everything=True).as_text()
    assert "B 11" not in frontier_page(many).as_text()


NIGHT: dict[str, Any] = {
    "title": "Copies",
    "starts": "2026-06-12T21:30:00",
    "lasts": "6h",
    "queues": {"night": {}},
    "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
    "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}]}},
    "arrivals": [{"name": "plates", "routine": "copy", "count": 6, "at": "21:30"}],
    "must_hold": [{"measure": "makespan", "at_most": "35m"}],
}


def test_from_python() -> None:
    """A copy takes ten minutes and 35 are allowed, so each worker makes three: 3 need one, 6 two, 9 three."""
    by = ("arrivals.plates.count", "pools.dome.count")
    answer = emulator.frontier(NIGHT, by=by, values=([3, 6, 9], [1, 2, 3]), nights=1, processes=1)
    assert [(one.first, one.second) for one in answer.points] == [(3, 1), (6, 2), (9, 3)]
    assert (answer.holds, str(answer) == answer.summary().as_text(), answer.as_json()["tried"] == answer.rows()) == (
        True,
        True,
        True,
    )
    assert isinstance(answer, FrontierResult)


@pytest.mark.parametrize(
    ("by", "values", "said"),
    [
        (("a", "a"), ([1], [2]), "two different dotted paths are needed, not 'a', 'a'"),
        (("a",), ([1], [2]), "two different dotted paths are needed, not 'a'"),
        ((), ([1], [2]), "two different dotted paths are needed, not none"),
        (("a", "b"), ([1],), "give two lists, one for each path"),
        (("a", "b"), ([1, 1], [2]), "a value is given twice"),
        (("a", "b"), (range(20), range(20)), "400 pairs are out of range: try 1 to 100"),
        (("pools.dome.count", "pools.dom.count"), ([1], [2]), "pools.dom.count"),
    ],
)
def test_wrong_input(by: Any, values: Any, said: str) -> None:
    """It says what is wrong."""
    with pytest.raises(InputError, match=said.replace(".", r"\.")):
        emulator.frontier(NIGHT, by=by, values=values, nights=1, processes=1)
