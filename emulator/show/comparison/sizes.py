"""The screen of a search for a size: the answer, the curve, why not the next smaller value, what the answer costs."""

import shlex
from collections.abc import Mapping, Sequence
from typing import Any, Final

from emulator.measure.comparison.sizing import Sized, Sizing
from emulator.measure.short_labels import SHORT_LABELS
from emulator.measure.words import number, value
from emulator.show.comparison.answer import to_show
from emulator.show.comparison.words import ONE_THAT_MISSED, absent, between, interval_title, night_count
from emulator.show.fault_words import listed
from emulator.show.layout import WIDE, WIDTH, Page, Role
from emulator.show.meta import ONE_LINE

__all__ = ["WORDS", "changed_night", "fails_on", "kept_in", "sizing_page"]

WORDS: Final = {
    "holds": "enough",
    "does_not_hold": "fails",
    "undecided": "too few nights",
    "nothing_to_judge": "not judged",
}
_ROLES: Final[dict[str, Role]] = {"holds": "good", "does_not_hold": "bad"}
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
    page.say(f"{sizing.title.rstrip('.')}. {night_count(sizing.nights)} with each value ({seeds}).")
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
