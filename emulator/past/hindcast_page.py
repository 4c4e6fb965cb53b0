"""The screen of a hindcast: the answer, its two tables, the nights that were predicted worst."""

from typing import Any, Final

from emulator.measure.catalogue import find
from emulator.measure.short_labels import SHORT_LABELS
from emulator.measure.words import value
from emulator.past.hindcast import FigureScore, Hindcast, Table
from emulator.show.comparison.as_json import plain
from emulator.show.layout import WIDTH, Page, Role
from emulator.show.meta import ONE_LINE, SMALL_PRINT
from emulator.timeline.ticks import SECOND

__all__ = ["WAYS", "amount", "head_of_table", "hindcast_json", "hindcast_page", "rows_of_table", "small_print"]

WAYS: Final = {"blind": "Blind: arrivals of the draft", "given": "Given the arrivals: real submissions"}
_ROLES: Final[dict[str, Role]] = {"bad": "bad", "good": "good"}


def hindcast_json(found: Hindcast) -> dict[str, Any]:
    """Give the result as plain data for ``json.dumps``; dates as texts, times in seconds."""
    return {
        "verdict": found.sentence,
        "outcome": found.outcome,
        **_dated(plain(found)),
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
        rows = [[*row[:3], *row[4:]] for row in (head_of_table(one), *rows_of_table(one))]  # scores stand on the page
        page.table(rows, right=[1, 2, 3, 4])
    page.blank()
    for sentence in small_print(found):
        page.say(sentence, "small", indent=2, hanging=4)
    if found.worst:
        page.heading("Nights that were predicted worst (blind)")
        for night in found.worst:
            beside = f"{amount(night.figure, night.low)} to {amount(night.figure, night.high)}"
            seen = f"{find(night.figure).label} {amount(night.figure, night.happened)}, predicted {beside}"
            page.say(f"{night.day}: {seen}. {night.story}", indent=2, hanging=4)
    page.more("--page FILE", "--json")
    page.say(ONE_LINE, "small")
    return page


def head_of_table(table: Table) -> list[str]:
    """Name the columns; the numbers of hits that do not contradict a promise stand there if all nights tell all."""
    promises = [figure.promises for figure in table.figures]
    ranges = [{(each[place].low, each[place].high) for each in promises} for place in (0, 1)]
    heads = [
        share + (f" ({low}-{high})" if len(of) == 1 else "")
        for share, of in zip(("80 %", "95 %"), ranges, strict=True)
        for low, high in [next(iter(of), (0, 0))]
    ]
    return ["figure", *heads, "score", "same kind", "last week", ""]


def rows_of_table(table: Table) -> list[list[str]]:
    """Write each figure: hits, score, and the score beside both baselines."""
    return [_row(one) for one in table.figures]


def _row(one: FigureScore) -> list[str]:
    hits = [f"{it.hits} of {it.nights}" for it in one.promises]
    said = []
    if one.broken:
        said.append("contradicted")
    elif any(it.contradicted for it in one.promises):
        said.append("outside")
    if one.worse:
        said.append("worse")
    return [
        SHORT_LABELS[one.name],
        *hits,
        amount(one.name, one.score),
        "-" if one.same_kind is None else f"{one.same_kind:.2f}",
        "-" if one.last_week is None else f"{one.last_week:.2f}",
        ", ".join(said) or "ok",
    ]


def small_print(found: Hindcast) -> list[str]:
    """Say how the tables are read, and what was done beside."""
    said = [
        "80 %, 95 %: nights within the interval of that share; in brackets the numbers that do not contradict it, for "
        "one interval at 95 %. contradicted: not even for all intervals of the table together.",
        "same kind: the score (CRPS), divided by that of past nights of the same kind of day; last week: by that of "
        "the same day a week before. Below 1 the draft is better.",
    ]
    if len(found.tables) == 1:
        said.append(
            f"Not predicted given the arrivals: {found.follows:.0%} of submissions follow an end, beyond chance."
        )
    if found.unknown:
        said.append(f"{found.unknown} later jobs are of routines that the draft does not have: none of them was given.")
    if found.refits > 1:
        said.append(f"Learnt anew on {found.refits} dates, each time from all nights before.")
    if found.widened:
        said.append(
            "Intervals are widened by past misses: from the eleventh night on, by as much as earlier ones lay outside."
        )
    return said
