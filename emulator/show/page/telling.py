"""How is one event told in plain words?

``WORDS`` holds one pattern for each kind of event; ``{worker}``, ``{job}`` and the names of its details stand for
values, ``{lease_until@}`` for a tick to be written as a clock time, ``{outcome~}`` for a word of
data. The page's script fills in the same patterns.
"""

import re
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final

from emulator.record.events import DETAILS, Row
from emulator.show.phrases import spoken

__all__ = ["WORDS", "told"]

WORDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "run_began": "The run began, with seed {seed}.",
        "run_ended": "The run ended.",
        "submitted": "{job} was submitted to the queue {queue}: {state~} ({routine}) ({reasons~}).",
        "submission_repeated": "It was submitted again under the key {idempotency_key}, and taken for the same job.",
        "submission_refused": "A job of {entry} was refused by the queue {queue}: {why}.",
        "held": "It is {state~}: {reason~}.",
        "hold_ended": "One reason to hold it is gone ({reason~}): {state~}.",
        "handed_out": "Attempt {attempt} was handed to {worker}, with a lease until {lease_until@} (token {token}).",
        "lease_renewed": "A heartbeat of {worker} renewed the lease until {lease_until@} (token {token}).",
        "handed_back": "{worker} handed it back unstarted: {state~}.",
        "attempt_ended": "Attempt {attempt} ended: {outcome~} ({why}).",
        "requeued": "It is {state~}, from {due@} on.",
        "finished": "It ended {state~} ({sub_state~}) ({why}); attempts: {attempts}.",
        "suspend_requested": "Somebody asked to suspend it.",
        "suspended": "{worker} suspended it.",
        "resume_requested": "Somebody asked to resume it.",
        "resumed": "{worker} resumed it.",
        "stale_refused": "A stale {what~} was refused (token {token} of {worker}).",
        "lease_forgotten": "The broker forgot the lease with token {token}; {worker} works on.",
        "queue_held": "The queue {queue} was held.",
        "queue_released": "The queue {queue} was released.",
        "broker_down": "The broker went down.",
        "broker_up": "The broker came up.",
        "worker_registered": "The broker knows {worker} now (start {incarnation} of its program).",
        "worker_declared_lost": "The broker declared {worker} lost; it was last heard at {last_heard@}.",
        "worker_signed_off": "{worker} signed off.",
        "heartbeat_received": "Heartbeat {number} of {worker} got through.",
        "worker_changed": "{worker} is {state~} ({why}).",
        "worker_speed_changed": "{worker} now works at speed {speed}.",
        "equipment_changed": "{worker} is now equipped with: {equipped_with}.",
        "work_began": "{worker} began attempt {attempt}.",
        "part_finished": "{worker} finished the part {part} {element}.",
        "work_stopped": "{worker} stopped attempt {attempt}: {why}.",
        "work_paused": "Its work on {worker} stands still.",
        "work_continued": "Its work on {worker} goes on.",
        "worker_notified": "{worker} was told: {what~}.",
        "outcome_unanswered": "{worker} sent the outcome and got no answer.",
        "effect_landed": "Its effect {effect} landed on {target} (attempt {attempt}, {worker}).",
        "effect_refused": "Its effect {effect} on {target} was refused: {why}.",
        "effect_found": "Its effect {effect} was found on {target} already.",
        "call_ended": "A call to {system} ended: {outcome~}.",
        "call_served_late": "{system} served a call that nobody waited for any more.",
        "system_changed": "The system {system} is now: {state~}.",
        "access_changed": "The access of {who} to {system}: {state~}.",
        "credential_changed": "The credential of {who} for {system}: {state~}.",
        "occurrence_skipped": "Occurrence {ordinal} of {entry} was skipped: {why}.",
        "fault_began": "A fault began: {fault~} of {target}.",
        "fault_ended": "A fault ended: {fault~} of {target}.",
        "fault_missed": "A fault hit nothing: {fault~} of {target}, {why}.",
        "action_taken": "Somebody took an action: {action~} {target}.",
        "action_refused": "An action was refused: {action~} {target}, {why}.",
        "message_lost": "A message between {worker} and the broker was lost: {what~}, {direction}.",
    }
)
"""One pattern for each kind of event."""

_SLOT: Final = re.compile(r"\{(\w+)([@~]?)\}")


def told(row: Row, name: str, clock: Callable[[int], str]) -> str:
    """Tell one event in a sentence.

    Args:
        row: as it was emitted.
        name: what its job is called.
        clock: writes a tick as a clock time.

    >>> told((5, "queue_held", 0, 0, "", "night"), "", str)
    'The queue night was held.'
    """
    values: dict[str, Any] = dict(zip(DETAILS[row[1]], row[5:], strict=True))
    values["worker"], values["job"] = row[4], name or "A job"

    def fill(slot: re.Match[str]) -> str:
        value = values[slot[1]]
        return clock(value) if slot[2] == "@" else spoken(str(value)) if slot[2] else str(value)

    words = " ".join(_SLOT.sub(fill, WORDS[row[1]]).split())
    return words.replace(" ()", "").replace(" .", ".")
