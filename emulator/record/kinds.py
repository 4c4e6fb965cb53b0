"""What does each kind of event tell, and each of its details?

``python -m emulator.record.kinds`` prints the page; a test holds ``docs/reference-events.md`` to it, and another each
kind and detail of ``emulator.record.events`` to what is said here.
"""

import sys
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from emulator.record.events import DETAILS, HEARTBEAT_KINDS
from emulator.record.reasons import EVENT_REASONS

__all__ = ["DETAIL", "GROUPS", "OF_KIND", "reference_page"]

GROUPS: Final[Mapping[str, Mapping[str, str]]] = MappingProxyType(
    {
        "The run": {
            "run_began": "The emulation begins.",
            "factor_drawn": "By how much this night differs from a usual one was drawn.",
            "run_ended": "The emulation is over: its scenario has ended, or the test has left it.",
        },
        "Jobs, as the broker sees them": {
            "submitted": "The broker accepted a job.",
            "submission_repeated": "A submission had the idempotency key of an earlier one: it gave the first job.",
            "submission_refused": "The broker refused a submission; there is no job.",
            "held": "A job is held for one reason more.",
            "hold_ended": "A job is held for one reason less.",
            "handed_out": "A worker was handed the job under a lease.",
            "lease_renewed": "A heartbeat renewed the lease.",
            "handed_back": "The worker gave the job back unstarted; the attempt does not count.",
            "attempt_ended": "An attempt is over for the broker; what the worker does is told by `work_stopped`.",
            "requeued": "The job is in the queue again after an attempt that counts.",
            "finished": "The job is done or failed: nothing more becomes of it.",
            "suspend_requested": "A person asked that the job be suspended.",
            "suspended": "The worker reported that the job stands still.",
            "resume_requested": "A person asked that the job go on.",
            "resumed": "The worker reported that the job goes on.",
            "stale_refused": "A request was refused because its token is no longer valid.",
            "lease_forgotten": "The broker lost a lease from its table, by a fault; the worker works on.",
        },
        "Queues and the broker itself": {
            "queue_held": "A queue hands out nothing until it is released.",
            "queue_released": "A queue hands out again.",
            "broker_down": "The broker answers nothing.",
            "broker_up": "The broker answers again.",
        },
        "Workers, as the broker sees them": {
            "worker_registered": "A worker program registered with the broker.",
            "worker_declared_lost": "The broker has heard nothing of a worker for too long.",
            "worker_signed_off": "A worker said that it leaves.",
            "heartbeat_received": "A heartbeat reached the broker.",
        },
        "Workers, as they are": {
            "worker_changed": "A worker is in another state.",
            "worker_speed_changed": "A worker works at another speed.",
            "equipment_changed": "A worker has other equipment.",
            "work_began": "A worker began an attempt.",
            "part_finished": "A worker finished a part of an attempt, other than the last.",
            "work_stopped": "A worker does nothing more for an attempt.",
            "work_paused": "The worker is frozen: nothing of the attempt is done until `work_continued`.",
            "work_continued": "The worker goes on with the attempt.",
            "worker_notified": "A worker learned something of a job that it has.",
            "outcome_unanswered": "The worker sent the outcome and had no answer; it sends it again.",
        },
        "Effects": {
            "effect_landed": "An effect stands on its target.",
            "effect_refused": "A fenced system refused an effect.",
            "effect_found": "The worker looked first and found that the effect was there.",
        },
        "Systems and access": {
            "call_ended": "The caller of a system knows the outcome of its call, or has given up.",
            "call_served_late": "A system served a call whose caller had given up or died.",
            "system_changed": "A system is in another state.",
            "access_changed": "A grant of access to a system has changed.",
            "credential_changed": "A credential for a system has changed.",
        },
        "Arrivals": {
            "occurrence_skipped": "No job was submitted for an occurrence.",
            "entry_complete": "No more jobs of an entry come this night; told where all of them are waited for.",
        },
        "Faults, and what people do": {
            "fault_began": "A fault began.",
            "fault_ended": "A fault ended.",
            "fault_missed": "A fault hit nothing.",
            "action_taken": "A person did something.",
            "action_refused": "What a person asked for was refused.",
            "message_lost": "A message between a worker and the broker was lost.",
        },
    }
)
"""What each kind of event tells, under the headings of the page."""

DETAIL: Final[Mapping[str, str]] = MappingProxyType(
    {
        "action": "what was done, by its key in the scenario file",
        "attempt": "which attempt at the job it is, from 1",
        "attempts": "how many attempts there were",
        "direction": "`out` to the broker, `back` from it",
        "due": "the tick at which the pause before the retry ends, or a later one at which the allowance has a token "
        "again; the tick of the event when the job waits for neither; -1 when no token ever comes",
        "effect": "what was done",
        "element": "the element of the part; empty for none",
        "entry": "the entry of the arrivals, or what the test submits by",
        "equipped_with": "what it has, parted by commas",
        "factor": "the name of the factor, by its key under `varies`",
        "fault": "which fault, by its key in the scenario file",
        "idempotency_key": "the key that both have",
        "incarnation": "how often the worker's program has started",
        "kept": "whether later attempts go on after it",
        "key": "the exclusive key; empty for none",
        "last_heard": "the tick at which the broker last heard of it",
        "lease_until": "the tick at which the lease ends unless it is renewed",
        "night": "which night of the run, from 1; each begins at the clock time of the start",
        "number": "which occurrence it is",
        "ordinal": "its number in the entry, from 1",
        "part": "the name of the part",
        "place": "where it stands in the scenario file, such as `faults[0]`; a test's own come after those",
        "priority": "the highest is handed out first",
        "queue": "the queue",
        "reason": "`by_person`, `not_due`, `pausing` or `prerequisite`",
        "reasons": "why it is held (as in `held`), parted by commas; empty when it is not",
        "repeatable": "whether the effect is safe to repeat: true, false, or `checks_first`",
        "resubmitted_from": "the number of the job from which it was resubmitted; 0 for none",
        "retries_left": "whole tokens left in the queue's allowance of retries; -1 when it has none",
        "routine": "the kind of work",
        "seed": "the seed of the draws",
        "speed": "how fast it works; 1 is full speed",
        "sub_state": "why a job failed, in one word; empty when it is done",
        "system": "the system",
        "target": "what it is about",
        "times": "by how much it multiplies; 1 is a usual night",
        "token": "the fencing token of the lease",
        "took": "ticks from the call to its end",
        "was_due": "the tick at which it was due to end; it differs from that of the event only after a broker outage",
        "who": "who has it: a worker or a pool",
        "why": "the code of the reason (see below); empty for none. Its values, if it has any, follow as `values`",
    }
)
"""What each detail is, in every kind of event that ``OF_KIND`` does not name."""

_JOB_STATE: Final = "the state of the job after it"

OF_KIND: Final[Mapping[tuple[str, str], str]] = MappingProxyType(
    {
        ("submitted", "state"): _JOB_STATE,
        ("held", "state"): _JOB_STATE,
        ("hold_ended", "state"): _JOB_STATE,
        ("handed_back", "state"): _JOB_STATE,
        ("requeued", "state"): _JOB_STATE,
        ("finished", "state"): "`done` or `failed`",
        ("attempt_ended", "outcome"): "`ok`, `error`, `permanent_error`, `time_limit` or `lease_lost`",
        ("stale_refused", "what"): "`renewal`, `outcome`, `suspension`, `resumption`, `hand_back` or `effect`",
        ("heartbeat_received", "number"): "which heartbeat of the incarnation it is",
        ("worker_changed", "state"): "`off`, `booting`, `idle`, `busy`, `draining`, `frozen` or `cut_off`",
        ("worker_notified", "what"): "`lease_lost`, `suspend`, `resume` or `too_late_to_begin`",
        ("call_ended", "outcome"): "`ok`, `error`, `refused`, `no_access`, `abandoned`, `in_progress` or `cut_off`",
        ("system_changed", "state"): "`up`, `down`, `brown_out` or `errors`",
        ("access_changed", "state"): "`given`, `in_force`, `ended` or `withdrawn`",
        ("credential_changed", "state"): "`issued`, `renewed` or `ended`",
        ("message_lost", "what"): "`take` or `outcome`",
        ("message_lost", "number"): "which message of its kind it is",
    }
)
"""What a detail is in one kind of event, where that is another matter than elsewhere."""

_INTRODUCTION: Final = """\
# Events

What `emu.recorded()`, `emu.events()`, a log and an export tell. This page is made from the program's own list
(`python -m emulator.record.kinds`); do not edit it by hand.

Each event has a number, counted from 1, the tick at which it happened, a kind and the details of its kind. A tick is a
whole number of microseconds from the start; `event.seconds` gives it in seconds. An event also has the number of the
event that led to it (`cause`, 0 for none). The number of its job is 0 for none; the name of its worker is "" for none.

The broker and the workers tell their own views. A worker that has lost its lease and does not know it works on between
`attempt_ended` and `work_stopped`.
"""


_REASONS: Final = """\
The codes that stand as `why`, each with the names of its values. A limit is in ticks. `said` is text: what a handler
raised, or what a program or a retry policy of your own gave as its reason. Stories, pages and summaries write each code
as words."""


def reference_page() -> str:
    """Write the page of all kinds of events, in Markdown."""
    lines = [_INTRODUCTION]
    for title, kinds in GROUPS.items():
        lines += [f"## {title}", "", "| kind | what it tells | details |", "| --- | --- | --- |"]
        for kind, says in kinds.items():
            details = " ".join(f"`{name}`: {_detail(kind, name)}." for name in DETAILS[kind]) or "none"
            mode = " Only with `heartbeats: simulated`, as in tests." if kind in HEARTBEAT_KINDS else ""
            lines.append(f"| `{kind}` | {says}{mode} | {details} |")
        lines.append("")
    lines += ["## Reasons", "", _REASONS, "", "| code | values |", "| --- | --- |"]
    lines += [
        f"| `{code}` | {', '.join(f'`{name}`' for name in names) or 'none'} |" for code, names in EVENT_REASONS.items()
    ]
    return "\n".join([*lines, ""])


def _detail(kind: str, name: str) -> str:
    return OF_KIND.get((kind, name)) or DETAIL[name]


if __name__ == "__main__":  # pragma: no cover - one line, and the test calls reference_page itself
    sys.stdout.write(reference_page())
