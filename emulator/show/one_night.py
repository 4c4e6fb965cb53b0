"""A picture of one night: a lane for each worker, a bar for each attempt, and what went wrong, numbered and told below.

The law: all that is drawn and told is read from the events; the same night gives the same bytes. It is small: a night
of hundreds of attempts is what the page is for.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from emulator.measure.night import DONE, FINAL, Night
from emulator.measure.words import duration
from emulator.scenario.clock import Clock
from emulator.show.fault_words import fault_words
from emulator.show.page.data import OUTCOMES, Columns
from emulator.show.svg import Svg, Theme, nice_steps
from emulator.timeline.ticks import HOUR, MINUTE, SECOND

__all__ = ["night_picture"]

_WIDTH: Final = 880
_LEFT: Final = 80
_TOP: Final = 34
_LANE: Final = 40
_BAR: Final = 22
_LINE: Final = 20
_MOST_TICKS: Final = 7
_MOST_TOLD: Final = 6
_OK: Final = OUTCOMES.index("ok")


@dataclass(frozen=True, slots=True)
class _Note:
    """What is numbered in the picture: when, in which lane (-1: above all), and in words."""

    at: int
    lane: int
    words: str


def night_picture(
    night: Night, columns: Columns, clock: Clock, *, title: str, file: str, seed: int, theme: Theme = "both"
) -> str:
    """Draw a night as an SVG document.

    Args:
        night: folded.
        columns: of the same night.
        clock: of its scenario.
        title: of the scenario.
        file: the scenario file, as it is named below the picture.
        seed: of the night.
        theme: how it looks.
    """
    ends = max((one.ends for one in columns.attempts), default=columns.horizon)
    begins = min((one.begins for one in columns.attempts), default=0)
    margin = max((ends - begins) // 40, MINUTE)
    low, high = max(0, begins - margin), min(columns.horizon, ends + margin)
    notes = _notes(night, columns, clock)
    done = sum(1 for final in night.column(FINAL) if final == DONE)
    jobs = len(columns.jobs)
    of_all = f"all {jobs:,} jobs are done" if done == jobs else f"{done:,} of {jobs:,} jobs are done"
    by = f" by {clock.local(ends):%H:%M}" if done == jobs else ""
    told = "; ".join(one.words for one in notes[:2])
    lanes_end = _TOP + _LANE * len(columns.lanes)
    below = lanes_end + 14
    height = below + _LINE * (len(notes[:_MOST_TOLD]) + 2)
    svg = Svg(_WIDTH, height, f"One night: {told + '; ' if told else ''}{of_all}{by}.", title, theme)

    def at(tick: int) -> float:
        return _LEFT + (min(max(tick, low), high) - low) * (_WIDTH - _LEFT - 12) / (high - low)

    for tick in _round_times(clock, low, high):
        svg.line(at(tick), _TOP - 6, at(tick), lanes_end, role="faint", width=0.4)
        svg.text(at(tick), _TOP - 12, f"{clock.local(tick):%H:%M}", anchor="middle", role="faint", size=12)
    before = -1
    for place, (worker, first, last) in enumerate(columns.lanes):
        y = _TOP + _LANE * place + (_LANE - _BAR) / 2
        if worker != before:
            svg.text(4, y + 16, columns.workers[worker])
            _outs(svg, night, columns, columns.workers[worker], y, at)
        before = worker
        for one in columns.attempts[first:last]:
            good = one.outcome == _OK
            svg.bar(
                at(one.begins),
                y,
                max(1.0, at(one.ends) - at(one.begins) - 1),
                _BAR,
                role="good" if good else "bad",
                dashes="" if good else "4 2",
                tip=f"{columns.jobs[one.job][0]}, attempt {one.number}: {OUTCOMES[one.outcome].replace('_', ' ')}",
            )
    for number, note in enumerate(notes[:_MOST_TOLD], 1):
        y = _TOP + _LANE * max(note.lane, 0) + (_LANE - _BAR) / 2
        svg.mark(at(note.at), y - 2, "ring", role="bad", size=8)
        svg.text(at(note.at), y + 2, str(number), anchor="middle", bold=True, size=11)
        svg.text(4, below + _LINE * number, f"{number}  {note.words}")
    more = f" {len(notes) - _MOST_TOLD} more events are not told." if len(notes) > _MOST_TOLD else ""
    about = f"{file}, seed {seed}. A bar for each attempt, dashed where it failed or was lost; {of_all}{by}.{more}"
    svg.text(4, height - 8, about, role="faint", size=12)
    return svg.write()


def _notes(night: Night, columns: Columns, clock: Clock) -> list[_Note]:
    """Give what went wrong and what came of it, in the order of time: faults, and jobs that were taken over."""
    lane_of = {columns.workers[worker]: place for place, (worker, _, _) in reversed([*enumerate(columns.lanes)])}
    found = []
    for fault in night.faults:
        lasts = f" for {duration(fault.ended - fault.at)}" if fault.ended >= 0 else ""
        words = f"{clock.local(fault.at):%H:%M} {fault_words(fault.fault, [fault.target])}{lasts}"
        found.append(_Note(fault.at, lane_of.get(fault.target, -1), words))
    by_job: dict[int, list[int]] = {}
    for place, one in enumerate(columns.attempts):
        by_job.setdefault(one.job, []).append(place)
    for job in dict.fromkeys(lost.job for lost in night.lost):
        tries = sorted((columns.attempts[place] for place in by_job.get(job, ())), key=lambda one: one.begins)
        for before, one in pairwise(tries):
            by = "takes it again" if one.worker == before.worker else f"takes it over from {before.worker}"
            words = f"{clock.local(one.begins):%H:%M} {columns.jobs[job][0]}: {one.worker} {by}, attempt {one.number}"
            found.append(_Note(one.begins, lane_of.get(one.worker, -1), words))
    return sorted(found, key=lambda note: note.at)


def _outs(svg: Svg, night: Night, columns: Columns, worker: str, y: float, at: Callable[[int], float]) -> None:
    """Draw how long a worker was hit by a fault, as an empty box."""
    for fault in night.faults:
        if fault.target == worker:
            x, right = at(fault.at), at(fault.ended if fault.ended >= 0 else columns.horizon)
            svg.bar(x, y, right - x, _BAR, role="faint", dashes="3 3", filled=False)


def _round_times(clock: Clock, low: int, high: int) -> Sequence[int]:
    """Give round times of day within a span."""
    step = int(nice_steps(high - low, "time", _MOST_TICKS))
    local = clock.local(low)
    into = (local.hour * HOUR + local.minute * MINUTE + local.second * SECOND + local.microsecond) % step
    return range(low - into + (step if into else 0), high + 1, step)
