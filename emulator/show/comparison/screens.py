"""Writes the screens of a comparison, of a search for a size, and of a search for two numbers.

The answer comes first; all figures behind it stand there if they are asked for.
"""

import shlex
from collections.abc import Mapping, Sequence
from typing import Any, Final

from emulator.measure.comparison.paired import called, change, reach
from emulator.measure.comparison.result import Comparison, Difference, Share, Spread
from emulator.measure.comparison.shares import ALL
from emulator.measure.comparison.sizing import Frontier, FrontierPoint, Sized, Sizing
from emulator.measure.comparison.wanted import label_of
from emulator.measure.names import SHORT_LABELS
from emulator.measure.words import number, value
from emulator.scenario.variants import AS_WRITTEN
from emulator.show.comparison.answer import nights_screen, to_show
from emulator.show.comparison.first import closing, first_screen
from emulator.show.comparison.words import (
    DOMINATED,
    FAILED_NIGHTS,
    LESS_DONE,
    ONE_THAT_MISSED,
    absent,
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
from emulator.show.layout import WIDE, WIDTH, Page, Role, as_sentence, columns
from emulator.show.meta import ONE_LINE, SMALL_PRINT
from emulator.show.words import listed

__all__ = [
    "WORDS",
    "changed_night",
    "comparison_page",
    "fails_on",
    "frontier_page",
    "kept_in",
    "sizing_page",
]


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
        return f"{as_sentence(comparison.title + of)} {nights}, {seeds(comparison)}."
    others = len(comparison.variants) - 1
    title = as_sentence(comparison.title)
    return (
        f"{title} {others} variant{'' if others == 1 else 's'} compared with {called(comparison.baseline)}, {nights} "
        f"of each on the same draws, {seeds(comparison)}. Intervals are at {value(comparison.confidence, 'share')}; "
        "those of differences hold for all of them together."
    )


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


WORDS: Final = {
    "holds": "enough",
    "does_not_hold": "fails",
    "undecided": "too few nights",
    "nothing_to_judge": "not judged",
}
_CURVE: Final = {WIDTH: 15, WIDE: 40}
_SHORT: Final = 8
"""So long is a curve of 80 columns beside the words for too few nights."""
_MOST_ROWS: Final = 20


def sizing_page(sizing: Sizing, *, everything: bool = False, width: int = WIDTH) -> Page:
    """Write a search for a size.

    Args:
        sizing: what came of it.
        everything: write every value, and in how many nights each requirement was kept with it.
        width: how wide tables may be.
    """
    page = Page(width=width)
    page.say(sizing.sentence, "good" if _taken(sizing) is not None else "bad")
    page.blank()
    last = sizing.first_seed + sizing.nights - 1
    seeds = f"seeds {sizing.first_seed} to {last}" if sizing.nights > 1 else f"seed {last}"
    page.say(f"{as_sentence(sizing.title)} {night_count(sizing.nights)} with each value ({seeds}).")
    _table(page, sizing, everything=everything)
    if everything:
        _requirements(page, sizing)
    _why_not(page, sizing)
    _costs(page, sizing)
    for tried, workers in sizing.absent:
        page.say(absent(f"{sizing.path} = {tried}", workers))
    page.more(*([] if everything else ["--all"]), "--json", "--csv FILE", "--nights N")
    page.say(ONE_LINE, "small")
    return page


def _taken(sizing: Sizing) -> int | None:
    """Give the place of the value to take."""
    places = [place for place, one in enumerate(sizing.tried) if one.verdict == "holds"]
    return None if not places else places[0 if sizing.searched == "smallest" else -1]


def _next(sizing: Sizing) -> Sized | None:
    """Give the value beyond the answer: the next smaller one, or the next larger where the largest is looked for."""
    taken = _taken(sizing)
    if taken is None:
        return sizing.tried[-1 if sizing.searched == "smallest" else 0]
    place = taken + (-1 if sizing.searched == "smallest" else 1)
    return sizing.tried[place] if 0 <= place < len(sizing.tried) else None


def _table(page: Page, sizing: Sizing, *, everything: bool) -> None:
    taken = _taken(sizing)
    places = list(range(len(sizing.tried)))
    if len(places) > _MOST_ROWS and not everything:  # those around the answer
        middle = taken or 0
        first = max(0, min(middle - _MOST_ROWS // 2, len(places) - _MOST_ROWS))
        places = places[first : first + _MOST_ROWS]
    wordy = any(one.verdict == "undecided" for one in sizing.tried)
    long = _CURVE[WIDE] if page.width >= WIDE else _SHORT if wordy else _CURVE[WIDTH]
    head = ["value", "nights kept"]
    if sizing.random:
        head += [interval_title(sizing.confidence), "0 %".ljust(max(4, long - 3)) + "100 %"]
    rows = []
    for place in places:
        one = sizing.tried[place]
        row = [str(one.value), f"{one.held:,} of {one.judged:,}"]
        if sizing.random:
            row += [between(one.interval, "share"), _curve(one, long)]
        row += ["take" if place == taken else WORDS[one.verdict], fails_on(one)]
        rows.append(row)
    page.blank()
    page.table([[*head, "", "fails on"], *rows], right=[1, 2] if sizing.random else [1])
    if len(places) < len(sizing.tried):
        page.say(f"and {len(sizing.tried) - len(places)} more values: --all", indent=2)
    if sizing.random:
        many = f"all {len(sizing.tried)} values together" if len(sizing.tried) > 1 else "this value"
        sure = interval_title(sizing.confidence)
        page.say(f"o: share of nights that kept all requirements; -: its {sure}, for {many}.", "small", indent=2)


def _curve(one: Sized, long: int) -> str:
    """Draw a share and its interval on a line from 0 % to 100 %."""
    if not one.judged or one.interval is None:
        return "|" + " " * long + "|"
    low, high = one.interval.low or 0.0, 1.0 if one.interval.high is None else one.interval.high
    marks = [" "] * long
    for place in range(_at(low, long), _at(high, long) + 1):
        marks[place] = "-"
    marks[_at(one.held / one.judged, long)] = "o"
    return f"|{''.join(marks)}|"


def _at(share: float, long: int) -> int:
    return min(long - 1, int(share * long))


def fails_on(one: Sized) -> str:
    """Name the requirements that were missed, those that were missed most first."""
    missed = sorted((it for it in one.requirements if it.held < it.judged), key=lambda it: it.held - it.judged)
    if one.verdict == "holds" or not missed:
        return "-"
    names = [SHORT_LABELS.get(it.requirement.split(" ", 1)[0], it.label) for it in missed]
    return listed(names, 2) if len(names) < 3 else f"{names[0]} and {len(names) - 1} more"


def _why_not(page: Page, sizing: Sizing) -> None:
    """Say why the value beyond the answer, or without one that at the end, does not do, with one night."""
    one = _next(sizing)
    if one is None:
        return
    if one.verdict == "undecided" and one.interval is not None:
        page.heading(f"{one.value} is undecided")
        low, needed = (value(share, "share") for share in (one.interval.low or 0.0, to_show(sizing.share)))
        page.say(
            f"{one.held:,} of {night_count(one.judged)} kept everything; the low end of the interval, {low}, must "
            f"reach {needed}.",
            indent=2,
            hanging=4,
        )
    elif any(it.held < it.judged for it in one.requirements):
        page.heading(f"Why not {one.value}")
    else:
        return
    kept_in(page, one)
    changed_night(page, sizing.file, {sizing.path: one.value}, one, sizing.changes)


def kept_in(page: Page, one: Sized) -> None:
    """Say in how many nights the requirements that were missed most were kept, two at most."""
    missed = [it for it in one.requirements if it.held < it.judged]
    for it in sorted(missed, key=lambda it: it.held - it.judged)[:2]:
        page.say(f"{it.label}: kept in {it.held:,} of {night_count(it.judged)}.", indent=2, hanging=4)


def changed_night(page: Page, file: str, values: Mapping[str, Any], one: Sized, changes: Sequence[str]) -> None:
    """Give the command of one night that missed a requirement, with what was set in it."""
    by_length = any(".parameters." in path for path in values)  # the length of a list, which no option sets
    if not one.missed_seeds or file == "settings" or by_length:
        return
    page.say(ONE_THAT_MISSED, indent=2)
    words = ["queuedrill", "run", shlex.quote(file)]
    for path, given in values.items():
        words += ["--change", shlex.quote(f"{path}={given}")]
    page.command(" ".join([*words, "--seed", str(one.missed_seeds[0]), *changes]))


def _requirements(page: Page, sizing: Sizing) -> None:
    """Write in how many nights each requirement was kept, with each value."""
    for place, it in enumerate(sizing.tried[0].requirements):
        page.heading(f"{it.label}: nights kept")
        its = [(one.value, one.requirements[place]) for one in sizing.tried]
        page.table([[str(value), f"{one.held:,} of {one.judged:,}"] for value, one in its], right=[1])


def _costs(page: Page, sizing: Sizing) -> None:
    taken, before = _taken(sizing), _next(sizing)
    if taken is None or before is None:
        return
    one = sizing.tried[taken]
    if one.worker_hours is None or before.worker_hours is None or one.worker_hours == before.worker_hours:
        return
    page.heading(f"What {one.value} costs")
    more = one.worker_hours - before.worker_hours
    page.say(
        f"{number(abs(more))} planned worker-hours {'more' if more > 0 else 'fewer'} than {before.value} "
        f"({number(one.worker_hours)}, not {number(before.worker_hours)}).",
        indent=2,
        hanging=4,
    )


_MOST_PAIRS: Final = 12
_GRID: Final = 8
"""So many values of the second number have a column of their own."""


def frontier_page(frontier: Frontier, *, everything: bool = False, width: int = WIDTH) -> Page:
    """Write a search for two numbers.

    Args:
        frontier: what came of it.
        everything: write every value and pair, and in how many nights each requirement was kept with it.
        width: how wide tables may be.
    """
    page = Page(width=width)
    page.say(frontier.sentence, "good" if frontier.recommended else "bad")
    page.blank()
    last = frontier.first_seed + frontier.nights - 1
    seeds = f"seeds {frontier.first_seed} to {last}" if frontier.nights > 1 else f"seed {last}"
    page.say(f"{as_sentence(frontier.title)} {night_count(frontier.nights)} with each pair ({seeds}).")
    page.say(f"A: {frontier.paths[0]}. B: {frontier.paths[1]}.")
    _pairs_table(page, frontier, everything=everything)
    kept = {one.value: one.held for one in frontier.tried}
    _grid(page, frontier, f"Nights kept, of {frontier.nights:,}", kept, everything=everything)
    if everything:
        for place, it in enumerate(frontier.tried[0].requirements):
            held = {one.value: one.requirements[place].held for one in frontier.tried}
            _grid(page, frontier, f"{it.label}: nights kept, of {frontier.nights:,}", held, everything=True)
    _why_no_other_pair(page, frontier)
    for pair, workers in frontier.absent[: None if everything else 1]:
        page.say(absent(f"{pair[0]} and {pair[1]}", workers))
    page.more(*([] if everything else ["--all"]), "--json", "--csv FILE", "--nights N")
    page.say(ONE_LINE, "small")
    return page


def _pairs_table(page: Page, frontier: Frontier, *, everything: bool) -> None:
    """Write for each first value the second that does, and its evidence."""
    shown = frontier.points if everything else frontier.points[:_MOST_PAIRS]
    hours = {one.pair.worker_hours for one in frontier.points}
    head = ["A", f"{frontier.searched} B", "nights kept", *([interval_title(frontier.confidence)] * frontier.random)]
    head += ["worker-hours"] * (len(hours) > 1)
    rows, roles = [], list[Role]([""])
    for one in shown:
        row = [str(one.first), "none" if one.second is None else str(one.second)]
        row.append(f"{one.pair.held:,} of {one.pair.judged:,}")
        row += [between(one.pair.interval, "share")] * frontier.random
        row += ["-" if one.pair.worker_hours is None else number(one.pair.worker_hours)] * (len(hours) > 1)
        rows.append([*row, _pair_verdict(frontier, one)])
        roles.append("" if one.second is None else "good")
    page.blank()
    page.table([[*head, ""], *rows], right=range(1, len(head)), roles=roles)
    if len(shown) < len(frontier.points):
        page.say(f"and {len(frontier.points) - len(shown)} more values of A: --all", indent=2)
    if any(one.open and one.second is not None for one in shown):
        page.say("open: too few nights to decide whether that B is enough, too.", "small", indent=2)
    if any(one.second is None for one in shown):
        page.say("none: the nights are those of the B that kept most.", "small", indent=2)
    if frontier.random:
        sure = interval_title(frontier.confidence)
        page.say(f"The {sure} is for all {len(frontier.tried)} pairs together.", "small", indent=2)


def _pair_verdict(frontier: Frontier, one: FrontierPoint) -> str:
    """Say whether a point is to be taken, is enough too, or why there is none."""
    if one.second is None:
        return WORDS[one.pair.verdict] if not one.open else WORDS["undecided"]
    word = "take" if (one.first, one.second) in frontier.recommended else WORDS["holds"]
    return f"{word}; {', '.join(map(str, one.open))} open" if one.open else word


def _grid(page: Page, frontier: Frontier, title: str, held: Mapping[Any, int], *, everything: bool) -> None:
    """Write numbers of nights: a row for each A, a column for each B, or a row for each pair where these are many."""
    seconds = list(dict.fromkeys(one.value[1] for one in frontier.tried))
    firsts = [one.first for one in frontier.points]
    wide = len(seconds) > _GRID
    if not everything and (wide or len(firsts) > _GRID):
        return
    page.heading(title)
    if wide:
        page.table([[f"A {first}, B {second}", f"{many:,}"] for (first, second), many in held.items()], right=[1])
        return
    rows = [[f"A {first}", *(f"{held[first, second]:,}" for second in seconds)] for first in firsts]
    page.table([["", *(f"B {second}" for second in seconds)], *rows], right=range(1, len(seconds) + 1))


def _why_no_other_pair(page: Page, frontier: Frontier) -> None:
    """Say why the pair beyond the first that is recommended does not do, with one night."""
    if frontier.recommended:
        first, second = frontier.recommended[0]
        row = [one for one in frontier.tried if one.value[0] == first]
        place = next(number for number, one in enumerate(row) if one.value[1] == second)
        beyond = place - 1 if frontier.searched == "smallest" else place + 1
        if not 0 <= beyond < len(row):
            return
        one = row[beyond]
    else:
        one = max(frontier.tried, key=lambda it: it.held / it.judged if it.judged else -1.0)
    if fails_on(one) == "-":
        return
    page.heading(f"Why not {one.value[0]} with {one.value[1]}")
    kept_in(page, one)
    changed_night(page, frontier.file, dict(zip(frontier.paths, one.value, strict=True)), one, frontier.changes)
