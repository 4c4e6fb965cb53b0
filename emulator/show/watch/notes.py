"""Which events are worth a line while a night goes on, and how does the line read?

The law: every kind of event stands either in the table of sentences or among those that are passed over, so that a new
kind cannot be forgotten. Passed over is what another event of the same instant tells better, and what comes so often
that it would hide the rest. What a terminal would take for a command is written as a JSON escape.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final

from emulator.measure.words import duration
from emulator.record.events import DETAILS, Row
from emulator.scenario.clock import Clock
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
        "work_goes_on",
        "work_stands_still",
        "worker_registered",
        "worker_signed_off",
    }
)
"""The kinds that are never worth a line."""

_Say = Callable[[Mapping[str, Any]], str | None]
"""Gives the sentence from the details, with ``job`` (its name), ``worker`` and ``at`` beside them; None: no line."""


def _worker_changed(it: Mapping[str, Any]) -> str | None:
    worker, state, why = it["worker"], it["state"], it["why"]
    because = f" ({why})" if why else ""
    if (state == "booting" and it["at"] == 0) or (state == "idle" and not why):
        return None  # all of them, when a night begins; whoever boots is ready soon
    words = {
        "off": "is off",
        "booting": "boots",
        "idle": "is ready for work",
        "busy": "works",
        "finishing": "finishes what it has, and takes nothing more",
        "frozen": "stands still",
        "cut off": "is cut off from the broker",
    }
    if state == "cut off":
        because = {"out": " (what it says is lost)", "back": " (answers to it are lost)"}.get(why, "")
    return f"{worker} {words.get(state, state)}{because}"


def _submitted(it: Mapping[str, Any]) -> str:
    held = f", held: {it['reasons']}" if it["reasons"] else ""
    return f"{it['job']} comes to the queue {it['queue']}{held}"


def _attempt_ended(it: Mapping[str, Any]) -> str | None:
    if it["outcome"] == "ok":
        return None  # its end tells it
    why = f" ({it['why']})" if it["why"] else ""
    return f"{it['job']}: attempt {it['attempt']} on {it['worker'] or 'no worker'} ended: {it['outcome']}{why}"


def _requeued(it: Mapping[str, Any]) -> str:
    pause = f" after a pause of {duration(it['due'] - it['at'])}" if it["due"] > it["at"] else ""
    return f"{it['job']} is to be tried again{pause}"


def _finished(it: Mapping[str, Any]) -> str:
    tries = "1 attempt" if it["attempts"] == 1 else f"{it['attempts']} attempts"
    sub_state = f", {it['sub_state']}" if it["sub_state"] else ""
    return f"{it['job']} is {it['state']}{sub_state} after {tries}"


def _by_person(verb: str) -> _Say:
    return lambda it: f"{it['job']} is {verb} by a person" if it["reason"] == "by a person" else None


def _work_stopped(it: Mapping[str, Any]) -> str | None:
    return None if it["why"] == "finished" else f"{it['worker']} stops its work on {it['job']}: {it['why']}"


def _of(template: str) -> _Say:
    return lambda it: template.format_map(it)


def _whom(it: Mapping[str, Any]) -> str:
    return f"{str(it['fault']).replace('_', ' ')} of {it['target']}"


def _action(it: Mapping[str, Any]) -> str:
    return f"{str(it['action']).replace('_', ' ')} {it['target']}".rstrip()


_SENTENCES: Final[Mapping[str, _Say]] = MappingProxyType(
    {
        "run_began": _of("the night begins, with seed {seed}"),
        "run_ended": _of("the night ends"),
        "submitted": _submitted,
        "submission_repeated": _of("{job} was submitted once more, and is not taken twice"),
        "submission_refused": _of("a job of {routine} is refused by the queue {queue}: {why}"),
        "held": _by_person("held"),
        "hold_ended": _by_person("released"),
        "handed_out": _of("{worker} takes {job}, attempt {attempt}"),
        "handed_back": _of("{worker} hands {job} back unstarted"),
        "attempt_ended": _attempt_ended,
        "requeued": _requeued,
        "finished": _finished,
        "suspend_requested": _of("{job} is to be suspended"),
        "suspended": _of("{job} is suspended"),
        "resume_requested": _of("{job} is to be resumed"),
        "resumed": _of("{job} is resumed"),
        "stale_refused": _of("stale: {what} of {worker} for {job} is refused"),
        "lease_forgotten": _of("the broker forgets the lease of {job}; {worker} works on"),
        "queue_held": _of("the queue {queue} is held"),
        "queue_released": _of("the queue {queue} is released"),
        "broker_down": _of("the broker is down"),
        "broker_up": _of("the broker is up again"),
        "worker_declared_lost": _of("the broker declares {worker} lost"),
        "worker_changed": _worker_changed,
        "worker_speed_changed": _of("{worker} works at {speed} times full speed"),
        "equipment_changed": _of("{worker} is equipped with: {equipped_with}"),
        "work_stopped": _work_stopped,
        "worker_told": _of("{worker} is told of {job}: {what}"),
        "outcome_unanswered": _of("{worker} gets no answer to the outcome of {job}, and will send it again"),
        "effect_refused": _of("{effect} on {target}, by {worker} for {job}, is refused: {why}"),
        "effect_found": _of("{worker} finds {effect} on {target} already there"),
        "call_served_late": _of("{system} serves a call for {job} whose caller has gone"),
        "system_changed": _of("the system {system}: {state}"),
        "access_changed": _of("access of {who} to {system}: {state}"),
        "credential_changed": _of("credential of {who} for {system}: {state}"),
        "occurrence_skipped": _of("{entry}: occurrence {ordinal} is skipped: {why}"),
        "fault_began": lambda it: f"FAULT {_whom(it)}",
        "fault_ended": lambda it: f"fault over: {_whom(it)}",
        "fault_missed": lambda it: f"fault without effect: {_whom(it)}: {it['why']}",
        "action_taken": lambda it: f"people: {_action(it)}",
        "action_refused": lambda it: f"people: {_action(it)}: refused: {it['why']}",
    }
)


def note(row: Row, name: Callable[[int], str]) -> str | None:
    r"""Give the sentence of an event, on one line and safe to show, or None if it is not worth a line.

    Args:
        row: the event.
        name: names a job by its number.

    >>> note((5, "handed_out", 0, 3, "dome-1", 2, 7, 95, 1), "plates#{}".format)
    'dome-1 takes plates#3, attempt 2'
    """
    tell = _SENTENCES.get(row[1])
    if tell is None:
        return None
    details = dict(zip(DETAILS[row[1]], row[5:], strict=True))
    said = tell({**details, "at": row[0], "job": name(row[3]) if row[3] else "", "worker": row[4]})
    return None if said is None else escaped(said)


def day_of(clock: Clock, tick: int) -> str:
    """Give what stands above the lines of one day: its date, the zone, and how far that is from UTC.

    >>> from datetime import datetime
    >>> day_of(Clock(datetime(2026, 6, 12, 21, 30), "America/Santiago"), 0)
    '2026-06-12, America/Santiago (UTC-04:00)'
    """
    local = clock.local(tick)
    return f"{local.date()}, {clock.zone} (UTC{local.isoformat(timespec='microseconds')[26:]})"
