"""What does somebody see who watches a night in a terminal? As many lines as it is high, none wider than it is wide.

The law: the input is a ``Sight`` and a size; no clock and no terminal, so the same sight gives the same lines. Workers
that do not fit are counted; what goes first is the space between, then lines of events and workers. No state is told by
colour alone. What a terminal would take for a command is written as a JSON escape.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from emulator.measure.live_state import LiveState
from emulator.scenario.clock import Clock
from emulator.show.layout import Role, Span, columns
from emulator.show.phrases import spoken
from emulator.show.watch.crew import crew
from emulator.show.watch.cutting import cut, safe
from emulator.show.watch.night_line import night_lines
from emulator.timeline.ticks import SECOND, say

__all__ = ["Ahead", "Sight", "picture"]

Line = list[Span]

_LEAST_EVENTS: Final = 3
_LEAST_WORKERS: Final = 3
_WAITING: Final = ("queued", "requeued", "running", "queued_held", "requeued_held", "suspended", "done", "failed")
"""The states of jobs, in the order in which they are counted out; those in the middle only when there are any."""
_ALWAYS: Final = ("queued", "running", "done", "failed")


class Ahead(NamedTuple):
    """A fault whose time the scenario states: when it begins, its kind, whom it is aimed at."""

    at: int
    fault: str
    target: str


@dataclass(frozen=True, slots=True)
class Sight:
    """All that a picture is made of.

    Attributes:
        title, seed: of the night. clock: of its scenario.
        now, ends: the present tick, and the one at which it ends.
        present: what everybody does. notes: the last notable events, as (tick, kind, sentence), oldest first.
        speed: times real time. paused: whether it stands still. aim: what it goes to at full speed (event, fault, end).
        behind: whether this machine is too slow for the speed.
        message: what is to be said of the last key.
        ahead: the faults whose times are known and yet to come. unannounced: whether others come at random.
        keys: each key and what it does.
    """

    title: str
    seed: int
    clock: Clock
    now: int
    ends: int
    present: LiveState
    notes: Sequence[tuple[int, str, str]]
    speed: float = 1.0
    paused: bool = False
    aim: str = ""
    behind: bool = False
    message: str = ""
    ahead: tuple[Ahead, ...] = ()
    unannounced: bool = False
    keys: tuple[tuple[str, str], ...] = ()


def picture(sight: Sight, width: int, height: int, *, blocks: bool = True) -> list[Line]:
    """Draw the night, in exactly ``height`` lines of at most ``width`` columns.

    Args:
        sight: what there is to see.
        width, height: of the terminal, from 1.
        blocks: whether it can show block characters, which draw how the backlog went.
    """
    top = [_two_ends(safe(sight.title, width), f"seed {sight.seed}", width, "heading"), _clock_line(sight, width)]
    top += [
        [Span(text)]
        for text in night_lines(
            sight.clock, sight.now, sight.ends, [fault.at for fault in sight.ahead], sight.present, width, blocks=blocks
        )
    ]
    middle = [*_job_lines(sight.present, width), *_fault_lines(sight, width)]
    bottom = _key_lines(sight, width)
    room = height - len(top) - len(middle) - len(bottom)
    gaps = room >= len(sight.present.workers) + 10 or room >= _LEAST_EVENTS + _LEAST_WORKERS + 6
    room -= 4 if gaps else 0
    if room < 4:  # a very low window: what matters most, and no more than fits
        counted = [_cut(line, width) for line in crew(sight.present, sight.now, width, 1)]
        keys = bottom[: max(1, height - 8)] if height >= 6 else []
        return [*_at_height([*top[:2], *counted, *middle, *top[2:]], height - len(keys)), *keys]
    most = max(_LEAST_WORKERS + 1, (room - 2) * 3 // 5) if room > 6 else room // 2
    workers = [_cut(line, width) for line in crew(sight.present, sight.now, width, min(most, room - 1))]
    events = _event_lines(sight, width, room - len(workers))
    gap: list[Line] = [[]] if gaps else []
    upper = _at_height([*top, *gap, *workers, *gap, *middle, *gap, *events], height - len(bottom) - len(gap))
    return [*upper, *gap, *bottom]


def _cut(line: Line, width: int) -> Line:
    """Cut a line to a width."""
    kept, left = [], width
    for span in line:
        text = cut(span.text, left)
        kept.append(Span(text, span.role))
        left -= columns(text)
        if left <= 0:
            break
    return kept


def _two_ends(left: str, right: str, width: int, role: Role = "") -> Line:
    """Put one text to the left and one to the right; the right one goes when there is no room for both."""
    gap = width - columns(left) - columns(right)
    if gap < 2:
        return [Span(left, role)]
    return [Span(left, role), Span(" " * gap + right)]


def _clock_line(sight: Sight, width: int) -> Line:
    local = sight.clock.local(sight.now)
    when = f"{local:%H:%M:%S}"
    how, role = _how(sight)
    for text in (f"{local:%Y-%m-%d} {when} {sight.clock.zone}", f"{local:%Y-%m-%d} {when}", when):
        if columns(text) + 2 + columns(how) <= width:
            return [Span(text, "heading"), Span(" " * (width - columns(text) - columns(how))), Span(how, role)]
    return _cut([Span(when, "heading"), Span(" "), Span(how, role)], width)


def _how(sight: Sight) -> tuple[str, Role]:
    """Say how the night goes on."""
    speed = f"{sight.speed:,g} times real time"
    if sight.aim:
        return f"on to the {'end' if sight.aim == 'end' else 'next ' + sight.aim}, as fast as possible", "good"
    if sight.paused:
        return f"PAUSED ({speed})", "bad"
    if sight.behind:
        return f"{speed}, more than this machine can", "bad"
    return speed, ""


def _job_lines(present: LiveState, width: int) -> list[Line]:
    counts = [f"{present.jobs[state]} {spoken(state)}" for state in _WAITING if state in _ALWAYS or present.jobs[state]]
    lines = [[Span(text)] for text in _packed("Jobs: ", counts, width)]
    held = [f"queue {safe(name, width)} is held" for name in present.held_queues]
    if not present.broker_is_up:
        held.insert(0, "the broker is down")
    return lines + [[Span(text, "bad")] for text in _packed("Standing still: ", held, width)[:2]]


def _fault_lines(sight: Sight, width: int) -> list[Line]:
    faults = sight.present.faults
    named = [f"{spoken(one.fault)} of {safe(one.target, width)}" for one in faults]
    now = "Faults now: " + (", ".join(reversed(named)) or "none")  # the latest first, because the end may not fit
    if columns(now) > width and len(named) > 1:
        now = f"Faults now: {len(named)}, the latest {named[-1]}"
    return [[Span(cut(now, width), "bad" if faults else "")], [Span(cut(_next_fault(sight, width), width))]]


def _next_fault(sight: Sight, width: int) -> str:
    if not sight.ahead:
        return "Next fault: at random, nobody knows when" if sight.unannounced else "Next fault: none is to come"
    at, fault, target = sight.ahead[0]
    away = say((at - sight.now) // SECOND * SECOND)
    return f"Next fault: {sight.clock.local(at):%H:%M:%S}, in {away}: {spoken(fault)} of {safe(target, width)}"


def _event_lines(sight: Sight, width: int, room: int) -> list[Line]:
    if room < 2:
        return []
    shown = list(sight.notes)[-(room - 1) :]
    lines: list[Line] = [[Span(cut("Last events", width), "heading")]]
    for tick, kind, said in shown:
        local = sight.clock.local(tick)
        role: Role = "bad" if kind == "fault_began" else ""
        lines.append([Span(f"  {local:%H:%M:%S}  "[:width]), Span(cut(said, max(0, width - 12)), role)])
    return lines


def _key_lines(sight: Sight, width: int) -> list[Line]:
    names = [f"{key} {'go on' if key == 'space' and sight.paused else what}" for key, what in sight.keys]
    lines: list[Line] = [[Span(text, "small")] for text in _packed("", names, width, gap="  ")]
    if sight.message:
        lines.insert(0, [Span(safe(sight.message, width), "bad")])
    return lines[:4]


def _packed(first: str, pieces: Iterable[str], width: int, *, gap: str = ", ") -> list[str]:
    """Put pieces on as many lines as they need; none where there are no pieces."""
    lines: list[str] = []
    for piece in pieces:
        if lines and columns(lines[-1]) + columns(gap) + columns(piece) <= width:
            lines[-1] += gap + piece
        else:
            if lines and gap.strip():
                lines[-1] = cut(lines[-1] + gap.rstrip(), width)
            lines.append(cut((" " * len(first) if lines else first) + piece, width))
    return lines


def _at_height(lines: list[Line], height: int) -> list[Line]:
    return (lines + [[]] * (height - len(lines)))[:height]
