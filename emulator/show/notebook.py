"""Shows a result in a notebook: the verdict, one small table, one small picture.

There is no script, no style sheet and nothing that reaches outside: the table takes the notebook's own colours, the
picture is an image with a ground of its own, so both are readable in light and in dark. All names are escaped.
"""

import base64
from collections.abc import Sequence
from typing import Final

from emulator.measure.comparison.paired import called, change, reach
from emulator.measure.comparison.result import Comparison, Share
from emulator.measure.comparison.sizing import Sizing
from emulator.measure.comparison.wanted import label_of
from emulator.measure.figures import Figures, Selection
from emulator.measure.night import Night
from emulator.measure.occurrences import Asked, Judged
from emulator.measure.words import write
from emulator.show.comparison.exports import sentence
from emulator.show.comparison.pictures import NARROW, forest, held
from emulator.show.comparison.words import between, effect_of, verdict_of
from emulator.show.html import clean, name, text
from emulator.show.meta import verdict
from emulator.show.page.sections import drawn

__all__ = ["comparison_html", "night_html", "sizing_html"]

_MOST: Final = 10
_MOST_DRAWN: Final = 2


def night_html(night: Night, judged: Sequence[Judged], title: str, requirements: Sequence[Asked]) -> str:
    """Show one night: its requirements, or its main figures where none is stated, and the turnaround of its jobs."""
    words = {True: "met", False: "missed", None: "not judged"}
    head = ["requirement", "found", "verdict"]
    rows = [[text(clean(one.asks)), text(write(one.found)), words[one.met]] for one in judged]
    if not judged:
        figures = Figures(night)
        head = ["figure", "found"]
        rows = [
            [one, text(write(figures.get(one)))] for one in ("done", "failed", "attempts", "lost_leases", "makespan")
        ]
    said, picture = verdict(tuple(judged))[1], ""
    if len(Selection(night).sample("turnaround")):
        picture = drawn(night, "turnaround", "Turnaround", requirements, narrow=True, styled=True)
    return _shown(title, said, head, rows, picture, "Turnaround of the jobs, as a cumulative curve")


def comparison_html(of: Comparison) -> str:
    """Show a comparison: what differs, with the interval of each difference; of one setting, what holds how often."""
    shares = [one for one in of.shares if one.judged]
    if len(of.variants) == 1:
        return _shown(of.title, sentence(of), *_shares(shares), _picture_of(shares), "Shares of nights with intervals")
    seen = [one for one in of.differences if one.effect != "same"] or list(of.differences)
    rows = [
        [
            text(clean(label_of(one.measure))),
            name(one.variant),
            "unknown" if one.mean is None else text(change(one.mean, one.unit, one.measure)),
            "unknown" if one.together is None else text(reach(one.together, one.unit, one.measure)),
            text(effect_of(one)),
        ]
        for one in seen
    ]
    drawn_ones = tuple(dict.fromkeys(one.measure for one in seen))[:_MOST_DRAWN]
    picture = forest(of, layout=NARROW, measures=drawn_ones)
    head = ["figure", "variant", "difference", "interval", "verdict"]
    return _shown(
        of.title, sentence(of), head, rows, picture, f"Differences from {called(of.baseline)} with their intervals"
    )


def sizing_html(of: Sizing) -> str:
    """Show a search for a size: in what share of nights each value was large enough."""
    shares = [
        Share(f"{of.path} = {one.value}", "", one.held, one.judged, one.interval, of.share, one.verdict, "")
        for one in of.tried
        if one.judged
    ]
    return _shown(of.title, of.sentence, *_shares(shares), _picture_of(shares), "Shares of nights with intervals")


def _shares(shares: Sequence[Share]) -> tuple[list[str], list[list[str]]]:
    rows = [
        [
            text(clean(one.asks)),
            f"{one.held} of {one.judged}",
            text(between(one.together or one.interval, "share")),
            text(verdict_of(one)),
        ]
        for one in shares
    ]
    return ["", "nights", "interval", "verdict"], rows


def _picture_of(shares: Sequence[Share]) -> str:
    return held(shares, "Shares of nights", layout=NARROW, styled=True, by_requirement=True) if shares else ""


def _shown(title: str, said: str, head: Sequence[str], rows: Sequence[Sequence[str]], picture: str, alt: str) -> str:
    top = "".join(f'<th scope="col">{cell}</th>' for cell in head)
    body = "".join("<tr>" + "".join(f"<td>{cell}</td>" for cell in row) + "</tr>" for row in rows[:_MOST])
    left = len(rows) - _MOST
    more = f"<p>and {left} more: <code>print</code> shows all of it</p>" if left > 0 else ""
    image = ""
    if picture:
        data = base64.b64encode(picture.encode("utf-8", "replace")).decode("ascii")
        image = f'<img alt="{text(alt)}" src="data:image/svg+xml;base64,{data}">'
    return (
        f"<div><p>{text(clean(title))}<br><strong>{text(said)}</strong></p>"
        f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>{more}{image}</div>"
    )
