"""How long did jobs wait, and how long until they were done? Two cumulative curves, with the requirements drawn in."""

from collections.abc import Sequence
from html import escape
from typing import Final

from emulator.measure.catalogue import MEASURES
from emulator.measure.figures import Figures
from emulator.measure.night import Night
from emulator.measure.selection import Selection
from emulator.measure.verdict import Asked
from emulator.measure.words import duration, write
from emulator.show.svg import Scale, Svg

__all__ = ["curve"]

_MOST: Final = 400
_LEFT, _RIGHT, _TOP, _BOTTOM = 60, 700, 34, 220
_SHARES: Final = {"median": 0.5, "p90": 0.9, "p95": 0.95, "p99": 0.99, "longest": 1.0}


def curve(night: Night, base: str, title: str, requirements: Sequence[Asked]) -> str:
    """Draw the share of jobs that had ended their wait or turnaround after so long, and give the same as a table.

    Args:
        base: ``wait`` or ``turnaround``.
        title: what it is called, with a capital letter.
        requirements: of the scenario; those on this time are drawn in as lines with a word.
    """
    sample = Selection(night).sample(base)
    if not len(sample):
        return f"<h3>{escape(title)}</h3><p>No job had one.</p>"
    figures = Figures(night)
    points = _points(sample.ended, sample.cut_off)
    longest = sample.longest() or 1
    bounds = [(one, name) for one in requirements if (name := _share_of(one, base)) and one.at_most is not None]
    high = max([longest, *(float(one.at_most or 0) for one, _ in bounds)])
    across, up = Scale(0, high, _LEFT, _RIGHT, "time"), Scale(0, 1, _BOTTOM, _TOP, "share", 5)
    half, most = write(figures.get(f"{base}_median")), write(figures.get(f"{base}_p90"))
    told = f"{title}: half within {half}, 9 of 10 within {most}."
    picture = Svg(760, 260, f"{title}, as a cumulative curve", told)
    picture.bottom_axis(across, _LEFT, _RIGHT, _BOTTOM, top=_TOP)
    for tick in up.ticks:
        picture.line(_LEFT, up.at(tick), _RIGHT, up.at(tick), role="faint", width=0.3)
        picture.text(_LEFT - 8, up.at(tick) + 4, up.say(tick), anchor="end", role="faint", size=11)
    steps = [(across.at(0), up.at(0))]
    for at, share in points:
        steps += [(across.at(at), steps[-1][1]), (across.at(at), up.at(share))]
    picture.steps([*steps, (across.at(longest), steps[-1][1])], role="plain")
    for row, (one, name) in enumerate(bounds):
        assert one.at_most is not None
        x, y = across.at(one.at_most), up.at(_SHARES[name])
        picture.line(x, _TOP, x, _BOTTOM, role="bad", dashes="5 3")
        picture.mark(x, y, "diamond", role="bad", tip=f"{name} at most {duration(one.at_most)}")
        at_end = x > (_LEFT + _RIGHT) / 2
        words = f"{name} at most {duration(one.at_most)}"
        picture.text(
            x - 7 if at_end else x + 7, _TOP - 6 + 16 * row, words, anchor="end" if at_end else "start", role="bad"
        )
    head = "".join(f'<th scope="col">{name}</th>' for name in ("", "median", "p90", "p99", "longest"))
    cells = "".join(
        f"<td>{escape(write(figures.get(f'{base}_{name}')))}</td>" for name in ("median", "p90", "p99", "longest")
    )
    cut = len(sample.cut_off)
    left = f" {cut} were cut off by the end of the run and count as longer than that." if cut else ""
    return (
        f"<h3>{escape(title)}</h3>{picture.write(styled=False)}"
        f"<p>{escape(told)} Of {len(sample)} job{'' if len(sample) == 1 else 's'}.{left}</p>"
        f'<div class="wide"><table><caption>{escape(title)} of jobs</caption><thead><tr>{head}</tr></thead>'
        f'<tbody><tr><th scope="row">{escape(title)}</th>{cells}</tr></tbody></table></div>'
    )


def _share_of(one: Asked, base: str) -> str:
    """Name the quantile of this time that a requirement is about; "" if it is about something else."""
    if one.measure is None or one.measure not in MEASURES or any((one.routine, one.queue, one.pool, one.entry)):
        return ""
    found, _, name = one.measure.rpartition("_")
    return name if found == base and name in _SHARES else ""


def _points(ended: Sequence[int], cut_off: Sequence[int]) -> list[tuple[int, float]]:
    """Give the product-limit curve of what has ended, thinned to what a picture can show."""
    every = max(1, len(ended) // _MOST)
    found: list[tuple[int, float]] = []
    going, place, at_risk = 1.0, 0, len(ended) + len(cut_off)
    for number, at in enumerate(ended, 1):
        while place < len(cut_off) and cut_off[place] < at:
            place, at_risk = place + 1, at_risk - 1
        going *= (at_risk - 1) / at_risk
        at_risk -= 1
        if number % every == 0 or number == len(ended):
            found.append((at, 1 - going))
    return found
