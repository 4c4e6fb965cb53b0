"""Writes a hindcast as one HTML file: the answer, one picture, the tables, the worst nights.

The picture has a panel for each figure: what happened in each night, drawn in the bands that were predicted for it.
The file has no script and asks for nothing; a table says the same as the picture.
"""

from datetime import date
from typing import Final

from emulator.measure.catalogue import find
from emulator.past.hindcast import Band, FigureScore, Hindcast
from emulator.past.hindcast_page import WAYS, amount, head_of_table, rows_of_table, small_print
from emulator.show.html import file, folded, section, table, text
from emulator.show.meta import SMALL_PRINT
from emulator.show.svg import Scale, Svg, both_widths
from emulator.timeline.ticks import SECOND

__all__ = ["hindcast_document"]

_PANEL: Final = 96
_GAP: Final = 40
_TOP: Final = 78


def hindcast_document(found: Hindcast) -> str:
    """Write the page of a hindcast.

    Returns:
        The text of an HTML file, to be written as UTF-8.
    """
    look = {"good": " fits", "bad": " fails"}.get(found.outcome, "")
    first, last, count = found.learnt_from
    title = f"Hindcast of {len(found.nights)} nights"
    learnt = f"Learnt from {count} nights from {first} to {last}; each night predicted by {found.plays} emulated ones."
    parts = [
        f"<header><p>{text(', '.join(found.files) or title)}</p>",
        f"<h1 class='verdict{look} long'>{text(found.sentence)}</h1><p>{text(learnt)}</p></header><main>",
        section("What happened, in the bands that were predicted", both_widths(lambda narrow: _picture(found, narrow))),
        *(
            section(
                text(WAYS[one.way]),
                table(
                    text(WAYS[one.way]),
                    [text(cell) or "verdict" for cell in head_of_table(corrected=found.corrected, page=True)],
                    [[text(cell) for cell in row] for row in rows_of_table(one, corrected=found.corrected, page=True)],
                ),
            )
            for one in found.tables
        ),
        "".join(f"<p><small>{text(sentence)}</small></p>" for sentence in small_print(found)),
        section("Nights that were predicted worst", _worst(found)),
        folded("Every night", _every_night(found)),
        f"<p><small>{SMALL_PRINT}</small></p>",
        "</main>",
    ]
    return file(title, "\n".join(part for part in parts if part))


def _worst(found: Hindcast) -> str:
    rows = [
        [
            text(str(night.day)),
            text(find(night.figure).label),
            text(amount(night.figure, night.happened)),
            text(f"{amount(night.figure, night.low)} to {amount(night.figure, night.high)}"),
            text(night.seen),
            text(night.story),
        ]
        for night in found.worst
    ]
    head = ["night", "figure", "happened", "predicted, 80 %", "what happened in it", "the closest emulated night"]
    return table("Nights that were predicted worst, blind", head, rows) if rows else ""


def _every_night(found: Hindcast) -> str:
    rows = [
        [
            text(f"{band.day} {find(one.name).label}"),
            text(amount(one.name, band.happened)),
            *(text(f"{amount(one.name, low)} to {amount(one.name, high)}") for low, high in band.ends),
            _word(band),
        ]
        for one in found.tables[0].figures
        for band in one.bands
    ]
    return table("Every night, blind", ["night and figure", "happened", "80 %", "95 %", ""], rows)


def _word(band: Band) -> str:
    (low, high), (lower, higher) = band.ends
    if low <= band.happened <= high:
        return "inside"
    return "outside 80 %" if lower <= band.happened <= higher else "outside 95 %"


_MARKS: Final = {"inside": ("circle", "ink"), "outside 80 %": ("diamond", "bad"), "outside 95 %": ("cross", "bad")}


def _picture(found: Hindcast, narrow: bool) -> str:
    figures = found.tables[0].figures
    width, left = (380, 66) if narrow else (800, 110)
    right = width - 14
    height = _TOP + (_PANEL + _GAP) * len(figures)
    said = [
        f"{find(one.name).label}: {sum(_word(band) == 'inside' for band in one.bands)} of {len(one.bands)} nights "
        "inside the band of 80 %."
        for one in figures
    ]
    svg = Svg(width, height, "What happened, in the bands that were predicted", " ".join(said))
    svg.text(8, 22, "Each night: what happened, in its predicted bands", bold=True, size=13 if narrow else 15)
    x = 12.0
    for word, (shape, role) in _MARKS.items():
        svg.mark(x, 40, shape, role=role, size=4)
        svg.text(x + 9, 44, word, size=11)
        x += 88 if narrow else 110
    svg.area(12, 52, 18, 10, role="plain")
    svg.area(12, 52, 18, 10, role="plain")
    svg.text(36, 61, "80 %", size=11)
    svg.area(78, 52, 18, 10, role="plain")
    svg.text(102, 61, "95 %", size=11)
    days = found.nights
    step = (right - left) / max(1, len(days))
    place = {day: left + step * (at + 0.5) for at, day in enumerate(days)}
    for number, one in enumerate(figures):
        top = _TOP + number * (_PANEL + _GAP)
        _panel(svg, one, place, step, (left, right, top))
        for at in {0, len(days) // 2, len(days) - 1}:
            anchor = "start" if at == 0 else "end" if at == len(days) - 1 and len(days) > 1 else "middle"
            svg.text(place[days[at]], top + _PANEL + 15, f"{days[at]:%b %d}", anchor=anchor, role="faint", size=10)
    return svg.write(styled=False)


def _panel(svg: Svg, one: FigureScore, place: dict[date, float], step: float, at: tuple[float, float, float]) -> None:
    """Draw one figure: a tick or two, the bands, the median, and a mark for what happened."""
    left, right, top = at
    unit = find(one.name).unit
    size = SECOND if unit == "time" else 1
    amounts = [it * size for band in one.bands for it in (band.happened, *band.ends[0], *band.ends[1])]
    scale = Scale(min(amounts), max(amounts), top + _PANEL - 4, top + 16, unit, 3)
    svg.text(8, top + 6, find(one.name).label, bold=True, size=12)
    svg.line(left, top + _PANEL, right, top + _PANEL, role="faint")
    for tick in scale.ticks:
        svg.line(left, scale.at(tick), right, scale.at(tick), role="faint", width=0.3)
        svg.text(left - 5, scale.at(tick) + 4, scale.say(tick), anchor="end", role="faint", size=10)
    wide = max(1.0, step * 0.8)
    for band in one.bands:
        x = place[band.day]
        for low, high in band.ends:
            y = scale.at(high * size)
            svg.area(x - wide / 2, y, wide, max(1.0, scale.at(low * size) - y), role="plain")
        middle = scale.at(band.median * size)
        svg.line(x - wide / 2, middle, x + wide / 2, middle, role="plain")
        word = _word(band)
        shape, role = _MARKS[word]
        tip = f"{band.day}: {amount(one.name, band.happened)}, {word}"
        svg.mark(x, scale.at(band.happened * size), shape, role=role, size=min(4.0, max(1.5, step / 3)), tip=tip)
