"""The screen of a hindcast: the answer, its two tables, the nights that were predicted worst."""

from typing import Any, Final

from emulator.measure.catalogue import find
from emulator.measure.names import SHORT_LABELS
from emulator.measure.words import value
from emulator.past.hindcast import FigureScore, Hindcast, Table
from emulator.show.comparison.exports import plain_data
from emulator.show.layout import WIDTH, Page, Role
from emulator.show.meta import ONE_LINE, SMALL_PRINT
from emulator.timeline.ticks import SECOND

__all__ = [
    "WAYS",
    "amount",
    "head_of_table",
    "hindcast_json",
    "hindcast_page",
    "rows_of_table",
    "share_text",
    "small_print",
]

WAYS: Final = {"blind": "Blind: arrivals of the draft", "given": "Given the arrivals: real submissions"}
_ROLES: Final[dict[str, Role]] = {"bad": "bad", "good": "good"}


def hindcast_json(found: Hindcast) -> dict[str, Any]:
    """Give the result as plain data for ``json.dumps``; dates as texts, times in seconds."""
    return {
        "verdict": found.sentence,
        "outcome": found.outcome,
        **_dated(plain_data(found)),
        "note": SMALL_PRINT,
    }


def _dated(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _dated(it) for key, it in data.items()}
    if isinstance(data, list):
        return [_dated(it) for it in data]
    return data.isoformat() if hasattr(data, "isoformat") else data


def amount(name: str, of: float) -> str:
    """Write a figure of a night; times are given in seconds."""
    unit = find(name).unit
    return value(of * SECOND, unit) if unit == "time" else value(of, unit)


def hindcast_page(found: Hindcast, *, width: int = WIDTH) -> Page:
    """Write a hindcast; ``width``: how wide tables may be."""
    page = Page(width=width)
    page.say(found.sentence, _ROLES.get(found.outcome, ""))
    page.blank()
    first, last, count = found.learnt_from
    page.say(
        f"Learnt from {count} nights from {first} to {last}. Predicted: {len(found.nights)} nights from "
        f"{found.nights[0]} to {found.nights[-1]}, each by {found.plays} emulated ones."
    )
    for one in found.tables:
        page.heading(WAYS[one.way])
        head = head_of_table(corrected=found.corrected)
        page.table([head, *rows_of_table(one, corrected=found.corrected)], right=range(1, len(head) - 1))
    page.blank()
    for sentence in small_print(found):
        page.say(sentence, "small", indent=2, hanging=4)
    if found.worst:
        page.heading("Nights that were predicted worst (blind)")
        for night in found.worst:
            beside = f"{amount(night.figure, night.low)} to {amount(night.figure, night.high)}"
            seen = f"{find(night.figure).label} {amount(night.figure, night.happened)}, predicted {beside}"
            page.say(f"{night.day}: {seen}. {night.seen}", indent=2, hanging=4)
            if night.story:
                page.say(f"The emulated night that came closest: {night.story}", indent=4)
    page.more("--page FILE", "--json")
    page.say(ONE_LINE, "small")
    return page


def head_of_table(*, corrected: bool, page: bool = False) -> list[str]:
    """Name the columns; ``page``: those that a page has beside those of a screen."""
    own = ["drafted"] if corrected else []
    became = ["80 % became"] if corrected and page else []
    return ["figure", "80 %", "95 %", *own, *became, *(["score"] if page else []), "same kind", "last week", ""]


def rows_of_table(table: Table, *, corrected: bool, page: bool = False) -> list[list[str]]:
    """Write which numbers of hits are expected if promises are true, then each figure: hits, and scores beside both
    baselines."""
    nights = {one.promises[0].nights for one in table.figures}
    rows = [_row(one, corrected, page, len(nights) > 1) for one in table.figures]
    if len(nights) != 1:
        return rows
    one = table.figures[0]
    ranges = [f"{it.low}-{it.high}" for it in (*one.promises, *one.drafted[: int(corrected)])]
    head = ["expected", *ranges]
    return [head + [""] * (len(rows[0]) - len(head)), *rows]


def _row(one: FigureScore, corrected: bool, page: bool, alone: bool) -> list[str]:
    """Write one figure; ``alone``: with its own number of nights, as others have another one."""
    shown = (*one.promises, *one.drafted[: int(corrected)])
    said = []
    if one.broken:
        said.append("contradicted")
    elif any(it.contradicted for it in (*one.promises, *one.drafted)):
        said.append("outside")
    if one.worse:
        said.append("worse")
    became = [share_text(one.became)] if corrected and page else []
    return [
        SHORT_LABELS[one.name],
        *(f"{it.hits} of {it.nights}" if alone else str(it.hits) for it in shown),
        *became,
        *([amount(one.name, one.score)] if page else []),
        "-" if one.same_kind is None else f"{one.same_kind:.2f}",
        "-" if one.last_week is None else f"{one.last_week:.2f}",
        ", ".join(said) or "ok",
    ]


def share_text(became: float) -> str:
    """Say of which share of a draft an interval is.

    >>> share_text(0.913), share_text(1.2)
    ('91 %', 'over 100 %')
    """
    return "over 100 %" if became > 1 else f"{100 * became:.0f} %"


def small_print(found: Hindcast) -> list[str]:
    """Say how the tables are read, and what was done beside."""
    said = [
        "80 %, 95 %: nights within the interval of that share. The first row has the numbers that are expected if that "
        "is true, at 95 % for one interval. contradicted: not even for all intervals of the draft together.",
        "same kind: the score (CRPS), divided by that of past nights of the same kind of day; last week: by that of "
        "the same day a week before. Below 1 the draft is better.",
    ]
    if found.corrected:
        said.insert(1, _corrected(found))
    if len(found.tables) == 1:
        said.append(
            f"Not predicted given the arrivals: {found.follows:.0%} of submissions follow an end, beyond chance."
        )
    if found.unknown:
        said.append(f"{found.unknown} later jobs are of routines that the draft does not have: none of them was given.")
    if found.refits > 1:
        said.append(f"Learnt anew on {found.refits} dates, each time from all nights before.")
    return said


def _corrected(found: Hindcast) -> str:
    """Say that intervals are corrected, and by how much at most."""
    every = [(one.became, SHORT_LABELS[one.name], table.way) for table in found.tables for one in table.figures]
    (least, narrow, its_way), (most, wide, way) = min(every), max(every)
    return (
        "Intervals are corrected by past misses: wider after a night outside, narrower after one inside. drafted: "
        "nights within the draft's own interval of 80 %; the answer is about those. At the end an interval of 80 % was "
        f"the draft's of {share_text(least)} ({narrow}, {its_way}) to {share_text(most)} ({wide}, {way})."
    )
