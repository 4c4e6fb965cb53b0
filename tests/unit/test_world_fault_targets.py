"""Promises of whom faults hit, and that one fault's draws depend on nobody else.

They run on a stand-in world that writes down what is done to it; all expectations are by hand.
"""

import pytest
from stand_in_world import HOUR, Night, at

# -- whom -------------------------------------------------------------------------------------------------------------


def test_a_pool_is_all_its_workers_and_a_list_names_each_once():
    """``dome`` in a list takes in dome-1, which is not hit twice."""
    night = Night([{"freeze": ["tower-2", "dome", "dome-1"], "at": at(1)}], pools={"dome": 2, "tower": 2}).run()
    assert night.hit() == ["tower-2", "dome-1", "dome-2"]


@pytest.mark.parametrize("kind", ["share", "some"])
def test_a_larger_share_contains_the_smaller(kind):
    """Of ten workers 1, 2, ... 10 are hit, in the pool's order, and each set contains the one before it."""
    before: set[str] = set()
    for many in range(1, 11):
        target = {"pool": "dome", kind: many / 10 if kind == "share" else many}
        hit = Night([{"freeze": target, "at": at(1)}], pools={"dome": 10}).run().hit()
        assert hit == [f"dome-{n}" for n in range(1, 11) if f"dome-{n}" in hit]
        assert len(hit) == many
        assert before < set(hit)
        before = set(hit)


@pytest.mark.parametrize(
    ("share", "count", "many"), [(0.5, 3, 2), (0.5, 5, 3), (0.1, 5, 1), (0.1, 4, 0), (0.29, 50, 15)]
)
def test_a_share_is_rounded_to_whole_workers_halves_up(share, count, many):
    """0.29 of 50 is 14.5 and so 15, although the product of the two floats is below it."""
    assert (
        len(Night([{"freeze": {"pool": "dome", "share": share}, "at": 0}], pools={"dome": count}).run().hit()) == many
    )


def test_a_larger_pool_ranks_its_earlier_workers_in_the_same_order():
    """Of those whom 5 of 10 workers are, some drop out for new ones when there are 12, and none of the old comes in."""
    small = Night([{"freeze": {"pool": "dome", "some": 5}, "at": 0}], pools={"dome": 10}).run().hit()
    large = Night([{"freeze": {"pool": "dome", "some": 5}, "at": 0}], pools={"dome": 12}).run().hit()
    assert {name for name in large if name not in ("dome-11", "dome-12")} <= set(small)


def test_some_are_drawn_anew_for_each_occurrence():
    """One process strikes the pool every 10 minutes, and not always the same worker."""
    aim = {"pool": "dome", "some": 1}
    night = Night([{"freeze": aim, "gaps": at(9), "lasts": at(1)}], pools={"dome": 9}).run()
    assert [row[0] for row in night.told if row[1] == "fault_began"] == [10.0 * k - 1 for k in range(1, 61)]
    assert len(set(night.hit())) > 5


def test_a_gap_begins_when_the_last_of_those_who_were_hit_is_well_again():
    """Three workers are frozen together, each for a time of its own; the next gap of 10 minutes follows the longest."""
    lasts = {"between": [at(1), at(9)]}
    night = Night([{"freeze": {"pool": "dome"}, "gaps": at(10), "lasts": lasts}]).run()
    onsets, ends = night.onsets()["dome-1"], night.onsets("fault_ended")
    assert onsets[0] == at(10) and len(onsets) > 20
    of_each = list(zip(*(ticks[: len(onsets) - 1] for ticks in ends.values()), strict=True))
    assert onsets[1:] == [max(of_one) + at(10) for of_one in of_each]
    assert all(len(set(of_one)) == 3 for of_one in of_each)


def test_what_never_ends_leaves_its_gaps_from_onset_to_onset():
    """One more worker dies for good every 10 minutes: nothing of that has an end to count from."""
    night = Night([{"power_off": {"pool": "dome"}, "gaps": at(10)}], lasts=35).run()
    assert night.onsets() == {f"dome-{n}": [at(10), at(20), at(30)] for n in (1, 2, 3)}


def test_a_pool_aimed_at_as_one_is_struck_as_one():
    """``{pool: dome}`` without a number has one process for all of it, where ``dome`` has one for each worker."""
    gaps = {"mean": HOUR, "law": "exponential"}
    together, apart = (
        Night([{"freeze": aim, "gaps": gaps, "lasts": at(1)}]).run().onsets() for aim in ({"pool": "dome"}, "dome")
    )
    assert together["dome-1"] == together["dome-2"] == together["dome-3"]
    assert len({tuple(ticks) for ticks in apart.values()}) == 3


def test_a_worker_that_is_added_leaves_the_others_as_they_were():
    """A process goes by worker: the onsets of three workers are among those of five, tick by tick."""
    fault = {"freeze": "dome", "gaps": {"mean": HOUR, "law": "exponential"}, "lasts": at(1)}
    three, five = (Night([fault], pools={"dome": count}).run().onsets() for count in (3, 5))
    assert sorted(three) == ["dome-1", "dome-2", "dome-3"]
    assert three == {name: five[name] for name in three}
    assert len({tuple(ticks) for ticks in five.values()}) == 5


def test_a_worker_is_struck_at_the_same_time_whether_it_is_up_or_not():
    """A worker that is off for two hours misses what comes then, and meets the rest at the same ticks."""
    process = {"freeze": "dome-1", "gaps": {"mean": HOUR // 4, "law": "exponential"}, "lasts": at(1)}
    alone = Night([process]).run()
    off = Night([process, {"power_off": "dome-1", "from": at(60), "until": at(180)}]).run()
    freezes = [row[0] for row in off.world.rows if row[1] == "fault_began" and row[5] == "freeze"]
    assert freezes == alone.onsets()["dome-1"]
    missed = [row[0] for row in off.world.rows if row[1] == "fault_missed"]
    assert missed == [tick for tick in freezes if at(60) <= tick < at(180)]
    assert len(missed) > 2


def test_a_fault_is_known_by_its_content_not_by_its_place():
    """Other faults before or behind it, and how hard it hits, leave its occurrences as they were."""
    gaps = {"mean": HOUR // 2, "law": "exponential"}
    mine = {"slow_down": "dome-1", "gaps": gaps, "lasts": at(1), "to": 0.5}
    expected = Night([mine]).run().onsets()["dome-1"]
    others = [{"freeze": "dome-2", "gaps": gaps, "lasts": at(1)}, {"slow_down": "dome-3", "at": 0, "to": 0.5}]
    for faults in ([*others, mine], [mine, *others], [others[0], {**mine, "to": 0.1}]):
        assert Night(faults).run().onsets()["dome-1"] == expected
    longer = Night([{**mine, "lasts": at(2)}]).run().onsets()["dome-1"]
    assert longer == [onset + at(place) for place, onset in enumerate(expected)][: len(longer)]
    from_onset = [{**mine, "lasts": at(lasts), "gaps_from": "onset"} for lasts in (1, 2)]
    assert len({tuple(Night([fault]).run().onsets()["dome-1"]) for fault in from_onset}) == 1


def test_faults_that_are_alike_strike_at_times_of_their_own_in_any_order_of_the_file():
    """Two processes that differ in their strength alone share no draws, and keep theirs when they change places."""
    one, other = (
        {"slow_down": "dome-1", "gaps": {"mean": HOUR, "law": "exponential"}, "lasts": at(1), "to": to}
        for to in (0.5, 0.1)
    )
    forth, back = Night([one, other]).run(), Night([other, one]).run()

    def onsets(night: Night, place: str) -> list[float]:
        return [row[0] for row in night.told if row[1] == "fault_began" and row[6] == place]

    first, second = onsets(forth, "faults[0]"), onsets(forth, "faults[1]")
    assert first and second and not set(first) & set(second)
    assert (onsets(back, "faults[1]"), onsets(back, "faults[0]")) == (first, second)


# -- by name ----------------------------------------------------------------------------------------------------------


def test_a_named_fault_is_the_same_at_another_time():
    """Moved by an hour it hits the same workers for the same times; without a name it is another fault."""
    aim, lasts = {"pool": "dome", "some": 3}, {"between": [at(1), at(9)]}

    def hits(start: int, **name: str) -> list[tuple[str, int]]:
        night = Night([{**name, "freeze": aim, "at": start, "lasts": lasts}], pools={"dome": 40}).run()
        ends = night.onsets("fault_ended")
        return [(worker, ends[worker][0] - start) for worker in night.hit()]

    early, late = at(60), at(120)
    assert hits(early, name="standstill") == hits(late, name="standstill")
    assert hits(early) != hits(late)
    assert hits(early, name="standstill") != hits(early, name="another")


def test_a_named_fault_may_become_another_kind_and_its_worker_keeps_its_gaps():
    """A random process by name begins at the same instants, whatever it does to whom it strikes."""
    gaps = {"mean": at(20), "law": "exponential"}
    freeze = Night([{"name": "trouble", "freeze": "dome", "gaps": gaps, "gaps_from": "onset"}]).run()
    cut = Night([{"name": "trouble", "cut_link": "dome", "gaps": gaps, "gaps_from": "onset"}]).run()
    assert freeze.onsets() == cut.onsets() != {}
