"""The screen of a search for two numbers: the answer, the frontier, all pairs, why not less, and what each costs."""

from collections.abc import Mapping
from typing import Any, Final

from emulator.measure.comparison.sizing import Frontier, FrontierPoint
from emulator.measure.words import number
from emulator.show.comparison.sizes import WORDS, changed_night, fails_on, kept_in
from emulator.show.comparison.words import absent, between, interval_title, night_count
from emulator.show.layout import WIDTH, Page, Role
from emulator.show.meta import ONE_LINE

__all__ = ["frontier_page"]

_MOST_ROWS: Final = 12
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
    page.say(f"{frontier.title.rstrip('.')}. {night_count(frontier.nights)} with each pair ({seeds}).")
    page.say(f"A: {frontier.paths[0]}. B: {frontier.paths[1]}.")
    _table(page, frontier, everything=everything)
    kept = {one.value: one.held for one in frontier.tried}
    _grid(page, frontier, f"Nights kept, of {frontier.nights:,}", kept, everything=everything)
    if everything:
        for place, it in enumerate(frontier.tried[0].requirements):
            held = {one.value: one.requirements[place].held for one in frontier.tried}
            _grid(page, frontier, f"{it.label}: nights kept, of {frontier.nights:,}", held, everything=True)
    _why_not(page, frontier)
    for pair, workers in frontier.absent[: None if everything else 1]:
        page.say(absent(f"{pair[0]} and {pair[1]}", workers))
    page.more(*([] if everything else ["--all"]), "--json", "--csv FILE", "--nights N")
    page.say(ONE_LINE, "small")
    return page


def _table(page: Page, frontier: Frontier, *, everything: bool) -> None:
    """Write for each first value the second that does, and its evidence."""
    shown = frontier.points if everything else frontier.points[:_MOST_ROWS]
    hours = {one.pair.worker_hours for one in frontier.points}
    head = ["A", f"{frontier.searched} B", "nights kept", *([interval_title(frontier.confidence)] * frontier.random)]
    head += ["worker-hours"] * (len(hours) > 1)
    rows, roles = [], list[Role]([""])
    for one in shown:
        row = [str(one.first), "none" if one.second is None else str(one.second)]
        row.append(f"{one.pair.held:,} of {one.pair.judged:,}")
        row += [between(one.pair.interval, "share")] * frontier.random
        row += ["-" if one.pair.worker_hours is None else number(one.pair.worker_hours)] * (len(hours) > 1)
        rows.append([*row, _verdict(frontier, one)])
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


def _verdict(frontier: Frontier, one: FrontierPoint) -> str:
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


def _why_not(page: Page, frontier: Frontier) -> None:
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
