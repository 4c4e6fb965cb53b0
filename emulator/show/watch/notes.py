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
from emulator.show.phrases import PHRASES, STATES, spoken
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

_Say = Callable[[Mapping[str, Any]], str | None]
"""Gives the sentence from the details, with ``job`` (its name), ``worker`` and ``at`` beside them; None: no line."""


def _worker_changed(it: Mapping[str, Any]) -> str | None:
    worker, state, why = it["worker"], it["state"], it["why"]
    because = f" ({why})" if why else ""
    if (state == "booting" and it["at"] == 0) or (state == "idle" and not why):
        return None  # all of them, when a night begins; whoever boots is ready soon
    if state == "cut_off":
        because = {"out": " (what it says is lost)", "back": " (answers to it are lost)"}.get(why, "")
    phrase = STATES.get(state)
    return (phrase.now.format(worker=worker) if phrase is not None else f"{worker} {state}") + because


def _submitted(it: Mapping[str, Any]) -> str:
    held = f", held: {spoken(it['reasons'])}" if it["reasons"] else ""
    return f"{it['job']} comes to the queue {it['queue']}{held}"


def _attempt_ended(it: Mapping[str, Any]) -> str | None:
    if it["outcome"] == "ok":
        return None  # its end tells it
    why = f" ({it['why']})" if it["why"] else ""
    return f"{it['job']}: attempt {it['attempt']} on {it['worker'] or 'no worker'} ended: {spoken(it['outcome'])}{why}"


def _requeued(it: Mapping[str, Any]) -> str:
    pause = f" after a pause of {duration(it['due'] - it['at'])}" if it["due"] > it["at"] else ""
    return f"{it['job']} is to be tried again{pause}"


def _finished(it: Mapping[str, Any]) -> str:
    tries = "1 attempt" if it["attempts"] == 1 else f"{it['attempts']} attempts"
    after = f" after {tries}" if it["attempts"] else ""
    if it["state"] == "done":
        return f"{it['job']} is done{after}"
    if it["sub_state"] == "withdrawn":
        return PHRASES["withdrawn"].now.format_map(it) + after
    return f"{it['job']} fails{after} ({spoken(it['sub_state'])})"


def _by_person(template: str) -> _Say:
    return lambda it: template.format_map(it) if it["reason"] == "by_person" else None


def _work_stopped(it: Mapping[str, Any]) -> str | None:
    return None if it["why"] == "finished" else f"{it['worker']} stops its work on {it['job']}: {it['why']}"


def _of(template: str) -> _Say:
    return lambda it: template.format_map(it)


def _now(kind: str, **more: str) -> _Say:
    return lambda it: PHRASES[kind].now.format_map({**it, **more})


def _of_job(kind: str, **more: str) -> _Say:
    """Tell what does not name its job, with the job's name before it."""
    say = _now(kind, **more)
    return lambda it: f"{it['job']}: {say(it)}" if it["job"] else say(it)


def _told(it: Mapping[str, Any]) -> str | None:
    if it["what"] == "lease_lost":
        return _of_job("lease_lost")(it)
    if it["what"] == "too_late_to_begin":
        return f"{it['worker']} does not begin {it['job']}: as far as it knows, the lease is over"
    return f"{it['worker']} is told to {it['what']} {it['job']}"


def _equipment(it: Mapping[str, Any]) -> str:
    return PHRASES["equipment_changed"].now.format_map({**it, "has": it["equipped_with"] or "nothing"})


def _whom(it: Mapping[str, Any]) -> str:
    return f"{spoken(str(it['fault']))} of {it['target']}"


def _action(it: Mapping[str, Any]) -> str:
    return f"{spoken(str(it['action']))} {it['target']}".rstrip()


_SENTENCES: Final[Mapping[str, _Say]] = MappingProxyType(
    {
        "run_began": _of("the night begins, with seed {seed}"),
        "run_ended": _of("the night ends"),
        "submitted": _submitted,
        "submission_repeated": lambda it: _now("submission_repeated", key=it["idempotency_key"])(it),
        "submission_refused": _of("a job of {routine} is refused by the queue {queue}: {why}"),
        "held": _by_person(PHRASES["held"].now),
        "hold_ended": _by_person("a person releases {job}"),
        "handed_out": _of(PHRASES["handed_out"].now + ", attempt {attempt}"),
        "handed_back": _now("handed_back"),
        "attempt_ended": _attempt_ended,
        "requeued": _requeued,
        "finished": _finished,
        "suspend_requested": _now("suspend_requested"),
        "suspended": _now("suspended"),
        "resume_requested": _now("resume_requested"),
        "resumed": _now("resumed"),
        "stale_refused": lambda it: _of_job("stale_refused", what=spoken(it["what"]))(it),
        "lease_forgotten": _of_job("lease_forgotten"),
        "queue_held": _now("queue_held"),
        "queue_released": _of("a person releases the queue {queue}"),
        "broker_down": _now("broker_down"),
        "broker_up": _of("the broker is up again"),
        "worker_declared_lost": _now("worker_declared_lost"),
        "worker_changed": _worker_changed,
        "worker_speed_changed": _now("worker_speed_changed"),
        "equipment_changed": _equipment,
        "work_stopped": _work_stopped,
        "worker_notified": _told,
        "outcome_unanswered": _of_job("outcome_unanswered"),
        "effect_refused": _of_job("effect_refused", system="the system"),
        "effect_found": _of_job("effect_found"),
        "call_served_late": _of_job("call_served_late"),
        "system_changed": lambda it: f"the system {it['system']}: {spoken(it['state'])}",
        "access_changed": lambda it: f"access of {it['who']} to {it['system']}: {spoken(it['state'])}",
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
