"""Says where something happened that must never happen, whatever goes wrong, from the history of a night.

They are for tests of one's own code: a worker program that writes after it has lost its lease breaks the first, one
that does work twice which must not be repeated the second, one that forgets a job the third.

How close together do calls come? The most that begin within any stretch of a length.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

from emulator.errors import InputError
from emulator.measure.figures import densest
from emulator.record.event_view import EventView, views
from emulator.record.events import Row
from emulator.record.history import History
from emulator.scenario.spelling import advise
from emulator.timeline.ticks import say

__all__ = [
    "INVARIANTS",
    "Burst",
    "Never",
    "broken",
]


Never = Literal["effect after lease lost", "effect after job ended", "unrepeatable effect twice", "job left unfinished"]
"""What can be watched for, by its name."""


def _effects_after_the_lease(night: History) -> Iterator[str]:
    ended: dict[int, EventView] = {}
    for event in night.of_kind("attempt_ended", "effect_landed"):
        if event.kind == "effect_landed":
            end = ended.get(event.token)
            if end is not None:
                outcome = end.outcome.replace("_", " ")
                yield f"{_left(event)}, which had ended by then ({outcome} at {say(end.at)}, event {end.event})"
        elif event.outcome != "ok":
            ended[event.token] = event


def _effects_after_the_job(night: History) -> Iterator[str]:
    for event in night.of_kind("effect_landed"):
        end = night.jobs[event.job].finished
        if end is not None and end.event < event.event:
            yield f"{_left(event)}, which was {end.state} at {say(end.at)} (event {end.event})"


def _effects_twice(night: History) -> Iterator[str]:
    first: dict[tuple[str, str], EventView] = {}
    for event in night.of_kind("effect_landed"):
        if event.repeatable is not False:
            continue
        before = first.setdefault((event.effect, event.target), event)
        if before is not event:
            yield (
                f"{_left(event)}; it must not be repeated, and {before.worker} had left it at {say(before.at)}, in "
                f"attempt {before.attempt} of job {before.job} (event {before.event})"
            )


def _left(event: EventView) -> str:
    return (
        f"event {event.event}: {event.worker} left {event.effect!r} on {event.target} at {say(event.at)}, in attempt "
        f"{event.attempt} of job {event.job}"
    )


def _jobs_lost(night: History) -> Iterator[str]:
    for job in night.jobs.values():
        if job.came is not None and job.finished is None:
            name = f"{job.came.entry}#{job.came.ordinal}"
            yield f"event {job.came.event}: job {job.number} ({name}) was submitted and is neither done nor failed"


@dataclass(frozen=True, slots=True)
class Burst:
    """Too many calls close together: ``more_than`` of them to a system begin within a stretch of so many ticks."""

    system: str
    more_than: int
    within: int

    def look(self, night: History) -> Iterator[str]:
        """Say where it has happened, once: where the calls are densest; calls that have no outcome yet are left out."""
        calls = sorted(
            (call.at - call.took, call.event)
            for call in night.of_kind("call_ended")
            if call.system == self.system and call.outcome != "no_access"
        )
        most, place = densest([began for began, _ in calls], self.within)
        if most > self.more_than:
            began, number = calls[place]
            yield (
                f"event {number}: it ends the first of {most} calls to {self.system} that began within "
                f"{say(self.within)}, from {say(began)} on"
            )


INVARIANTS: Final = MappingProxyType(
    {
        "effect after lease lost": _effects_after_the_lease,
        "effect after job ended": _effects_after_the_job,
        "unrepeatable effect twice": _effects_twice,
        "job left unfinished": _jobs_lost,
    }
)
"""What can be watched for, by name."""

_AT_THE_END: Final = frozenset(("job left unfinished",))


def broken(rows: Sequence[Row], never: Iterable[str | Burst], *, at_end: bool = True) -> list[str]:
    """Say where what must never happen has happened, one sentence each.

    Args:
        rows: every event so far.
        never: what to look for, by the names in ``INVARIANTS``, and bursts of calls.
        at_end: whether nothing more will come; what only the end can tell is left out otherwise.

    Raises:
        InputError: for a name that is not known.

    >>> row = (7, "submitted", 0, 1, "", "queued", "copy", "night", "copy", 1, "", 0, "", 0)
    >>> broken([row], ["job left unfinished"])
    ['job left unfinished: event 1: job 1 (copy#1) was submitted and is neither done nor failed']
    """
    night = History()
    night.take_all(views(rows))
    found = []
    for name in never:
        if isinstance(name, Burst):
            found += [
                f"more than {name.more_than} calls to {name.system} within {say(name.within)}: {sentence}"
                for sentence in name.look(night)
            ]
            continue
        if name not in INVARIANTS:
            raise InputError(f"{name!r} cannot be watched for: {advise(name, tuple(INVARIANTS))}")
        look: Callable[[History], Iterator[str]] = INVARIANTS[name]
        if at_end or name not in _AT_THE_END:
            found += [f"{name}: {sentence}" for sentence in look(night)]
    return found
