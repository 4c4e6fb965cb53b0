"""What does a tired person read after a comparison? The first screen, and all the figures behind it if asked for."""

from collections.abc import Sequence
from typing import Final

from emulator.measure.comparison.paired import called, change, reach
from emulator.measure.comparison.result import Comparison, Difference, Share, Spread
from emulator.measure.comparison.shares import ALL
from emulator.measure.comparison.wanted import label_of
from emulator.measure.words import number, value
from emulator.scenario.variants import AS_WRITTEN
from emulator.show.comparison.first import closing, first_screen
from emulator.show.comparison.nights import nights_screen
from emulator.show.comparison.words import (
    DOMINATED,
    FAILED_NIGHTS,
    LESS_DONE,
    again,
    between,
    done_shares,
    effect_of,
    identical,
    interval_title,
    night_count,
    seeds,
    verdict_of,
)
from emulator.show.layout import WIDTH, Page, Role, columns
from emulator.show.meta import SMALL_PRINT

__all__ = ["comparison_page"]

_ROLES: Final[dict[str, Role]] = {"better": "good", "holds": "good", "worse": "bad", "does_not_hold": "bad"}
_MOST: Final = 5


def comparison_page(comparison: Comparison, *, everything: bool = False, width: int = WIDTH) -> Page:
    """Write a comparison, or many nights of one scenario.

    Args:
        comparison: the comparison.
        everything: write every figure with its intervals, not the first screen alone.
        width: how wide tables may be.
    """
    page = Page(width=width)
    advice = comparison.recommendation
    if advice is None:
        nights_screen(page, comparison)
    else:
        first_screen(page, comparison, advice)
    if everything:
        _all(page, comparison)
    else:
        closing(page, "--csv FILE" if advice is not None else "")
    return page


def _all(page: Page, comparison: Comparison) -> None:
    page.blank()
    page.say(_what(comparison))
    if comparison.stopped:
        page.say(comparison.stopped)
    _shares(page, comparison)
    same = identical(comparison)
    for measure in comparison.measures:
        if measure not in same:
            _figure(page, comparison, measure)
    _say_identical(page, comparison, same)
    _trade_off(page, comparison)
    _lost(page, comparison)
    _closing(page, comparison)


def _what(comparison: Comparison) -> str:
    nights = night_count(comparison.nights)
    if len(comparison.variants) == 1:
        of = "" if comparison.baseline == AS_WRITTEN else f", {comparison.baseline}"
        return f"{_ended(comparison.title + of)} {nights}, {seeds(comparison)}."
    others = len(comparison.variants) - 1
    title = _ended(comparison.title)
    return (
        f"{title} {others} variant{'' if others == 1 else 's'} compared with {called(comparison.baseline)}, {nights} "
        f"of each on the same draws, {seeds(comparison)}. Intervals are at {value(comparison.confidence, 'share')}; "
        "those of differences hold for all of them together."
    )


def _ended(text: str) -> str:
    """End a sentence, unless it has an end."""
    return text if text.endswith((".", "?", "!")) else text + "."


def _mean(one: Spread) -> str:
    if one.mean is None:
        return "none"
    return ("> " if one.more_than else "") + value(one.mean, one.unit)


def _figure(page: Page, comparison: Comparison, measure: str) -> None:
    page.heading(label_of(measure))
    spreads = [one for one in comparison.spreads if one.measure == measure]
    rows = [["variant", "mean", interval_title(comparison.confidence)]]
    rows += [[one.variant, _mean(one), between(one.mean_interval, one.unit)] for one in spreads]
    page.table(rows, right=[1])
    if len(comparison.variants) == 1 and spreads[0].median is not None:
        page.say(_spread_over_nights(spreads[0]), indent=2, hanging=4)
    if more := [one for one in spreads if one.more_than or one.absent]:
        for one in more[:_MOST]:
            page.say(_reserve(one), indent=2, hanging=4)
    differences = [one for one in comparison.differences if one.measure == measure]
    if not differences:
        return
    rows = [["compared with " + comparison.baseline, "difference", "verdict"]]
    rows += [[it.variant, _difference(it), effect_of(it)] for it in differences]
    fits = sum(max(columns(row[place]) for row in rows) for place in (1, 2)) + 16 + 2 * 3 <= WIDTH
    if fits:
        page.table(rows, roles=["", *(_ROLES.get(it.effect, "") for it in differences)])
    for it in differences:
        if not fits or it.effect in ("no_clear_difference", "undecided"):
            page.say(it.sentence, "" if fits else _ROLES.get(it.effect, ""), indent=2, hanging=4)
    _pairing(page, differences)


def _say_identical(page: Page, comparison: Comparison, measures: Sequence[str]) -> None:
    if measures:
        page.heading("The same in every night under every variant")
        means = {one.measure: _mean(one) for one in comparison.spreads if one.variant == comparison.baseline}
        page.table([[label_of(measure), means[measure]] for measure in measures], right=[1])


def _spread_over_nights(one: Spread) -> str:
    if one.least == one.most and not one.lower_bounds and not one.absent and one.median is not None:
        return f"{value(one.median, one.unit)} in {'every night' if one.n > 1 else 'this night'}."
    median, p90 = _orders(one)
    return f"Half of the nights have at most {median}, nine in ten at most {p90}."


def _orders(one: Spread) -> list[str]:
    found = []
    for name, amount in (("median", one.median), ("p90", one.p90)):
        text = "none" if amount is None else value(amount, one.unit)
        found.append(f"> {text}" if name in one.lower_bounds and amount is not None else text)
    return found


def _reserve(one: Spread) -> str:
    parts = []
    if one.more_than:
        parts.append(
            f"in {one.more_than} of {night_count(one.n)} something was unfinished, so its means are lower bounds"
        )
    if one.absent:
        parts.append(f"{night_count(one.absent)} had no value")
    return f"{called(one.variant)}: {'; '.join(parts)}."


def _difference(one: Difference) -> str:
    if one.mean is None:
        return "-"
    bound = " at least" if one.at_least_pairs and not one.at_most_pairs else ""
    bound = " at most" if one.at_most_pairs and not one.at_least_pairs else bound
    text = change(one.mean, one.unit, one.measure) + bound
    if one.together is not None and one.effect != "same":
        text += f" ({reach(one.together, one.unit, one.measure)})"
    return text


def _pairing(page: Page, differences: Sequence[Difference]) -> None:
    helped = [one.variance_ratio for one in differences if one.variance_ratio is not None and one.variance_ratio > 1.5]
    if helped:
        page.say(
            f"Without the same draws it would take up to {number(max(helped), 2)} times as many nights.",
            "small",
            indent=2,
            hanging=4,
        )


def _shares(page: Page, comparison: Comparison) -> None:
    shares = [one for one in comparison.shares if one.verdict != "nothing_to_judge" or len(comparison.variants) == 1]
    if shares:
        page.heading("Nights that kept the requirements")
        many = len(comparison.variants) > 1
        rows = [["requirement", "nights kept", interval_title(comparison.confidence), "verdict"]]
        roles: list[Role] = [""]
        for one in shares:
            of = one.asks if not many else f"{_quoted(one.variant)}: {one.asks}"
            rows.append(
                [of, f"{one.held} of {one.judged}", between(one.together or one.interval, "share"), _verdict(one)]
            )
            roles.append(_ROLES.get(one.verdict, "") if one.requirement != ALL else "")
        page.table(rows, roles=roles)
        for one in shares:
            if one.verdict in ("does_not_hold", "undecided") and one.requirement != ALL:
                page.say(one.sentence, indent=2, hanging=4)
    if comparison.not_worse:
        page.heading("Not worse than the baseline")
        for one in comparison.not_worse:
            page.say(one.sentence, _ROLES.get(one.verdict, ""), indent=2, hanging=4)


def _quoted(variant: str) -> str:
    return variant if variant == AS_WRITTEN else f"'{variant}'"


def _verdict(one: Share) -> str:
    return "" if one.requirement == ALL else verdict_of(one)


def _trade_off(page: Page, comparison: Comparison) -> None:
    if len(comparison.variants) < 2:
        return
    across, up = comparison.trade_off
    units = {one.measure: one.unit for one in comparison.spreads}
    page.heading(f"Trade-off: {label_of(across)} against {label_of(up)}")
    done = done_shares(comparison)
    rows = [["variant", *(["done"] if done else []), label_of(across), label_of(up), DOMINATED]]
    for point in comparison.points:
        rows.append(
            [
                point.variant,
                *([done[point.variant]] if done else []),
                _coordinate(point.across, units.get(across, "time"), point.across_more_than),
                _coordinate(point.up, units.get(up, "time"), point.up_more_than),
                ", ".join(point.dominated_by[:2]) + (" and more" if len(point.dominated_by) > 2 else "") or "none",
            ]
        )
    page.table(rows, right=[1, 2, 3] if done else [1, 2])
    if done:
        page.say(LESS_DONE, indent=2, hanging=4)


def _coordinate(amount: float | None, unit: str, more_than: bool) -> str:
    return "none" if amount is None else ("> " if more_than else "") + value(amount, unit)


def _lost(page: Page, comparison: Comparison) -> None:
    if not comparison.lost:
        return
    page.heading(FAILED_NIGHTS)
    for one in comparison.lost[:_MOST]:
        page.say(f"{called(one.variant)}, seed {one.seed}: {one.why}.", "bad", indent=2, hanging=4)
    if len(comparison.lost) > _MOST:
        page.say(f"and {len(comparison.lost) - _MOST} more", indent=2)


def _closing(page: Page, comparison: Comparison) -> None:
    missed = next((one for one in comparison.shares if one.missed_seeds and one.requirement != ALL), None)
    page.blank()
    if missed is not None:
        page.say(f"A night that misses the requirement '{missed.asks}':", "small")
        again_so = again(comparison, missed.variant, missed.missed_seeds[0])
        page.say(again_so, indent=2, hanging=4)
        page.blank()
    page.say(SMALL_PRINT, "small")
