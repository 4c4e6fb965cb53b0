"""What does each worker do, one line each, and who is shown when there is not room for all?

When all fit they stand in the order of the scenario, so that each keeps its place. When they do not, those in trouble
come first (frozen, cut off, hit by a fault, working without a lease), then those at work; the last line counts the
rest.
"""

from collections import Counter
from typing import Final

from emulator.measure.live_state import LiveState, WorkerNow
from emulator.measure.reasons import why_in_words
from emulator.show.layout import Role, Span, columns
from emulator.show.phrases import spoken
from emulator.show.watch.cutting import safe
from emulator.timeline.ticks import SECOND, say

__all__ = ["crew"]

_STATES: Final = ("busy", "idle", "draining", "booting", "frozen", "cut_off", "off")
_WIDEST: Final = max(len(spoken(state)) for state in _STATES)


def crew(present: LiveState, now: int, width: int, room: int) -> list[list[Span]]:
    """Give a heading that counts the workers by state, and a line for each, in ``room`` lines at most (from 1)."""
    workers = list(present.workers.values())
    counts = Counter(worker.state for worker in workers)
    heading = ", ".join(f"{counts[state]} {spoken(state)}" for state in _STATES if counts[state])
    lines = [[Span("Workers", "heading"), Span(f": {heading}")]]
    places = room - 1
    if len(workers) > places:
        hit = {fault.worker or fault.target for fault in present.faults}
        workers.sort(key=lambda worker: _rank(present, worker, hit))  # a stable sort: the scenario's order within
        shown = workers[: max(0, places - 1)]
    else:
        shown = workers
    most = max(6, width // 4)
    names = [safe(worker.name, most) for worker in shown]
    wide = max(map(columns, names), default=0)
    for worker, name in zip(shown, names, strict=True):
        state, what, role = worker.state, _doing(present, worker, now, width), _role(present, worker)
        head = f"  {name}{' ' * (wide - columns(name))}  "
        lines.append([Span(head), Span(f"{spoken(state):<{_WIDEST}}", role), Span(f"  {what}".rstrip())])
    if len(shown) < len(workers) and places > 0:
        rest = Counter(worker.state for worker in workers[len(shown) :])
        more = ", ".join(f"{rest[state]} {spoken(state)}" for state in _STATES if rest[state])
        lines.append([Span(f"  and {len(workers) - len(shown)} more: {more}")])
    return lines


def _rank(present: LiveState, worker: WorkerNow, hit: set[str]) -> int:
    if worker.name in hit or worker.state in ("frozen", "cut_off") or _without_lease(present, worker):
        return 0
    return {"busy": 1, "draining": 1, "booting": 2, "idle": 3}.get(worker.state, 4)


def _without_lease(present: LiveState, worker: WorkerNow) -> bool:
    return any(not present.has_lease(work) for work in worker.works)


def _role(present: LiveState, worker: WorkerNow) -> Role:
    if worker.state in ("off", "frozen", "cut_off") or _without_lease(present, worker):
        return "bad"
    return "good" if worker.state == "busy" else ""


def _doing(present: LiveState, worker: WorkerNow, now: int, width: int) -> str:
    """Say what a worker is at: its oldest work, how many more and in how many slots, or why it does not."""
    if not worker.works:
        return safe(why_in_words(worker.why), width) if worker.state not in ("idle", "booting") else ""
    work = worker.works[0]
    took = say((now - work.began) // SECOND * SECOND)
    words = [safe(present.name(work.job), max(12, width // 3)), f"attempt {work.attempt}", f"for {took}"]
    if work.parts:
        words.append(f"{work.parts} {'part' if work.parts == 1 else 'parts'} done")
    if work.stands >= 0:
        words.append("stands still")
    if not present.has_lease(work):
        words.insert(0, "WITHOUT A LEASE")
    if len(worker.works) > 1:
        words.append(f"and {len(worker.works) - 1} more")
    if worker.slots > 1:
        words.append(f"{worker.free} of {worker.slots} slots free")
    return ", ".join(words)
