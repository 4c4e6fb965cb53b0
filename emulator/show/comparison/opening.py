"""What opens the page of a comparison? The table of the answer, why the others fail, what it costs.

The law: it says what the first screen says, in the same words. A share of nights has its interval as a small bar
beside its words.
"""

from collections.abc import Iterable
from typing import Final

from emulator.measure.comparison.intervals import Interval
from emulator.measure.comparison.result import CandidateStanding, Comparison, Recommendation
from emulator.show.comparison.deciding import answering_picture
from emulator.show.comparison.first import (
    OPEN,
    cost_lines,
    next_step,
    open_lines,
    reason_lines,
    standing_order,
    table_note,
    table_rows,
    why_title,
)
from emulator.show.comparison.words import ANSWER, between, share_title
from emulator.show.html import clean, name, section, table, text, unbroken
from emulator.show.layout import WIDE

__all__ = ["opening", "share_bar"]

_CLASSES: Final = {"take": "met", "tie": "met", "qualifies": "met", "fails": "missed"}
_SHARE_AT: Final = 3
"""The column of the interval: after the variant, its verdict and the nights kept."""
_MOST_REASONS: Final = 12
_LEFT: Final = 4
_WIDTH: Final = 100


def opening(of: Comparison, advice: Recommendation) -> str:
    """Write the table of the answer, the reasons, what is open, what the answer costs and what to do next."""
    title, costs = cost_lines(of, advice, len(of.measures))
    step = next_step(advice)
    parts = [
        section(ANSWER, _table(of, advice), "answer"),
        answering_picture(of, advice),
        section(why_title(advice), _why(of, advice)),
        section(OPEN, _list(open_lines(advice, _MOST_REASONS))),
        section(text(clean(title)), _list(costs)),
        f"<p>{text(step)}</p>" if step else "",
    ]
    return "\n".join(part for part in parts if part)


def _table(of: Comparison, advice: Recommendation) -> str:
    standings = standing_order(advice)
    rows, heads, _ = table_rows(of, advice, WIDE, len(standings))
    heads[1] = "verdict"
    shown = []
    for row, one in zip(rows, standings, strict=True):
        look = _CLASSES.get(one.verdict)
        word = f'<span class="{look}">{text(row[1])}</span>' if look else text(row[1])
        shown.append([name(row[0]), word, *map(text, row[2:])])
    if any(one.interval is not None for one in standings):
        heads.insert(_SHARE_AT, share_title(advice.confidence))
        for cells, one in zip(shown, standings, strict=True):
            cells.insert(_SHARE_AT, _share(one))
    said = f"<p><small>{text(table_note(of, advice))}</small></p>"
    return table("Each variant, and how it stands", [text(clean(head)) for head in heads], shown, stacked=True) + said


def _share(one: CandidateStanding) -> str:
    """Write the interval of a share of nights, with a bar of it."""
    if one.interval is None:
        return "-"
    return f"{share_bar(one.interval, one.kept / one.judged)} {text(between(one.interval, 'share'))}"


def share_bar(interval: Interval, seen: float) -> str:
    """Draw an interval of a share of nights as a small bar: a line from 0 to 100 %, a mark at what was seen."""
    low = 0.0 if interval.low is None else interval.low
    high = 1.0 if interval.high is None else interval.high
    start, end, mark = (_LEFT + _WIDTH * share for share in (low, high, seen))
    return (
        f'<svg class="bar" viewBox="0 0 {_WIDTH + 2 * _LEFT} 14" width="{_WIDTH + 2 * _LEFT}" height="14" '
        'aria-hidden="true">'
        f'<line x1="{_LEFT}" x2="{_LEFT + _WIDTH}" y1="7" y2="7" stroke="var(--line)"/>'
        f'<line x1="{start:.1f}" x2="{end:.1f}" y1="7" y2="7" stroke="var(--faint)" stroke-width="4"/>'
        f'<circle cx="{mark:.1f}" cy="7" r="3.5" fill="var(--ink)"/></svg>'
    )


def _why(of: Comparison, advice: Recommendation) -> str:
    lines = [
        f"<li>{unbroken(said)}{f' <code>{text(command)}</code>' if command else ''}</li>"
        for said, command in reason_lines(of, advice, _MOST_REASONS)
    ]
    return f"<ul>{''.join(lines)}</ul>" if lines else ""


def _list(lines: Iterable[str]) -> str:
    items = "".join(f"<li>{unbroken(line)}</li>" for line in lines)
    return f"<ul>{items}</ul>" if items else ""
