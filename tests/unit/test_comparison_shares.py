"""Shares of nights, not being worse than the baseline, and who is beaten on two figures."""

from typing import Any

import pytest
from night_rows import asked
from nights_by_hand import compared, more, played

from emulator.errors import InputError
from emulator.measure.comparison.intervals import share_interval
from emulator.measure.comparison.result import Share, TradePoint
from emulator.measure.comparison.shares import shares
from emulator.measure.comparison.wanted import PlayedNight, Reading

MAKESPAN = asked(measure="makespan", at_most=7_200_000_000)
MOSTLY = asked(measure="makespan", at_most=7_200_000_000, in_share=0.95)
DONE = asked(measure="done_share", at_least=0.99)
SWEEPS = asked(each_occurrence_of="sweeps", finished_by="05:00")
NOT_WORSE = asked(measure="failed", not_worse_by=1.0)


def nights(*held: tuple[bool | None, ...]) -> list[PlayedNight]:
    return [PlayedNight("patient", seed, {}, one) for seed, one in enumerate(held, 1)]


def only(requirement: Any, *held: bool | None) -> Share:
    found = shares("patient", [requirement], nights(*((one,) for one in held)), 0.95)
    assert len(found) == 2
    return found[0]


def test_a_requirement_without_a_share_has_to_hold_in_every_night() -> None:
    found = only(MAKESPAN, True, True, False, None, False)
    assert found.interval is not None
    assert found == Share(
        requirement="makespan at most 2 h",
        variant="patient",
        held=2,
        judged=4,
        interval=found.interval,
        together=found.interval,
        asked=None,
        verdict="does_not_hold",
        sentence="'patient': makespan at most 2 h: fails. 2 of 4 nights kept it, and it is asked of every "
        "one. 1 more night had nothing to judge.",
        missed_seeds=(3, 5),
        measure="makespan",
        at_most=7_200_000_000,
        label="makespan at most 2 h",
    )
    few = only(MAKESPAN, True, True)
    assert (few.verdict, few.sentence) == (
        "undecided",
        "'patient': makespan at most 2 h: too few nights. 2 of 2 nights kept it; 15.8 % to 100 % of all "
        "nights do (95 % sure). 36 nights in all would be enough if none is missed.",
    )
    enough = only(MAKESPAN, *[True] * 36)
    assert (enough.verdict, enough.sentence) == (
        "holds",
        "'patient': makespan at most 2 h: kept. 36 of 36 nights kept it; 90.3 % to 100 % of all nights do (95 % sure).",
    )


@pytest.mark.parametrize(
    ("held", "missed", "verdict", "rest"),
    [
        (72, 0, "holds", "72 of 72 nights kept it; 95 % to 100 % of all nights do (95 % sure)."),
        (
            71,
            0,
            "undecided",
            "71 of 71 nights kept it; 94.9 % to 100 % of all nights do (95 % sure). 72 nights in all would be "
            "enough if none is missed.",
        ),
        (
            69,
            1,
            "undecided",
            "69 of 70 nights kept it; 92.3 % to 99.96 % of all nights do (95 % sure). About 230 nights in all would "
            "be enough if it goes on like this.",
        ),
        (160, 40, "does_not_hold", "160 of 200 nights kept it; 73.8 % to 85.3 % of all nights do (95 % sure)."),
    ],
)
def test_a_share_of_nights_is_judged_by_its_exact_interval(held: int, missed: int, verdict: str, rest: str) -> None:
    found = only(MOSTLY, *[True] * held, *[False] * missed)
    assert (found.verdict, found.asked) == (verdict, 0.95)
    assert found.sentence == f"'patient': makespan at most 2 h, in 95 % of nights: {VERDICTS[verdict]}. {rest}"


def test_a_share_that_is_missed_as_often_as_is_allowed_is_told_no_number_of_nights() -> None:
    found = only(MOSTLY, *[True] * 38, *[False] * 2)
    assert found.verdict == "undecided"
    assert found.sentence.endswith(
        "(95 % sure). It is kept about as often as is asked, so no number of nights is known to be enough."
    )


def test_a_share_of_one_asks_for_every_night() -> None:
    one = asked(measure="failed", at_most=0.0, in_share=1.0)
    assert [only(one, *held).verdict for held in ([True] * 35, [True] * 36, [True] * 99 + [False])] == [
        "undecided",
        "holds",
        "does_not_hold",
    ]


def test_the_verdict_rests_on_the_interval_of_all_candidates_together() -> None:
    """36 nights show it for one candidate, and 42 are needed for two; the interval for itself stays what it was."""
    found, _ = shares("patient", [MAKESPAN], nights(*[(True,)] * 36), 0.95, candidates=2)
    assert (found.verdict, found.interval, found.together) == (
        "undecided",
        share_interval(36, 36, 0.95),
        share_interval(36, 36, 0.975),
    )
    assert "(95 % sure, for 2 candidates together). 42 nights in all would be enough" in found.sentence


def test_where_nothing_is_random_one_night_decides() -> None:
    good, _ = shares("patient", [MAKESPAN], nights((True,)), 0.95, random=False)
    assert (good.verdict, good.together, good.sentence) == (
        "holds",
        None,
        "'patient': makespan at most 2 h: kept. 1 of 1 night kept it, and nothing in it is random.",
    )
    bad, _ = shares("patient", [MOSTLY], nights((False,)), 0.95, random=False)
    assert bad.verdict == "does_not_hold"


def test_only_the_first_ten_missed_seeds_are_named() -> None:
    assert only(MAKESPAN, *[False] * 12).missed_seeds == tuple(range(1, 11))


def test_with_nothing_to_judge_no_verdict_is_given() -> None:
    found = shares("patient", [MAKESPAN], nights((None,), (None,)), 0.95)
    assert [(one.verdict, one.judged, one.interval, one.sentence) for one in found] == [
        ("nothing_to_judge", 0, None, "'patient': nothing to judge of makespan at most 2 h in any of 2 nights."),
        ("nothing_to_judge", 0, None, "'patient': nothing to judge in any of 2 nights."),
    ]


@pytest.mark.parametrize(
    ("requirements", "held", "expected"),
    [
        (
            [MAKESPAN, DONE],
            [(True, True), (False, True), (True, False)],
            (
                1,
                3,
                "does_not_hold",
                (2, 3),
                "not all requirements are kept as often as is asked. 1 of 3 nights kept all",
            ),
        ),
        (
            [MOSTLY, SWEEPS],
            [(True, None), (True, True), (None, None)],
            (
                2,
                2,
                "undecided",
                (),
                "too few nights to decide whether all requirements are kept as often as is asked. 2 of 2 nights",
            ),
        ),
        (
            [MAKESPAN],
            [(True,)] * 36,
            (36, 36, "holds", (), "all requirements are kept as often as is asked. 36 of 36 nights kept"),
        ),
    ],
)
def test_all_requirements_together_sum_up_what_was_asked_of_each(
    requirements: list[Any], held: list[tuple[bool | None, ...]], expected: tuple[int, int, str, tuple[int, ...], str]
) -> None:
    found = shares("patient", requirements, nights(*held), 0.95)[-1]
    assert (found.requirement, found.asked) == ("all requirements", None)
    assert (found.held, found.judged, found.verdict, found.missed_seeds) == expected[:4]
    assert found.sentence.startswith(f"'patient': {expected[4]}")


def test_what_only_a_comparison_can_judge_is_no_share_of_nights() -> None:
    assert shares("patient", [NOT_WORSE], nights((None,)), 0.95) == ()
    found = shares("patient", [NOT_WORSE, DONE], nights((None, True)), 0.95)
    assert [one.requirement for one in found] == ["done_share at least 99 %", "all requirements"]


VERDICTS = {"holds": "kept", "does_not_hold": "fails", "undecided": "too few nights"}
BASE = [10, 10, 10, 10, 10]


@pytest.mark.parametrize(
    ("requirement", "values", "baseline", "verdict", "rest"),
    [  # Student's half-width of 0 0 0 0 5 is 2.7764 with 4 degrees; of 1 1 1 1 2 it is 0.5553
        ({"measure": "failed", "not_worse_by": 4.0}, [0, 0, 0, 0, 5], [0] * 5, "holds", "1.78 lower to 3.78 higher"),
        (
            {"measure": "failed", "not_worse_by": 3.0},
            [0, 0, 0, 0, 5],
            [0] * 5,
            "undecided",
            "1.78 lower to 3.78 higher",
        ),
        ({"measure": "failed", "not_worse_by": 0.5}, [1, 1, 1, 1, 2], [0] * 5, "does_not_hold", "0.645 to 1.76 higher"),
        ({"measure": "done", "not_worse_by": 0.5}, [1, 1, 1, 1, 2], [0] * 5, "holds", "0.645 to 1.76 higher"),
        ({"measure": "done", "not_worse_by": 1.0}, [0] * 5, [1, 1, 1, 1, 2], "undecided", "0.645 to 1.76 lower"),
        ({"measure": "done", "not_worse_by": 0.5}, [0] * 5, [1, 1, 1, 1, 2], "does_not_hold", "0.645 to 1.76 lower"),
    ],
)
def test_not_being_worse_is_judged_by_the_ends_of_the_interval(
    requirement: dict[str, Any], values: list[float], baseline: list[float], verdict: str, rest: str
) -> None:
    name, allowed = requirement["measure"], requirement["not_worse_by"]
    figures = {"a": {"failed": baseline, "done": baseline}, "b": {"failed": values, "done": values}}
    found = compared(played(figures), "ab", measures=(name,), requirements={"b": [asked(**requirement)]})
    text = f"{name} not worse than the baseline by more than {allowed:g}"
    words = text.replace(name, f"jobs {name}")
    sentence = f"'b': {words}: {verdict.replace('_', ' ')}: jobs {name} {rest} (95 % sure)."
    assert found.not_worse == (Share(text, "b", 0, 0, None, None, verdict, sentence, label=words),)


@pytest.mark.parametrize(
    ("measure", "values", "baseline", "verdict", "rest"),
    [
        ("failed", [1, 1], [1, 1], "holds", "it is the same in each of 2 nights."),
        (
            "failed",
            [1, 1],
            [2, 2],
            "undecided",
            "it is 1 lower in every one of 2 nights. These are too few nights to rely on.",
        ),
        ("failed", [1] * 6, [2] * 6, "holds", "jobs failed 1 lower (95 % sure)."),
        ("failed", [1], [1], "undecided", "one pair of nights has no spread: run more."),
        ("failed", [None, None], [1, 1], "undecided", "no pair of nights has a value under both."),
        ("failed", [1, 1], [more(3), 3], "holds", "jobs failed at least 2 lower (95 % sure)."),
        ("failed", [more(5), 5], [1, 1], "does_not_hold", "jobs failed at least 4 higher (95 % sure)."),
        (
            "failed",
            [more(1), 1],
            [1, 1],
            "undecided",
            "of 2 nights, something was unfinished under 'b' in 1: let the scenario last longer.",
        ),
        ("done", [more(1), 1], [1, 1], "holds", "jobs done no difference or more (95 % sure)."),
        (
            "done",
            [1, 1],
            [more(1), 1],
            "undecided",
            "of 2 nights, something was unfinished under the baseline in 1: let the scenario last longer.",
        ),
    ],
)
def test_not_being_worse_says_what_is_not_known(
    measure: str,
    values: list[float | Reading | None],
    baseline: list[float | Reading | None],
    verdict: str,
    rest: str,
) -> None:
    figures = {"a": {measure: baseline, "failed": baseline}, "b": {measure: values, "failed": values}}
    requirements = {"b": [asked(measure=measure, not_worse_by=0.0)]}
    found = compared(played(figures), "ab", measures=(measure,), requirements=requirements)
    assert [(one.verdict, one.sentence) for one in found.not_worse] == [
        (verdict, f"'b': jobs {measure} not worse than the baseline: {verdict.replace('_', ' ')}: {rest}")
    ]


def test_a_figure_that_must_not_be_worse_belongs_to_the_family_though_it_is_not_compared() -> None:
    nights = played({"a": {"failed": BASE, "done": BASE}, "b": {"failed": [7, 8, 6, 7, 7], "done": BASE}})
    alone = compared(nights, "ab")
    both = compared(nights, "ab", requirements={"b": [asked(measure="done", not_worse_by=1.0)]})
    assert [one.measure for one in both.differences] == ["failed"]
    assert alone.differences[0].p is not None
    assert (alone.differences[0].p_together, both.differences[0].p_together) == (
        alone.differences[0].p,
        2 * alone.differences[0].p,
    )


def points(*given: tuple[str, float | Reading | None, float | Reading | None], better: str = "failed") -> Any:
    figures = {name: {better: [across], "overlap": [up]} for name, across, up in given}
    return compared(played(figures), list(figures), measures=(better,), trade_off=(better, "overlap")).points


def test_a_variant_is_dominated_by_those_no_worse_on_both_and_better_on_one() -> None:
    assert points(("a", 5, 5), ("b", 5, 4), ("c", 4, 6), ("d", 3, 3), ("e", 5, 5)) == (
        TradePoint("a", 5.0, 5.0, ("b", "d")),
        TradePoint("b", 5.0, 4.0, ("d",)),
        TradePoint("c", 4.0, 6.0, ("d",)),
        TradePoint("d", 3.0, 3.0, ()),
        TradePoint("e", 5.0, 5.0, ("b", "d")),
    )


def test_a_lower_bound_beats_nothing_by_being_low_and_can_be_beaten() -> None:
    assert points(("a", 5, 5), ("b", more(4), 4), ("c", None, 1)) == (
        TradePoint("a", 5.0, 5.0, ()),
        TradePoint("b", 4.0, 4.0, (), True, False),
        TradePoint("c", None, 1.0, ()),
    )
    assert points(("a", 3, 3), ("b", more(4), more(4)))[1] == TradePoint("b", 4.0, 4.0, ("a",), True, True)


def test_where_more_is_better_a_lower_bound_may_beat_and_is_not_beaten() -> None:
    assert points(("a", 5, 5), ("b", more(6), 5), ("c", 9, 5), better="done") == (
        TradePoint("a", 5.0, 5.0, ("b", "c")),
        TradePoint("b", 6.0, 5.0, (), True, False),
        TradePoint("c", 9.0, 5.0, ()),
    )


def test_the_share_of_jobs_done_stands_with_each_point() -> None:
    """Its mean over the nights that had jobs; None where no night had any, or none has read it. It decides nothing."""
    figures = {
        "a": {"failed": [3, 3, 3], "overlap": [1, 1, 1], "done_share": [1.0, 0.5, None]},
        "b": {"failed": [2, 2, 2], "overlap": [1, 1, 1], "done_share": [0.25, 0.25, 0.25]},
        "c": {"failed": [9, 9, 9], "overlap": [1, 1, 1], "done_share": [None, None, None]},
        "d": {"failed": [9, 9, 9], "overlap": [1, 1, 1]},
    }
    assert compared(played(figures), list(figures), trade_off=("failed", "overlap")).points == (
        TradePoint("a", 3.0, 1.0, ("b",), done=0.75),
        TradePoint("b", 2.0, 1.0, (), done=0.25),
        TradePoint("c", 9.0, 1.0, ("a", "b")),
        TradePoint("d", 9.0, 1.0, ("a", "b")),
    )


def test_a_figure_of_which_neither_side_is_better_cannot_be_traded_off() -> None:
    nights = played({"a": {"failed": [1], "accepted": [1]}})
    with pytest.raises(InputError) as caught:
        compared(nights, "a", trade_off=("failed", "accepted"))
    assert str(caught.value) == "accepted cannot be traded off: neither more nor less of it is better"
