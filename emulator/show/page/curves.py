"""How long did jobs wait, and how long until they were done? Two cumulative curves, with the requirements drawn in."""

from collections.abc import Sequence
from html import escape
from typing import Final

from emulator.measure.catalogue import find
from emulator.measure.figures import Figures
from emulator.measure.night import Night
from emulator.measure.selection import Selection, Where, part_of
from emulator.measure.verdict import Asked
from emulator.measure.words import duration, write
from emulator.show.cumulative import MOST, Bound, Curve, both_widths, cumulative
from emulator.show.summary import waits_cut_short

__all__ = ["curve", "drawn"]

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
    picture = both_widths(lambda narrow: drawn(night, base, title, requirements, narrow=narrow))
    told = _told(figures, base, title)
    head = "".join(f'<th scope="col">{name}</th>' for name in ("", "median", "p90", "p99", "longest"))
    cells = "".join(
        f"<td>{escape(write(figures.get(f'{base}_{name}')))}</td>" for name in ("median", "p90", "p99", "longest")
    )
    ended = Selection(night).ended_waiting() if base == "wait" else 0
    cut = len(sample.cut_off) - ended
    by = [f"{cut} {'was' if cut == 1 else 'were'} cut off by the end of the run"] if cut else []
    by += [waits_cut_short(ended)] if ended else []
    count = "it counts" if cut + ended == 1 else "they count"
    left = f" {' and '.join(by)}; {count} as longer than that." if by else ""
    return (
        f"<h3>{escape(title)}</h3>{picture}"
        f"<p>{escape(told)} Of {len(sample)} job{'' if len(sample) == 1 else 's'}.{left}</p>"
        f'<div class="wide"><table><caption>{escape(title)} of jobs</caption><thead><tr>{head}</tr></thead>'
        f'<tbody><tr><th scope="row">{escape(title)}</th>{cells}</tr></tbody></table></div>'
    )


def drawn(
    night: Night, base: str, title: str, requirements: Sequence[Asked], *, narrow: bool, styled: bool = False
) -> str:
    """Draw the curve of all jobs, and of each part of the night that a requirement on this time is about."""
    sample = Selection(night).sample(base)
    about = [(one, name) for one in requirements if (name := _share_of(one, base))]
    parts = [where for where in dict.fromkeys(part_of(one) for one, _ in about) if where != Where()]
    seen = [Curve("all jobs", sample.ended, sample.cut_off)]
    for where in [] if styled else parts[: MOST - 1]:
        part = Selection(night, where).sample(base)
        if len(part):
            seen.append(Curve(_said(where), part.ended, part.cut_off))
    bounds = [
        Bound(
            bound, _SHARES.get(name), f"{find(one.measure or '').label} {words} {duration(bound)}{part_of(one).words()}"
        )
        for one, name in about
        for words, bound in (("at most", one.at_most), ("at least", one.at_least))
        if bound is not None
    ]
    told = _told(Figures(night), base, title)
    return cumulative(f"{title}, as a cumulative curve", told, seen, bounds, "time", narrow=narrow, styled=styled)


def _told(figures: Figures, base: str, title: str) -> str:
    half, most = write(figures.get(f"{base}_median")), write(figures.get(f"{base}_p90"))
    return f"{title}: half within {half}, 9 of 10 within {most}."


def _said(where: Where) -> str:
    return " and ".join(f"{word} {name}" for word, name in where.given().items())


def _share_of(one: Asked, base: str) -> str:
    """Name the quantile of this time, or the mean, that a requirement is about; "" if it is about something else."""
    found, _, name = (one.measure or "").rpartition("_")
    return name if found == base and (name in _SHARES or name == "mean") else ""
