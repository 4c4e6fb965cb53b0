"""The events that are worth a line while a night goes on; the words of the line are those of ``emulator.show.phrases``.

Passed over is what another event of the same instant tells better, and what comes so often that it would hide the
rest. What a terminal would take for a command is written as a JSON escape.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final

from emulator.record.event_view import EventView, view
from emulator.record.events import Row
from emulator.record.reasons import FINISHED
from emulator.scenario.clock import Clock
from emulator.show.phrases import told
from emulator.show.trail import escaped

__all__ = ["PASSED_OVER", "day_of", "note"]

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
