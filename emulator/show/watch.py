"""Shows a night as it goes on: a line for each notable event, and a picture for a terminal.

The picture has as many lines as the terminal is high, none wider than it is wide. The input is a ``Sight`` and a size;
no clock and no terminal, so the same sight gives the same lines. When all workers fit they stand in the order of the
scenario, so that each keeps its place. Else those in trouble come first (frozen, cut off, hit by a fault, working
without a lease), then those at work; the last line counts the rest. What goes first is the space between, then lines of
events and workers. No state is told by colour alone.

In the line of the night what has passed is ``#``, what is to come ``-``, a known fault to come ``!``. Below it, column
for column, stand the most jobs that waited in that stretch of the night.

No line tells what another event of the same instant tells better, nor what comes so often that it would hide the rest.
What a terminal would take for a command is written as a JSON escape.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, NamedTuple

from emulator.measure.live_state import BUCKETS, LiveState, WorkerNow
from emulator.measure.words import why_in_words
from emulator.record.event_view import EventView, view
from emulator.record.events import Row
from emulator.record.reasons import FINISHED
from emulator.scenario.clock import Clock
from emulator.show.layout import Role, Span, columns, fit
from emulator.show.trail import escaped
from emulator.show.words import spoken, told
from emulator.timeline.ticks import SECOND, say

__all__ = [
    "PASSED_OVER",
    "Ahead",
    "Sight",
    "crew",
    "cut",
    "day_of",
    "night_lines",
    "note",
    "picture",
    "safe",
]


_ENOUGH: Final = 8
"""So many characters are looked at for each column: more could be shown by nothing but marks above letters."""


def cut(text: str, width: int) -> str:
    """Cut a text that is safe to show, with three dots where something is missing, if those have room.

    >>> cut("plate-archive", 10), cut("plates", 2), cut("plates", 0)
    ('plate-a...', 'pl', '')
    """
    start = text[: _ENOUGH * max(width, 1)]
    if len(start) == len(text) and columns(text) <= width:
        return text
    if width > 3:
        return fit(start + "..." if len(start) < len(text) else start, width)
    while columns(start) > width:
        start = start[:-1]
    return start


def safe(text: str, width: int) -> str:
    r"""Make a text safe to show, and cut it to a width.

    >>> safe("dome\x1b[2J", 80), safe("x" * 10_000, 8)
    ('dome\\u001b[2J', 'xxxxx...')
    """
    start = text[: _ENOUGH * max(width, 1)]
    return cut(escaped(start) + ("..." if len(start) < len(text) else ""), width)


_STATES: Final = ("busy", "idle", "draining", "booting", "frozen", "cut_off", "off")
_WIDEST: Final = max(len(spoken(state)) for state in _STATES)


def crew(live: LiveState, now: int, width: int, room: int) -> list[list[Span]]:
    """Give a heading that counts the workers by state, and a line for each, in ``room`` lines at most (from 1)."""
    workers = list(live.workers.values())
    counts = Counter(worker.state for worker in workers)
    heading = ", ".join(f"{counts[state]} {spoken(state)}" for state in _STATES if counts[state])
    lines = [[Span("Workers", "heading"), Span(f": {heading}")]]
    places = room - 1
    if len(workers) > places:
        hit = {fault.worker or fault.target for fault in live.faults}
        workers.sort(key=lambda worker: _rank(live, worker, hit))  # a stable sort: the scenario's order within
        shown = workers[: max(0, places - 1)]
    else:
        shown = workers
    most = max(6, width // 4)
    names = [safe(worker.name, most) for worker in shown]
    wide = max(map(columns, names), default=0)
    for worker, name in zip(shown, names, strict=True):
        state, what, role = worker.state, _doing(live, worker, now, width), _role(live, worker)
        head = f"  {name}{' ' * (wide - columns(name))}  "
        lines.append([Span(head), Span(f"{spoken(state):<{_WIDEST}}", role), Span(f"  {what}".rstrip())])
    if len(shown) < len(workers) and places > 0:
        rest = Counter(worker.state for worker in workers[len(shown) :])
        more = ", ".join(f"{rest[state]} {spoken(state)}" for state in _STATES if rest[state])
        lines.append([Span(f"  and {len(workers) - len(shown)} more: {more}")])
    return lines


def _rank(live: LiveState, worker: WorkerNow, hit: set[str]) -> int:
    if worker.name in hit or worker.state in ("frozen", "cut_off") or _without_lease(live, worker):
        return 0
    return {"busy": 1, "draining": 1, "booting": 2, "idle": 3}.get(worker.state, 4)


def _without_lease(live: LiveState, worker: WorkerNow) -> bool:
    return any(not live.has_lease(work) for work in worker.works)


def _role(live: LiveState, worker: WorkerNow) -> Role:
    if worker.state in ("off", "frozen", "cut_off") or _without_lease(live, worker):
        return "bad"
    return "good" if worker.state == "busy" else ""


def _doing(live: LiveState, worker: WorkerNow, now: int, width: int) -> str:
    """Say what a worker is at: its oldest work, how many more and in how many slots, or why it does not."""
    if not worker.works:
        return safe(why_in_words(worker.why), width) if worker.state not in ("idle", "booting") else ""
    work = worker.works[0]
    took = say((now - work.began) // SECOND * SECOND)
    words = [safe(live.name(work.job), max(12, width // 3)), f"attempt {work.attempt}", f"for {took}"]
    if work.parts:
        words.append(f"{work.parts} {'part' if work.parts == 1 else 'parts'} done")
    if work.stands >= 0:
        words.append("stands still")
    if not live.has_lease(work):
        words.insert(0, "WITHOUT A LEASE")
    if len(worker.works) > 1:
        words.append(f"and {len(worker.works) - 1} more")
    if worker.slots > 1:
        words.append(f"{worker.free} of {worker.slots} slots free")
    return ", ".join(words)


_BLOCKS: Final = "\u2581\u2582\u2583\u2584\u2585\u2586\u2587\u2588"
"""An eighth of a column's height each, the lowest first."""
_LEAST: Final = 10
"""So narrow a line still tells something."""


def night_lines(
    clock: Clock, now: int, ends: int, faults: Iterable[int], live: LiveState, width: int, *, blocks: bool
) -> list[str]:
    """Draw the line of the night and, where there is room for it, the backlog below.

    Args:
        clock: the scenario's.
        now, ends: the present tick, and the one at which the night ends.
        faults: the ticks of those that are known and to come.
        live: tells the backlog.
        width: of a line.
        blocks: whether block characters can be shown.
    """
    share = f"{100 * now // ends} %"
    said = f"{say(now // SECOND * SECOND)} of {say(ends)}, {share}"
    waiting = f"{live.waiting} wait for a worker, {live.most} at most"
    first, last = f"{clock.local(0):%H:%M} ", f" {clock.local(ends):%H:%M}"
    long = width - len(first) - len(last)
    if long < _LEAST:
        return [cut(share, width), cut(f"{live.waiting} wait", width)]
    passed = now * long // ends
    line = ["#"] * passed + ["-"] * (long - passed)
    for at in faults:
        line[min(long - 1, at * long // ends)] = "!"
    lines = [first + "".join(line) + last]
    if blocks:
        lines.append(" " * len(first) + _backlog(live, long, passed).rstrip())
    both = f"{said}   {waiting}"
    return [*lines, *([both] if len(both) <= width else [cut(said, width), cut(waiting, width)])]


def _backlog(live: LiveState, long: int, passed: int) -> str:
    """Draw the backlog over the part of the night that has passed, its highest point at full height."""
    drawn = []
    for place in range(min(long, passed + 1)):
        begin = place * BUCKETS // long
        end = -(-(place + 1) * BUCKETS // long)  # rounded up: a stretch in two columns shows in both
        peak = max(live.peaks[begin:end], default=0)
        drawn.append(_BLOCKS[(peak * 8 + live.most - 1) // live.most - 1] if peak else " ")
    return "".join(drawn)


PASSED_OVER: Final = frozenset(
    {
        "call_ended",
        "effect_landed",
        "heartbeat_received",
        "lease_renewed",
        "message_lost",
        "part_finished",
        "work_began",
        "work_continued",
        "work_paused",
        "worker_registered",
        "worker_signed_off",
    }
)
"""The kinds that are never worth a line."""

_UNREMARKABLE: Final[Mapping[str, Callable[[EventView], bool]]] = MappingProxyType(
    {
        # all of them, when a night begins; whoever boots is ready soon
        "worker_changed": lambda event: (
            (event.at == 0 and event.state == "booting") or (event.state == "idle" and not event.why)
        ),
        "attempt_ended": lambda event: event.outcome == "ok",  # the end of the job tells it
        "held": lambda event: event.reason != "by_person",
        "hold_ended": lambda event: event.reason != "by_person",
        "work_stopped": lambda event: event.why == FINISHED,
    }
)
"""By kind: whether an event is passed over."""


def note(row: Row, name: Callable[[int], str], clock: Clock) -> str | None:
    r"""Give the sentence of an event, on one line and safe to show, or None if it is not worth a line.

    Args:
        row: the event.
        name: names a job by its number.
        clock: the scenario's clock.

    >>> from datetime import datetime
    >>> clock = Clock(datetime(2026, 6, 12, 21, 30), "America/Santiago")
    >>> note((5, "handed_out", 0, 3, "dome-1", 2, 7, 900_000_000, 1), "plates#{}".format, clock)
    'dome-1 took plates#3, attempt 2'
    """
    event = view(0, row)
    passed = _UNREMARKABLE.get(event.kind)
    if event.kind in PASSED_OVER or (passed is not None and passed(event)):
        return None

    def at(tick: int) -> str:
        return f"{clock.local(tick):%H:%M:%S}"

    return escaped(told(row, name(event.job) if event.job else "", at, omit="lease_until"))


def day_of(clock: Clock, tick: int) -> str:
    """Give what stands above the lines of one day: its date, the zone, and how far that is from UTC.

    >>> from datetime import datetime
    >>> day_of(Clock(datetime(2026, 6, 12, 21, 30), "America/Santiago"), 0)
    '2026-06-12, America/Santiago (UTC-04:00)'
    """
    local = clock.local(tick)
    return f"{local.date()}, {clock.zone} (UTC{local.isoformat(timespec='microseconds')[26:]})"


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
        live: what everybody does. notes: the last notable events, as (tick, kind, sentence), oldest first.
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
    live: LiveState
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
            sight.clock, sight.now, sight.ends, [fault.at for fault in sight.ahead], sight.live, width, blocks=blocks
        )
    ]
    middle = [*_job_lines(sight.live, width), *_fault_lines(sight, width)]
    bottom = _key_lines(sight, width)
    room = height - len(top) - len(middle) - len(bottom)
    gaps = room >= len(sight.live.workers) + 10 or room >= _LEAST_EVENTS + _LEAST_WORKERS + 6
    room -= 4 if gaps else 0
    if room < 4:  # a very low window: what matters most, and no more than fits
        counted = [_cut(line, width) for line in crew(sight.live, sight.now, width, 1)]
        keys = bottom[: max(1, height - 8)] if height >= 6 else []
        return [*_at_height([*top[:2], *counted, *middle, *top[2:]], height - len(keys)), *keys]
    most = max(_LEAST_WORKERS + 1, (room - 2) * 3 // 5) if room > 6 else room // 2
    workers = [_cut(line, width) for line in crew(sight.live, sight.now, width, min(most, room - 1))]
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


def _job_lines(live: LiveState, width: int) -> list[Line]:
    counts = [f"{live.jobs[state]} {spoken(state)}" for state in _WAITING if state in _ALWAYS or live.jobs[state]]
    lines = [[Span(text)] for text in _packed("Jobs: ", counts, width)]
    held = [f"queue {safe(name, width)} is held" for name in live.held_queues]
    if not live.broker_is_up:
        held.insert(0, "the broker is down")
    return lines + [[Span(text, "bad")] for text in _packed("Standing still: ", held, width)[:2]]


def _fault_lines(sight: Sight, width: int) -> list[Line]:
    faults = sight.live.faults
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
