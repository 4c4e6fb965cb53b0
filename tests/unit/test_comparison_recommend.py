"""The rule of recommendation, on nights made by hand: each promise with the answer that it must give."""

from collections.abc import Mapping, Sequence
from typing import Any

import pytest
from night_rows import asked
from nights_by_hand import more, readings

from emulator.errors import InputError
from emulator.measure.comparison.intervals import share_interval
from emulator.measure.comparison.preference import nights_at_rate, nights_without_a_miss
from emulator.measure.comparison.recommend import Candidates, Entrant, nights_by_default, recommend
from emulator.measure.comparison.result import Enough, Lost, PreferenceStep, Recommendation, Share
from emulator.measure.comparison.wanted import PlayedNight, Reading, wanted
from emulator.timeline.ticks import HOUR, MINUTE

EVERY = asked(measure="done_share", at_least=1.0)
MOST = asked(measure="done_share", at_least=1.0, in_share=0.9)
Values = Sequence[float | Reading | None]
Held = Sequence[bool | None] | Sequence[tuple[bool | None, ...]]


def rule(
    held: Mapping[str, Held],
    figures: Mapping[str, Mapping[str, Values]] | None = None,
    *,
    requirements: Sequence[Any] = (EVERY,),
    prefer: Sequence[str] = ("attempts_per_job",),
    changed: Mapping[str, int] | None = None,
    what_ifs: Sequence[str] = (),
    **keys: Any,
) -> Recommendation:
    """Apply the rule to nights by variant: whether each held, and the values of each figure (by figure, variant)."""
    told = {name: [one if isinstance(one, tuple) else (one,) for one in answers] for name, answers in held.items()}
    nights = [
        PlayedNight(name, seed, {}, answers) for name, found in told.items() for seed, answers in enumerate(found, 1)
    ]
    count = len(next(iter(told.values())))
    values = {
        (text, name): readings(by.get(name, [None] * count)) for text, by in (figures or {}).items() for name in told
    }
    for text in prefer:
        for name in told:
            values.setdefault((text, name), readings([None] * count))
    given: dict[str, Any] = {
        "entrants": [
            Entrant(name, (changed or {}).get(name, 0 if not at else 1), name in what_ifs)
            for at, name in enumerate(told)
        ],
        "requirements": dict.fromkeys(told, requirements),
        "played": nights,
        "readings": values,
        "not_worse": (),
        "lost": (),
        "prefer": [wanted(text) for text in prefer],
        "compared": [],
        "confidence": 0.95,
        "random": True,
        "nights": count,
        "planned": count,
    }
    return recommend(Candidates(**{**given, **keys}))


def kept(held: int, of: int) -> list[bool]:
    """Nights of which the last ones miss."""
    return [night < held for night in range(of)]


def test_the_only_variant_that_kept_every_night_is_taken() -> None:
    """Six candidates need 53 nights: 0.05 / 12 = 0.00417, and 0.9 ** 53 = 0.00376, 0.9 ** 52 = 0.00418."""
    held = {"as written": kept(0, 53), "90 s": kept(52, 53), "110 s": kept(53, 53), **{n: kept(1, 53) for n in "abc"}}
    found = rule(held)
    assert (found.answer, found.recommended, found.leads, found.candidates) == ("take", ("110 s",), "110 s", 6)
    assert [one.verdict for one in found.standings] == ["fails", "fails", "take", "fails", "fails", "fails"]
    best = found.standing_of("110 s")
    assert best.interval == share_interval(53, 53, 1 - 0.05 / 6)
    assert best.requirements[0].interval == best.interval
    assert found.standing_of("90 s").missed_seeds == (53,)
    assert found.standing_of("90 s").misses_most == 0
    assert best.misses_most is None


def test_one_night_fewer_is_too_few_and_the_number_is_told() -> None:
    held = {"as written": kept(0, 52), "110 s": kept(52, 52), **{n: kept(1, 52) for n in "abcd"}}
    found = rule(held)
    assert (found.answer, found.recommended, found.leads) == ("too_few_nights", (), "110 s")
    assert found.enough == Enough(53, without_a_miss=True)
    assert [one.verdict for one in found.standings][:2] == ["fails", "too_few_nights"]


def test_every_night_is_harder_than_nine_in_ten() -> None:
    """With 20 of 20 nights both are open; one miss in 200 is missed for the one and shown for the other."""
    both = {"requirements": (EVERY, MOST), "prefer": ("attempts_per_job",)}
    few = rule({"as written": [(True, True)] * 20}, **both)
    assert [one.standing for one in few.standings[0].requirements] == ["open", "open"]
    many = rule({"as written": [(True, True)] * 199 + [(False, False)]}, **both)
    assert [one.standing for one in many.standings[0].requirements] == ["missed", "shown"]
    assert many.answer == "none"


def test_a_share_of_one_asks_for_every_night() -> None:
    one = asked(measure="done_share", at_least=1.0, in_share=1.0)
    assert rule({"as written": kept(36, 36)}, requirements=(one,)).answer == "take"
    assert rule({"as written": kept(35, 36)}, requirements=(one,)).answer == "none"


def test_what_if_is_shown_and_never_recommended_and_takes_no_part_of_the_confidence() -> None:
    found = rule({"as written": kept(36, 36), "no faults": kept(36, 36)}, what_ifs=["no faults"])
    assert (found.recommended, found.candidates) == (("as written",), 1)
    assert found.standings[1].verdict == "what_if"
    assert found.standings[1].standing == "shown"
    alone = rule({"as written": kept(0, 36), "no faults": kept(36, 36)}, what_ifs=["no faults"])
    assert (alone.answer, alone.leads) == ("none", "as written")


def test_where_nothing_is_random_one_night_decides_and_no_interval_is_given() -> None:
    found = rule({"as written": [False], "ends by itself": [True]}, random=False)
    assert (found.answer, found.recommended) == ("take", ("ends by itself",))
    assert {one.interval for one in found.standings} == {None}
    assert {it.interval for one in found.standings for it in one.requirements} == {None}


def test_the_cheaper_of_two_that_qualify_is_taken_and_the_other_says_what_dropped_it() -> None:
    held = {"as written": kept(0, 46), "seven": kept(46, 46), "eight": kept(46, 46)}
    hours = {"as written": [60.0] * 46, "seven": [70.0] * 46, "eight": [80.0] * 46}
    found = rule(held, {"worker_hours": hours}, prefer=("worker_hours",))
    assert (found.answer, found.recommended) == ("take", ("seven",))
    assert found.steps == (PreferenceStep("worker_hours", "seven", ("eight",), ("seven",)),)
    assert (found.standing_of("eight").verdict, found.standing_of("eight").dropped_by) == ("qualifies", 0)
    assert [(one.variant, one.mean, one.against) for one in found.differences] == [
        ("as written", -10, "better"),
        ("eight", 10, "worse"),
    ]


def test_a_time_within_two_per_cent_is_a_tie_and_beyond_it_is_not() -> None:
    """A leader of 100 min, and 2 or 2.5 min more, give or take 6 s: both differences are clear."""
    held = {"as written": kept(0, 60), "105 s": kept(60, 60), "110 s": kept(60, 60)}

    def makespans(longer: float) -> dict[str, Values]:
        return {
            "105 s": [100 * MINUTE] * 60,
            "110 s": [int((100 + longer + (-1) ** night / 10) * MINUTE) for night in range(60)],
        }

    tie = rule(held, {"makespan": makespans(1.99)}, prefer=("makespan",))
    assert (tie.answer, tie.recommended, tie.leads) == ("tie", ("105 s", "110 s"), "105 s")
    assert tie.differences[1].against == "within_margin"
    take = rule(held, {"makespan": makespans(2.5)}, prefer=("makespan",))
    assert (take.answer, take.recommended) == ("take", ("105 s",))
    assert take.differences[1].against == "worse"


def test_a_tie_names_as_written_first_then_the_fewest_changed_keys_then_file_order() -> None:
    held = {name: kept(60, 60) for name in ("as written", "b", "a", "c")}
    found = rule(held, changed={"b": 2, "a": 1, "c": 1})
    assert found.recommended == ("as written", "a", "c", "b")
    assert [one.verdict for one in found.standings] == ["tie"] * 4


def test_a_difference_that_is_not_clear_drops_nobody_out() -> None:
    held = {"as written": kept(60, 60), "b": kept(60, 60)}
    attempts = {"as written": [1.0, 1.2] * 30, "b": [1.21, 1.0] * 30}
    assert rule(held, {"attempts_per_job": attempts}).answer == "tie"


def test_a_lower_bound_never_leads_and_never_drops_one_out() -> None:
    """The other's makespan is only known to be more than 4 h in one night: neither can be preferred by it."""
    held = {"as written": kept(60, 60), "cut off": kept(60, 60)}
    bounds: Values = [4 * HOUR + night for night in range(59)] + [more(4 * HOUR)]
    exact: Values = [5 * HOUR + 7 * night for night in range(60)]
    found = rule(held, {"makespan": {"as written": exact, "cut off": bounds}}, prefer=("makespan",))
    assert (found.answer, found.steps[0].leader, found.steps[0].dropped) == ("tie", "as written", ())


def test_a_variant_that_is_worse_by_more_than_its_lower_bound_drops_out() -> None:
    held = {"as written": kept(60, 60), "cut off": kept(60, 60)}
    bounds: Values = [9 * HOUR + night for night in range(59)] + [more(9 * HOUR)]
    exact: Values = [5 * HOUR + 7 * night for night in range(60)]
    found = rule(held, {"makespan": {"as written": exact, "cut off": bounds}}, prefer=("makespan",))
    assert found.recommended == ("as written",)


def test_a_time_is_never_better_where_fewer_jobs_are_done() -> None:
    """Half the time, and one job in fifty is given up: the times are not compared, whatever is preferred."""
    held = {"as written": kept(60, 60), "gives up": kept(60, 60)}
    figures = {
        "makespan": {
            "as written": [4 * HOUR + n for n in range(60)],
            "gives up": [2 * HOUR + 3 * n for n in range(60)],
        },
        "done_share": {"as written": [1.0] * 60, "gives up": [0.98] * 60},
    }
    found = rule(held, figures, prefer=("makespan",))
    assert (found.answer, found.steps[0].leader) == ("tie", "as written")
    assert found.differences[0].against == "not_compared"
    assert rule(held, figures, prefer=("done_share", "makespan")).recommended == ("as written",)


def test_a_time_is_better_where_just_as_many_jobs_are_done_within_chance() -> None:
    """The quick one does 0.002 % fewer on average, anywhere from 0.1 % fewer to 0.1 % more."""
    held = {"as written": kept(60, 60), "quick": kept(60, 60)}
    figures = {
        "makespan": {"as written": [4 * HOUR + n for n in range(60)], "quick": [2 * HOUR + 3 * n for n in range(60)]},
        "done_share": {"as written": [0.999, 0.998] * 30, "quick": [0.998, 0.99896] * 30},
    }
    assert rule(held, figures, prefer=("makespan",)).recommended == ("quick",)


def test_an_open_variant_that_is_preferred_is_named() -> None:
    held = {"as written": kept(54, 60), "seven": kept(60, 60), "eight": kept(60, 60)}
    hours = {"as written": [60.0] * 60, "seven": [70.0] * 60, "eight": [80.0] * 60}
    found = rule(held, {"worker_hours": hours}, prefer=("worker_hours",), requirements=(MOST,))
    assert (found.answer, found.recommended, found.open_ahead) == ("take", ("seven",), ("as written",))


def test_with_too_few_nights_the_one_with_the_most_nights_kept_leads_and_not_the_cheapest() -> None:
    held = {"six": kept(14, 20), "seven": kept(20, 20), "eight": kept(20, 20)}
    hours = {"six": [60.0] * 20, "seven": [70.0] * 20, "eight": [80.0] * 20}
    found = rule(held, {"worker_hours": hours}, prefer=("worker_hours",), requirements=(MOST,))
    assert (found.answer, found.leads, found.enough) == ("too_few_nights", "seven", Enough(46, without_a_miss=True))


def test_a_leader_that_has_missed_is_told_the_nights_at_the_rate_seen() -> None:
    """57 of 60 with two candidates: without another miss 94 nights would do, at that rate 308 are needed."""
    found = rule({"as written": kept(40, 60), "b": kept(57, 60)}, requirements=(MOST,))
    assert (found.answer, found.leads) == ("too_few_nights", "b")
    assert found.enough == Enough(308, without_a_miss=False)
    never = rule({"as written": kept(40, 60), "b": kept(54, 60)}, requirements=(MOST,))
    assert never.enough == Enough(None, without_a_miss=False)


def test_when_none_qualifies_and_none_is_open_the_closest_is_named() -> None:
    found = rule({"as written": kept(0, 55), "growing": kept(33, 55), "a minute": kept(2, 55)})
    assert (found.answer, found.recommended, found.leads) == ("none", (), "growing")
    assert found.standing_of("growing").kept == 33
    assert found.enough is None


def test_of_variants_that_kept_no_night_the_one_that_misses_fewer_requirements_is_closest() -> None:
    both = {"requirements": (EVERY, asked(measure="failed", at_most=3.0))}
    found = rule({"as written": [(False, False)] * 40, "b": [(True, False)] * 40}, **both)
    assert found.leads == "b"
    assert found.standing_of("b").misses_most == 1


def test_nothing_that_was_judged_never_reads_as_good() -> None:
    found = rule({"as written": [None] * 60})
    assert (found.answer, found.recommended) == ("not_judged", ())
    assert found.standings[0].verdict == "not_judged"
    assert (found.standings[0].requirements[0].judged, found.standings[0].requirements[0].unjudged) == (0, 60)


def test_where_nothing_is_asked_nothing_is_recommended() -> None:
    found = rule({"as written": [()] * 60, "b": [()] * 60}, requirements=())
    assert (found.answer, found.recommended, found.standings[1].verdict) == ("nothing_asked", (), "nothing_asked")


def test_nights_in_which_nothing_could_be_judged_count_neither_way_and_raise_the_number_needed() -> None:
    """Half of 20 nights had something to judge: 42 judged nights take 84."""
    half: list[bool | None] = [True, None] * 10
    found = rule({"as written": half, "b": [False] * 20})
    assert (found.answer, found.enough) == ("too_few_nights", Enough(84, without_a_miss=True))


def test_a_variant_of_which_a_night_failed_to_run_is_never_taken() -> None:
    found = rule({"as written": kept(60, 60), "b": kept(0, 60)}, lost=[Lost("as written", 7, "killed")])
    assert (found.answer, found.leads, found.standings[0].lost) == ("too_few_nights", "as written", 1)
    assert found.enough == Enough(None, without_a_miss=True)


def test_a_requirement_on_the_baseline_decides_too() -> None:
    def on(verdict: Any) -> Recommendation:
        share = Share("makespan not worse", "b", 0, 0, None, None, verdict, "")
        figures = {"attempts_per_job": {"as written": [2.0] * 60, "b": [1.0] * 60}}
        return rule({"as written": kept(60, 60), "b": kept(60, 60)}, figures, not_worse=[share])

    assert on("holds").recommended == ("b",)
    assert on("does_not_hold").recommended == ("as written",)
    assert (on("undecided").recommended, on("undecided").open_ahead) == (("as written",), ("b",))
    assert on("undecided").standing_of("b").requirements[1].of_baseline


def test_a_run_that_was_cut_short_says_so_and_how_many_nights_there_are() -> None:
    found = rule({"as written": kept(36, 36)}, planned=60, cut_short="interrupted")
    assert (found.answer, found.nights, found.planned, found.cut_short) == ("take", 36, 60, "interrupted")


def test_the_nights_by_default_are_fixed_by_the_number_of_candidates_and_what_is_asked() -> None:
    """ln(0.025 / candidates) / ln(share), rounded up; 30 at least, 1,000 at most."""
    assert [nights_by_default(count, [None]) for count in (1, 2, 3, 6, 8)] == [36, 42, 46, 53, 55]
    assert nights_by_default(2, [0.95]) == 86
    assert (nights_by_default(2, []), nights_by_default(1, [0.5]), nights_by_default(1, [0.9999])) == (30, 30, 1000)


@pytest.mark.parametrize("candidates", [1, 2, 3, 6, 20])
@pytest.mark.parametrize("share", [0.5, 0.9, 0.95, 0.99])
def test_the_number_without_a_miss_is_the_smallest_that_shows(candidates: int, share: float) -> None:
    found = nights_without_a_miss(candidates, share)
    each = 1 - 0.05 / candidates
    assert (share_interval(found, found, each).low or 0) >= share
    assert (share_interval(found - 1, found - 1, each).low or 0) < share


def test_no_number_of_nights_shows_what_is_asked_of_every_night_and_was_missed() -> None:
    with pytest.raises(InputError, match="no number of nights shows it"):
        nights_at_rate(19, 20, 1.0, 2)


def test_where_only_the_difference_from_the_baseline_is_open_no_number_of_nights_is_told() -> None:
    """How many would do depends on the spread of that difference: ``Difference.shows_with`` tells it."""
    share = Share("makespan not worse", "b", 0, 0, None, None, "undecided", "")
    found = rule({"as written": kept(0, 60), "b": kept(60, 60)}, not_worse=[share])
    assert (found.answer, found.leads, found.enough) == ("too_few_nights", "b", Enough(None, without_a_miss=True))


def test_a_share_just_above_what_is_asked_takes_more_nights_than_are_ever_run() -> None:
    assert nights_at_rate(900_010, 1_000_000, 0.9, 2) is None
