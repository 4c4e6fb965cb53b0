"""The words for each kind of event, for states of workers and for words of data: one table, in one tense.

``watch`` tells of a night as it goes by, a page lists the events of a job, a story tells of what is over: all of them
fill in these patterns, so that one thing is said in one way. A story also tells facts that rest on several events;
only those have words of their own, in ``emulator.show.story``.
"""

import re
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final

from emulator.measure.reasons import why_in_words
from emulator.record.events import Row, details_of, reason_of
from emulator.record.reasons import GOES_ON

__all__ = ["BY_DETAIL", "EVENTS", "STATES", "spoken", "then", "told"]

EVENTS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "run_began": "the run began, with seed {seed}",
        "factor_drawn": "the factor {factor} of this night is {times}",
        "run_ended": "the run ended",
        "submitted": "{job} was submitted to the queue {queue}[ (routine {routine})][, held: {reasons~}]",
        "submission_repeated": "{job} was submitted again under the key {idempotency_key}, and taken for the same job",
        "submission_refused": "the queue {queue} refused a job of {routine}[, from {entry}]: {why}",
        "held": "{job} was held: {reason~}",
        "held:by_person": "a person held {job}",
        "held:not_due": "{job} was held until it was due",
        "held:pausing": "{job} paused before its next attempt",
        "held:prerequisite": "{job} was held: another job had to end first",
        "hold_ended": "a hold of {job} ended ({reason~})[; {state~}]",
        "hold_ended:by_person": "a person released {job}[; {state~}]",
        "hold_ended:not_due": "{job} became due[; {state~}]",
        "hold_ended:pausing": "the pause of {job} ended[; {state~}]",
        "hold_ended:prerequisite": "the job that goes before {job} ended[; {state~}]",
        "handed_out": "{worker} took {job}[, attempt {attempt}][, with a lease until {lease_until@} (token {token})]",
        "lease_renewed": "a heartbeat of {worker} renewed the lease until {lease_until@} (token {token})",
        "handed_back": "{worker} gave {job} back unstarted",
        "attempt_ended": "attempt {attempt}[ of {job}][ on {worker}] ended[ after {took}]: {outcome~}[ ({why})]",
        "requeued": "{job} was requeued[, to be tried again at {due@}]",
        "finished": "{job} failed[ after {attempts#attempt}] ({sub_state~})[: {why}]",
        "finished:done": "{job} was done[ after {attempts#attempt}]",
        "finished:withdrawn": "a person withdrew {job}[ after {attempts#attempt}]",
        "suspend_requested": "a person asked to suspend {job}",
        "suspended": "{worker} suspended {job}",
        "resume_requested": "a person asked to resume {job}",
        "resumed": "{worker} resumed {job}",
        "stale_refused": "the broker refused the {what~} of {worker}[ for {job}]: its token {token} was stale",
        "lease_forgotten": "the broker forgot the lease with token {token}[ of {job}]; {worker} did not know that",
        "queue_held": "a person held the queue {queue}",
        "queue_released": "a person released the queue {queue}",
        "broker_down": "the broker went down",
        "broker_up": "the broker came up",
        "worker_registered": "{worker} registered with the broker (start {incarnation} of its program)",
        "worker_declared_lost": "the broker declared {worker} lost: it had last heard of it at {last_heard@}",
        "worker_signed_off": "{worker} signed off",
        "heartbeat_received": "heartbeat {number} of {worker} reached the broker",
        "worker_changed": "{worker} was {state~}[ ({why})]",
        "worker_changed:off": "{worker} was off[ ({why})]",
        "worker_changed:booting": "{worker} was switched on[ ({why})]",
        "worker_changed:idle": "{worker} was ready for work[ ({why})]",
        "worker_changed:goes_on": "{worker} went on as if no time had passed",
        "worker_changed:busy": "{worker} was at work[ ({why})]",
        "worker_changed:draining": "{worker} took nothing more, and finished what it had[ ({why})]",
        "worker_changed:frozen": "{worker} froze[ ({why})]",
        "worker_changed:cut_off": "{worker} was cut off from the broker",
        "worker_changed:out": "{worker} was cut off from the broker: its messages were lost",
        "worker_changed:back": "{worker} was cut off from the broker: answers to it were lost",
        "worker_speed_changed": "{worker} worked at speed {speed}",
        "equipment_changed": "{worker} was equipped with {equipped_with}",
        "equipment_changed:": "{worker} was equipped with nothing",
        "work_began": "{worker} began attempt {attempt}[ of {job}]",
        "part_finished": "{worker} finished the part {part}[ ({element})][ of {job}]",
        "work_stopped": "{worker} stopped its work on attempt {attempt}[ of {job}]: {why}",
        "work_stopped:finished": "{worker} finished its work on attempt {attempt}[ of {job}]",
        "work_paused": "the work of {worker} on {job} stood still",
        "work_continued": "the work of {worker} on {job} went on",
        "worker_notified": "{worker} was told to {what~} {job}",
        "worker_notified:lease_lost": "{worker} was told that its lease (token {token})[ for {job}] was lost",
        "worker_notified:too_late_to_begin": "{worker} did not begin {job}: as far as it knew, its lease had ended",
        "outcome_unanswered": "{worker} had stopped and sent its outcome[ of {job}], but got no answer",
        "effect_landed": "the effect {effect} of {job} landed on {target} (attempt {attempt}, {worker})",
        "effect_refused": "{system} refused {effect} on {target} from {worker}[, for {job}]: {why}",
        "effect_found": "{worker} checked first[ for {job}]: the effect {effect} was on {target} already; skipped",
        "call_ended": "a call of {worker} to {system} ended: {outcome~}",
        "call_ended:abandoned": "{worker} gave up its call to {system}",
        "call_served_late": "{system} finished the call of attempt {attempt}[ of {job}] after its caller had gone",
        "system_changed": "the system {system} changed: {state~}",
        "access_changed": "the access of {who} to {system} changed: {state~}",
        "credential_changed": "the credential of {who} for {system} changed: {state~}",
        "occurrence_skipped": "occurrence {ordinal} of {entry} was skipped: {why}",
        "entry_complete": "no more jobs of {entry} were to come in night {night}",
        "fault_began": "a fault began: {fault~} of {target}",
        "fault_ended": "a fault ended: {fault~} of {target}",
        "fault_missed": "a fault hit nothing: {fault~} of {target}: {why}",
        "action_taken": "a person acted: {action~}[ {target}]",
        "action_refused": "the action of a person was refused: {action~}[ {target}]: {why}",
        "message_lost": "a message between {worker} and the broker was lost: {what~}, {direction}",
    }
)
"""One pattern for each kind of event; ``kind:value`` where a detail named in ``BY_DETAIL`` has that value.

``{name}`` stands for a detail, ``{name@}`` for a tick written as a clock time, ``{name~}`` for a word of data,
``{name#noun}`` for a count with its noun. What stands in brackets is left out where a value in it is empty, 0 of
something, or not known. The page's script fills in the same patterns.
"""

BY_DETAIL: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "call_ended": ("outcome",),
        "equipment_changed": ("equipped_with",),
        "finished": ("sub_state", "state"),
        "held": ("reason",),
        "hold_ended": ("reason",),
        "work_stopped": ("why",),
        "worker_changed": ("why", "state"),
        "worker_notified": ("what",),
    }
)
"""The details whose value may choose a pattern of its own, the first first."""

STATES: Final[Mapping[str, str]] = MappingProxyType(
    {
        key.partition(":")[2]: pattern.partition("[")[0]
        for key, pattern in EVENTS.items()
        if key.startswith("worker_changed:") and key.partition(":")[2] not in ("out", "back", GOES_ON)
    }
)
"""The words for the state that a worker enters, without the reason."""

_UNNAMED: Final = MappingProxyType({"job": "a job", "system": "the system"})
"""What a thing is called where its name is not known."""
_GROUP: Final = re.compile(r"\[([^]]*)\]")
_SLOT: Final = re.compile(r"\{(\w+)([@~]|#\w+)?\}")
_WITH_HYPHEN: Final = MappingProxyType(
    {"brown_out": "brown-out", "hand_back": "hand-back", "second_hand_out": "second hand-out"}
)


def spoken(kind: str) -> str:
    """Write a word of data, such as a kind of fault, a state or an outcome, as people read it.

    >>> spoken("power_off"), spoken("lease_lost"), spoken("brown_out")
    ('power off', 'lease lost', 'brown-out')
    """
    return _WITH_HYPHEN.get(kind) or kind.replace("_", " ")


def then(key: str, **values: object) -> str:
    """Fill in the pattern of a key of ``EVENTS``, with a capital at the beginning and nothing at the end.

    Args:
        key: the kind, or ``kind:value``.
        values: what is known, already in words.

    >>> then("handed_out", worker="dome-1", job="it"), then("queue_held", queue="night")
    ('dome-1 took it', 'A person held the queue night')
    """
    return _filled(EVENTS[key], values, str)


def told(row: Row, name: str, clock: Callable[[int], str], *, omit: str = "") -> str:
    """Tell one event in a sentence, with nothing at the end.

    Args:
        row: as it was emitted.
        name: what its job is called; "" for none.
        clock: writes a tick as a clock time.
        omit: a detail that is left out where it stands in brackets.

    >>> told((5, "queue_held", 0, 0, "", "night"), "", str)
    'A person held the queue night'
    >>> told((5, "finished", 0, 3, "", "done", "", "", 2), "plates#3", str)
    'plates#3 was done after 2 attempts'
    """
    kind = row[1]
    values: dict[str, Any] = details_of(row)
    keys = [f"{kind}:{values[detail]}" for detail in BY_DETAIL.get(kind, ())]
    pattern = next((EVENTS[key] for key in keys if key in EVENTS), EVENTS[kind])
    values["worker"], values["job"] = row[4], name
    if "why" in values:
        values["why"] = why_in_words(*reason_of(row))
    if values.get("due") == row[0]:
        values["due"] = ""  # it may be taken at once
    return _filled(pattern, values, clock, omit)


def _filled(pattern: str, values: Mapping[str, Any], clock: Callable[[int], str], omit: str = "") -> str:
    def known(slot: re.Match[str]) -> bool:
        value = values.get(slot[1], "")
        return slot[1] != omit and value != "" and not (value == 0 and (slot[2] or "").startswith("#"))

    def fill(slot: re.Match[str]) -> str:
        how, value = slot[2] or "", values.get(slot[1], "")
        if value == "":
            return _UNNAMED.get(slot[1], "")
        if how == "@":
            return clock(value)
        if how == "~":
            return spoken(str(value))
        return f"{value} {how[1:]}{'' if value == 1 else 's'}" if how else str(value)

    def group(found: re.Match[str]) -> str:
        return found[1] if all(known(slot) for slot in _SLOT.finditer(found[1])) else ""

    pattern = _GROUP.sub(group, pattern)
    text, first = _SLOT.sub(fill, pattern), _SLOT.match(pattern)
    named = first is not None and values.get(first[1], "") != ""
    return text if named else text[:1].upper() + text[1:]
