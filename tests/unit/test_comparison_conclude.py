"""What a comparison says in the end: effects, sentences, and what does not belong together."""

import math
from collections.abc import Callable
from itertools import permutations
from typing import Any

import pytest
from night_rows import asked
from nights_by_hand import compared, more, played

from emulator.errors import InputError
from emulator.measure.comparison.intervals import Interval, scipy_version
from emulator.measure.comparison.paired import change, reach, tidy
from emulator.measure.comparison.result import Comparison, Difference, Lost
from emulator.measure.comparison.wanted import PlayedNight, Reading
from emulator.timeline.ticks import DAY, HOUR, MINUTE, SECOND

Values = list[float | Reading | None]


def difference(baseline: Values, values: Values, measure: str = "failed", **keys: Any) -> Difference:
    figures = {"as written": {measure: baseline, "failed": baseline}, "patient": {measure: values, "failed": values}}
    found = compared(played(figures), ["as written", "patient"], measures=(measure,), **keys)
    assert len(found.differences) == 1
    return found.differences[0]


TEN: Values = [10, 10, 10, 10, 10]


def test_a_difference_has_everything_whole() -> None:
    """See ``test_comparison_paired`` for the numbers."""
    found = difference(TEN, [7, 8, 6, 7, 7])
    assert found == Difference(
        measure="failed",
        variant="patient",
        unit="count",
        n=5,
        absent=0,
        at_least_pairs=0,
        at_most_pairs=0,
        unknown_pairs=0,
        mean=-3.0,
        alone=found.together,
        together=found.alone,
        p=found.p_together,
        p_together=found.p,
        variance_ratio=found.variance_ratio,
        effect="better",
        shows_with=None,
        of_size=None,
        sentence="'patient' is better: jobs failed 3 lower (95 % sure: 2.12 to 3.88 lower, for all "
        "differences together).",
    )


@pytest.mark.parametrize(
    ("measure", "values", "effect", "sentence"),
    [
        (
            "done",
            [7, 8, 6, 7, 7],
            "worse",
            "'patient' is worse: jobs done 3 lower (95 % sure: 2.12 to 3.88 lower, for all differences together).",
        ),
        (
            "done",
            [13, 12, 14, 13, 13],
            "better",
            "'patient' is better: jobs done 3 higher (95 % sure: 2.12 to 3.88 higher, for all differences together).",
        ),
        (
            "accepted",
            [7, 8, 6, 7, None],
            "lower",
            "'patient' is lower: jobs accepted 3 lower (95 % sure: 1.7 to 4.3 lower, for all differences together). "
            "1 more night had no value.",
        ),
        (
            "accepted",
            [13, 12, 14, 13, 13],
            "higher",
            "'patient' is higher: jobs accepted 3 higher (95 % sure: 2.12 to 3.88 higher, for all "
            "differences together).",
        ),
        ("failed", TEN, "same", "'patient': the same jobs failed in each of 5 nights."),
        (
            "failed",
            [10, 10, None, 10, None],
            "same",
            "'patient': the same jobs failed in each of 3 nights. 2 more nights had no value.",
        ),
        (
            "failed",
            [8, 8, 8, 8, 8],
            "undecided",
            "'patient': no verdict on jobs failed: it is 2 lower in every "
            "one of 5 nights. These are too few "
            "nights to rely on.",
        ),
        (
            "failed",
            [8, more(13), 14, 13, 13],
            "undecided",
            "'patient': no verdict on jobs failed: of 5 nights, something "
            "was unfinished under 'patient' in 1: "
            "let the scenario last longer.",
        ),
        (
            "failed",
            [13, more(13), 14, more(13), 13],
            "worse",
            "'patient' is worse: jobs failed at least 3.2 higher (95 % sure: at least 2.64 higher, for all differences "
            "together). In 2 nights something was unfinished under 'patient'.",
        ),
    ],
)
def test_effects_and_their_sentences(measure: str, values: Values, effect: str, sentence: str) -> None:
    found = difference(TEN, values, measure)
    assert (found.effect, found.sentence) == (effect, sentence)


def test_the_same_difference_in_enough_nights_is_shown() -> None:
    """Six nights on the same side come by chance once in 32 times, five once in 16."""
    found = difference([*TEN, 10, None], [8, 8, 8, 8, 8, 8, 8])
    assert (found.effect, found.p) == ("better", 1 / 32)
    assert found.sentence == (
        "'patient' is better: jobs failed 2 lower in every one of 6 nights, so nothing is known of how much "
        "that varies. "
        "1 more night had no value."
    )


def test_a_fall_below_nights_that_were_cut_off_is_at_least_that_large() -> None:
    found = difference([more(13), 14, 13, 13], [10, 10, 10, 10])
    assert (found.effect, found.mean) == ("better", -3.25)
    assert found.sentence == (
        "'patient' is better: jobs failed at least 3.25 lower (95 % sure: at least 2.45 lower, for all differences "
        "together). In 1 night something was unfinished under the baseline."
    )


@pytest.mark.parametrize(
    ("baseline", "values", "why"),
    [
        ([10], [7], "one pair of nights has no spread: run more"),
        ([None, 1], [7, None], "no pair of nights has a value under both"),
        (
            [more(9), 9, more(9), 9],
            [more(9), more(9), 9, 9],
            "of 4 nights, something was unfinished under both in 1 and under 'patient' in 1 and under the "
            "baseline in 1: "
            "let the scenario last longer",
        ),
    ],
)
def test_what_cannot_be_told_is_said_with_the_reason(baseline: Values, values: Values, why: str) -> None:
    found = difference(baseline, values)
    assert found.effect == "undecided"
    assert found.sentence == f"'patient': no verdict on jobs failed: {why}."


def test_without_a_shown_difference_the_nights_that_would_show_one_are_told() -> None:
    """Differences -3 -1 0 1 3: deviation sqrt 5. 5 % of 20 is 1; with 5 % of 100, 4 nights would do."""
    few = difference([20] * 5, [17, 19, 20, 21, 23])
    assert (few.effect, few.of_size, few.shows_with) == ("no_clear_difference", 1, 42)
    assert few.sentence == (
        "'patient': no clear difference in jobs failed: 2.78 "
        "lower to 2.78 higher "
        "(95 % sure, for all differences together). About 42 nights would detect a difference of 1 (80 times in 100)."
    )
    many = difference([100] * 5, [97, 99, 100, 101, 103])
    assert (many.of_size, many.shows_with) == (5, 4)
    assert many.sentence.endswith(" A difference of 5 would probably have been detected.")


def test_the_size_that_is_asked_about_may_be_given_and_may_be_out_of_reach() -> None:
    found = difference([20] * 5, [17, 19, 20, 21, 23], worth_seeing={"failed": 0.5})
    assert (found.of_size, found.shows_with) == (0.5, 159)
    assert " About 160 nights would detect a difference of 0.5 (80 times in 100)." in found.sentence
    never = difference([20] * 5, [17, 19, 20, 21, 23], worth_seeing={"failed": 0.001})
    assert (never.of_size, never.shows_with) == (0.001, None)
    assert " No number of nights that can be run would detect a difference of 0.001." in never.sentence


def test_where_the_baseline_has_none_half_of_what_the_interval_reaches_is_asked_about() -> None:
    """0 0 0 0 1: half-width 2.7764 / 5 = 0.555, half of it 0.278, which is nearest to 0.2."""
    assert difference([0] * 5, [0, 0, 0, 0, 1]).of_size == 0.2


def test_of_a_rare_thing_no_difference_is_asked_about_that_would_take_endless_nights() -> None:
    """0 0 0 0 1 against 0 0 0 1 0: 5 % of 0.2 is 0.01; the deviation is sqrt 0.5 and the interval reaches 0.878."""
    found = difference([0, 0, 0, 0, 1], [0, 0, 0, 1, 0])
    assert (found.effect, found.of_size) == ("no_clear_difference", 0.2)  # a fifth of 0.878 is 0.176


def test_no_interval_reaches_beyond_what_a_figure_can_be() -> None:
    """Shares 0 1 1 against 0 0 1: the interval of a mean is cut at 0 and 1, that of a difference at 1 either way."""
    nights = played({"baseline": {"done_share": [0, 0, 1]}, "patient": {"done_share": [0, 1, 1]}})
    found = compared(nights, ["baseline", "patient"], measures=("done_share",), trade_off=("done_share",) * 2)
    assert [each.mean_interval for each in found.spreads] == [Interval(0, 1, 0.95)] * 2
    assert (found.differences[0].alone, found.differences[0].together) == (Interval(-1, 1, 0.95),) * 2
    counted = compared(played({"baseline": {"failed": [0, 0, 1]}}), ["baseline"])
    interval = counted.spreads[0].mean_interval
    assert interval is not None and (interval.low, round(interval.high or 0, 3)) == (0, 1.768)


def test_when_holm_shows_more_than_the_interval_the_sentence_says_so() -> None:
    """-3 -2 -4 -3 -3 has p = 0.0007; 0 2 3 4 6 has t = 3, p = 0.04: shown in the second step, though 0.04 > 0.025."""
    figures = {
        "as written": {"failed": TEN, "done": TEN},
        "patient": {"failed": [7, 8, 6, 7, 7], "done": [10, 12, 13, 14, 16]},
    }
    found = compared(played(figures), ["as written", "patient"], measures=("failed", "done")).differences[1]
    assert found.together is not None and found.together.low is not None and found.together.low < 0
    assert found.p == found.p_together == pytest.approx(0.0399, abs=5e-5)
    assert found.sentence == (
        "'patient' is better: jobs done 3 higher (95 % sure: 0.495 lower to 6.5 higher, for all differences "
        "together). That "
        "interval alone allows for no difference, but Holm's sharper test of all of them shows one."
    )


def test_an_infinite_night_is_a_bound() -> None:
    found = difference([2, 2, 2, 2], [5, 6, math.inf, 5])
    assert (found.mean, found.at_least_pairs, found.together and found.together.high) == (3.5, 1, None)


VARIANTS = ["as written", "patient", "short"]


def full(order: Callable[[list[PlayedNight]], list[PlayedNight]] = list, **keys: Any) -> Comparison:
    figures = {
        "as written": {"failed": [5, 6, 7], "makespan": [HOUR, 2 * HOUR, more(3 * HOUR)], "done": [1.1, 1.2, 1.3]},
        "patient": {"failed": [4, 4, 7], "makespan": [HOUR, HOUR, 2 * HOUR], "done": [0.1, 0.2, 0.3]},
        "short": {"failed": [9, 6, 8], "makespan": [HOUR, HOUR, None], "done": [1.1, 1.2, 1.3]},
    }
    held = {name: [(True, None), (False, None), (None, None)] for name in figures}
    nights = [*played(figures, held), PlayedNight("short", 4, {}, (), failure="its process died")]
    asked_for = [asked(measure="failed", at_most=6.0), asked(measure="done", not_worse_by=2.0)]
    given = {
        "measures": ("makespan", "failed"),
        "trade_off": ("makespan", "failed"),
        "requirements": dict.fromkeys(VARIANTS, asked_for),
        "lost": [Lost("patient", 5, "it was stopped"), Lost("as written", 4, "it was stopped")],
    }
    said = {"variants": VARIANTS, **given, **keys}
    return compared(order(nights), said.pop("variants"), **said)


def as_data(comparison: Comparison) -> dict[str, Any]:
    return {name: getattr(comparison, name) for name in Comparison.__dataclass_fields__}


def test_a_comparison_is_in_the_order_of_figures_and_variants() -> None:
    found = full()
    both = [(measure, variant) for measure in ("makespan", "failed") for variant in VARIANTS]
    assert [(one.measure, one.variant) for one in found.spreads] == both
    assert [(one.measure, one.variant) for one in found.differences] == [
        pair for pair in both if pair[1] != VARIANTS[0]
    ]
    assert [(one.variant, one.requirement) for one in found.shares] == [
        (variant, text) for variant in VARIANTS for text in ("failed at most 6", "all requirements")
    ]
    assert [one.variant for one in found.not_worse] == VARIANTS[1:]
    assert [one.variant for one in found.points] == VARIANTS
    assert [(night.seed, night.variant) for night in found.played] == [
        *[(seed, variant) for seed in (1, 2, 3) for variant in VARIANTS],
        (4, "short"),
    ]
    assert found.lost == (
        Lost("as written", 4, "it was stopped"),
        Lost("short", 4, "its process died"),
        Lost("patient", 5, "it was stopped"),
    )
    assert (found.measures, found.trade_off) == (("makespan", "failed"), ("makespan", "failed"))
    assert found.versions == {"program": "0", "scipy": scipy_version()}


def test_the_order_in_which_nights_came_changes_nothing() -> None:
    expected = as_data(full())
    for thirds in permutations(range(3)):
        assert as_data(full(lambda nights, thirds=thirds: [one for k in thirds for one in nights[k::3]])) == expected


def test_one_variant_alone_has_no_differences() -> None:
    found = compared(played({"a": {"failed": [1, 2]}}), ["a"])
    assert (found.differences, found.not_worse, [one.mean for one in found.spreads]) == ((), (), [1.5])


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"confidence": 95.0}, "a confidence of 95 is out of range: give a share such as 0.95"),
        (
            {"baseline": "patient"},
            "the baseline 'patient' must come first among the variants: as written, patient, short",
        ),
        (
            {"variants": ["as written", "patient"]},
            "a night under 'short' is none of this comparison: as written, patient",
        ),
        ({"measures": ("overlap",)}, "the night with seed 1 under 'as written' has no reading of overlap"),
        ({"measures": ("faild",)}, "there is no figure 'faild': did you mean 'failed'?"),
    ],
)
def test_what_does_not_belong_together_is_told(keys: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError) as caught:
        full(**keys)
    assert str(caught.value) == said


def test_a_night_that_is_there_twice_is_told() -> None:
    night = PlayedNight("a", 7, {"failed": Reading(1)}, ())
    with pytest.raises(InputError) as caught:
        compared([night, night], ["a"])
    assert str(caught.value) == "the night with seed 7 under 'a' is there twice: give it once"


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (None, None, "anything"),
        (None, -2, "at least 2 lower"),
        (None, 2, "at most 2 higher"),
        (-2, None, "at most 2 lower"),
        (2, None, "at least 2 higher"),
        (3, 3, "3 higher"),
        (0, 0, "no difference"),
        (1, 3, "1 to 3 higher"),
        (-3, -1, "1 to 3 lower"),
        (-3, 1, "3 lower to 1 higher"),
        (0, 1, "no difference to 1 higher"),
    ],
)
def test_how_far_an_interval_reaches_is_said_with_the_smaller_amount_first(
    low: float | None, high: float | None, text: str
) -> None:
    assert reach(Interval(low, high, 0.95), "count") == text


def test_changes_are_said_in_their_unit() -> None:
    assert change(-0.015, "share") == "1.5 percentage points lower"
    assert change(1_500_000, "time") == "1.5 s longer"


@pytest.mark.parametrize(
    ("amount", "unit", "expected"),
    [
        (7 * MINUTE, "time", 5 * MINUTE),
        (8 * MINUTE, "time", 10 * MINUTE),
        (44 * SECOND, "time", 60 * SECOND),
        (400 * DAY, "time", 100 * DAY),
        (0.5, "time", 1),
        (3.2, "count", 5),
        (3.1, "count", 2),
        (0.0007, "share", 0.0005),
        (812.0, "ratio", 1000),
    ],
)
def test_sizes_that_are_asked_about_are_round(amount: float, unit: str, expected: float) -> None:
    assert tidy(amount, unit) == expected


def test_a_time_is_never_called_better_where_fewer_jobs_are_done() -> None:
    """The variant takes half the time and gives up one job in ten; with as many done it would be better."""

    def effects(done: float) -> list[str]:
        figures = {
            "as written": {"makespan": [100 * MINUTE + n for n in range(10)], "done_share": [1.0] * 10},
            "quick": {"makespan": [50 * MINUTE + 3 * n for n in range(10)], "done_share": [done] * 10},
        }
        trade = {"trade_off": ("makespan", "makespan")}
        found = compared(played(figures), ["as written", "quick"], measures=("makespan",), **trade)
        back = compared(played(figures), ["quick", "as written"], measures=("makespan",), **trade)
        assert done == 1.0 or found.differences[0].sentence == (
            "'quick': makespan 50 min shorter, not compared: the shorter time comes with fewer jobs done."
        )
        return [found.differences[0].effect, back.differences[0].effect]

    assert effects(1.0) == ["better", "worse"]
    assert effects(0.9) == ["not_compared", "not_compared"]
