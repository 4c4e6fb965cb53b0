"""Declares the kinds of events: what each tells, what it carries, and the words in which it is told.

One declaration for each kind. The details of rows, what a log may hold, the page of all kinds, and the sentences on
screens are made from it. ``emulator.record.events`` makes and reads rows by it; ``python -m emulator.record.kinds``
prints the page.

In the words ``{name}`` stands for a detail, ``{name@}`` for a tick written as a clock time, ``{name~}`` for a word of
data, ``{name#noun}`` for a count with its noun. What stands in brackets is left out where a value in it is empty, 0 of
something, or not known. The page's script fills in the same words.

What happens to an ordinary job in one go is one row while it is kept, of a kind in ``COMPOUND``; whoever reads gets
the events that it stands for.
"""

import sys
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from emulator.record.reasons import EVENT_REASONS

__all__ = [
    "BEGUN",
    "COMPOUND",
    "DETAIL",
    "ENDED_WELL",
    "GROUPS",
    "HEARTBEAT_KINDS",
    "KINDS",
    "QUEUED",
    "Compound",
    "Detail",
    "Kind",
    "reference_page",
]


class Detail(NamedTuple):
    """A detail: the type of its values (``object``: any plain value), and what it is, unless a kind says otherwise."""

    type: type
    says: str


class Kind(NamedTuple):
    """A kind of event.

    Attributes:
        details: the names of what its rows carry, in order. What has a ``why`` has one detail more, at the end of the
            row, where its reason has values: a mapping (``values``).
        says: what it tells, for the page.
        words: in which words one is told.
        own: what a detail is in this kind, where that is another matter than elsewhere.
        chosen_by: the details whose value may choose other words, the first first.
        told: by that value, the other words.
    """

    details: tuple[str, ...]
    says: str
    words: str
    own: Mapping[str, str] = MappingProxyType({})
    chosen_by: tuple[str, ...] = ()
    told: Mapping[str, str] = MappingProxyType({})


HEARTBEAT_KINDS: Final = frozenset({"heartbeat_received", "lease_renewed"})
"""The kinds that only the simulated mode of heartbeats records; both modes agree on every other event."""

DETAIL: Final[Mapping[str, Detail]] = MappingProxyType(
    {
        "action": Detail(str, "what was done, by its key in the scenario file"),
        "attempt": Detail(int, "which attempt at the job it is, from 1"),
        "attempts": Detail(int, "how many attempts there were"),
        "direction": Detail(str, "`out` to the broker, `back` from it"),
        "due": Detail(
            int,
            (
                "the tick at which the pause before the retry ends, or a later one at which "
                "the allowance has a token again; the tick of the event when the job waits "
                "for neither; -1 when no token ever comes"
            ),
        ),
        "effect": Detail(str, "what was done"),
        "element": Detail(object, "the element of the part; empty for none"),
        "entry": Detail(str, "the entry of the arrivals, or what the test submits by"),
        "equipped_with": Detail(str, "what it has, parted by commas"),
        "factor": Detail(str, "the name of the factor, by its key under `varies`"),
        "fault": Detail(str, "which fault, by its key in the scenario file"),
        "idempotency_key": Detail(str, "the key that both have"),
        "incarnation": Detail(int, "how often the worker's program has started"),
        "kept": Detail(object, "whether later attempts go on after it"),
        "key": Detail(str, "the exclusive key; empty for none"),
        "last_heard": Detail(int, "the tick at which the broker last heard of it"),
        "lease_until": Detail(int, "the tick at which the lease ends unless it is renewed"),
        "night": Detail(object, "which night of the run, from 1; each begins at the clock time of the start"),
        "number": Detail(int, "which occurrence it is"),
        "ordinal": Detail(int, "its number in the entry, from 1"),
        "outcome": Detail(str, ""),
        "part": Detail(str, "the name of the part"),
        "place": Detail(
            str, "where it stands in the scenario file, such as `faults[0]`; a test's own come after those"
        ),
        "priority": Detail(int, "the highest is handed out first"),
        "queue": Detail(str, "the queue"),
        "reason": Detail(str, "`by_person`, `not_due`, `pausing` or `prerequisite`"),
        "reasons": Detail(str, "why it is held (as in `held`), parted by commas; empty when it is not"),
        "repeatable": Detail(object, "whether the effect is safe to repeat: true, false, or `checks_first`"),
        "resubmitted_from": Detail(int, "the number of the job from which it was resubmitted; 0 for none"),
        "retries_left": Detail(int, "whole tokens left in the queue's allowance of retries; -1 when it has none"),
        "routine": Detail(str, "the kind of work"),
        "seed": Detail(object, "the seed of the draws"),
        "speed": Detail(object, "how fast it works; 1 is full speed"),
        "state": Detail(str, ""),
        "sub_state": Detail(str, "why a job failed, in one word; empty when it is done"),
        "system": Detail(str, "the system"),
        "target": Detail(object, "what it is about"),
        "times": Detail(object, "by how much it multiplies; 1 is a usual night"),
        "token": Detail(int, "the fencing token of the lease"),
        "took": Detail(int, "ticks from the call to its end"),
        "was_due": Detail(
            int, "the tick at which it was due to end; it differs from that of the event only after a broker outage"
        ),
        "what": Detail(str, ""),
        "who": Detail(str, "who has it: a worker or a pool"),
        "why": Detail(
            str, "the code of the reason (see below); empty for none. Its values, if it has any, follow as `values`"
        ),
    }
)
"""Every detail, by its name."""

_JOB_STATE: Final = "the state of the job after it"

GROUPS: Final[Mapping[str, Mapping[str, Kind]]] = MappingProxyType(
    {
        "The run": {
            "run_began": Kind(("seed",), "The emulation begins.", "the run began, with seed {seed}"),
            "factor_drawn": Kind(
                ("factor", "times"),
                "By how much this night differs from a usual one was drawn.",
                "the factor {factor} of this night is {times}",
            ),
            "run_ended": Kind(
                (), "The emulation is over: its scenario has ended, or the test has left it.", "the run ended"
            ),
        },
        "Jobs, as the broker sees them": {
            "submitted": Kind(
                ("state", "routine", "queue", "entry", "ordinal", "key", "priority", "reasons", "resubmitted_from"),
                "The broker accepted a job.",
                "{job} was submitted to the queue {queue}[ (routine {routine})][, held: {reasons~}]",
                own={"state": _JOB_STATE},
            ),
            "submission_repeated": Kind(
                ("idempotency_key",),
                "A submission had the idempotency key of an earlier one: it gave the first job.",
                "{job} was submitted again under the key {idempotency_key}, and taken for the same job",
            ),
            "submission_refused": Kind(
                ("routine", "queue", "entry", "ordinal", "why"),
                "The broker refused a submission; there is no job.",
                "the queue {queue} refused a job of {routine}[, from {entry}]: {why}",
            ),
            "held": Kind(
                ("state", "reason"),
                "A job is held for one reason more.",
                "{job} was held: {reason~}",
                own={"state": _JOB_STATE},
                chosen_by=("reason",),
                told={
                    "by_person": "a person held {job}",
                    "not_due": "{job} was held until it was due",
                    "pausing": "{job} paused before its next attempt",
                    "prerequisite": "{job} was held: another job had to end first",
                },
            ),
            "hold_ended": Kind(
                ("state", "reason"),
                "A job is held for one reason less.",
                "a hold of {job} ended ({reason~})[; {state~}]",
                own={"state": _JOB_STATE},
                chosen_by=("reason",),
                told={
                    "by_person": "a person released {job}[; {state~}]",
                    "not_due": "{job} became due[; {state~}]",
                    "pausing": "the pause of {job} ended[; {state~}]",
                    "prerequisite": "the job that goes before {job} ended[; {state~}]",
                },
            ),
            "handed_out": Kind(
                ("attempt", "token", "lease_until", "incarnation"),
                "A worker was handed the job under a lease.",
                "{worker} took {job}[, attempt {attempt}][, with a lease until {lease_until@} (token {token})]",
            ),
            "lease_renewed": Kind(
                ("token", "lease_until"),
                "A heartbeat renewed the lease.",
                "a heartbeat of {worker} renewed the lease until {lease_until@} (token {token})",
            ),
            "handed_back": Kind(
                ("state", "attempt", "token"),
                "The worker gave the job back unstarted; the attempt does not count.",
                "{worker} gave {job} back unstarted",
                own={"state": _JOB_STATE},
            ),
            "attempt_ended": Kind(
                ("attempt", "token", "outcome", "why", "was_due"),
                "An attempt is over for the broker; what the worker does is told by `work_stopped`.",
                "attempt {attempt}[ of {job}][ on {worker}] ended[ after {took}]: {outcome~}[ ({why})]",
                own={"outcome": "`ok`, `error`, `permanent_error`, `time_limit` or `lease_lost`"},
            ),
            "requeued": Kind(
                ("state", "due", "retries_left"),
                "The job is in the queue again after an attempt that counts.",
                "{job} was requeued[, to be tried again at {due@}]",
                own={"state": _JOB_STATE},
            ),
            "finished": Kind(
                ("state", "sub_state", "why", "attempts"),
                "The job is done or failed: nothing more becomes of it.",
                "{job} failed[ after {attempts#attempt}] ({sub_state~})[: {why}]",
                own={"state": "`done` or `failed`"},
                chosen_by=("sub_state", "state"),
                told={
                    "done": "{job} was done[ after {attempts#attempt}]",
                    "withdrawn": "a person withdrew {job}[ after {attempts#attempt}]",
                },
            ),
            "suspend_requested": Kind(
                (), "A person asked that the job be suspended.", "a person asked to suspend {job}"
            ),
            "suspended": Kind(("token",), "The worker reported that the job stands still.", "{worker} suspended {job}"),
            "resume_requested": Kind((), "A person asked that the job go on.", "a person asked to resume {job}"),
            "resumed": Kind(("token",), "The worker reported that the job goes on.", "{worker} resumed {job}"),
            "stale_refused": Kind(
                ("token", "what"),
                "A request was refused because its token is no longer valid.",
                "the broker refused the {what~} of {worker}[ for {job}]: its token {token} was stale",
                own={"what": "`renewal`, `outcome`, `suspension`, `resumption`, `hand_back` or `effect`"},
            ),
            "lease_forgotten": Kind(
                ("token",),
                "The broker lost a lease from its table, by a fault; the worker works on.",
                "the broker forgot the lease with token {token}[ of {job}]; {worker} did not know that",
            ),
        },
        "Queues and the broker itself": {
            "queue_held": Kind(
                ("queue",), "A queue hands out nothing until it is released.", "a person held the queue {queue}"
            ),
            "queue_released": Kind(("queue",), "A queue hands out again.", "a person released the queue {queue}"),
            "broker_down": Kind((), "The broker answers nothing.", "the broker went down"),
            "broker_up": Kind((), "The broker answers again.", "the broker came up"),
        },
        "Workers, as the broker sees them": {
            "worker_registered": Kind(
                ("incarnation",),
                "A worker program registered with the broker.",
                "{worker} registered with the broker (start {incarnation} of its program)",
            ),
            "worker_declared_lost": Kind(
                ("incarnation", "last_heard"),
                "The broker has heard nothing of a worker for too long.",
                "the broker declared {worker} lost: it had last heard of it at {last_heard@}",
            ),
            "worker_signed_off": Kind(("incarnation",), "A worker said that it leaves.", "{worker} signed off"),
            "heartbeat_received": Kind(
                ("incarnation", "number"),
                "A heartbeat reached the broker.",
                "heartbeat {number} of {worker} reached the broker",
                own={"number": "which heartbeat of the incarnation it is"},
            ),
        },
        "Workers, as they are": {
            "worker_changed": Kind(
                ("state", "why", "incarnation"),
                "A worker is in another state.",
                "{worker} was {state~}[ ({why})]",
                own={"state": "`off`, `booting`, `idle`, `busy`, `draining`, `frozen` or `cut_off`"},
                chosen_by=("why", "state"),
                told={
                    "off": "{worker} was off[ ({why})]",
                    "booting": "{worker} was switched on[ ({why})]",
                    "idle": "{worker} was ready for work[ ({why})]",
                    "goes_on": "{worker} went on as if no time had passed",
                    "busy": "{worker} was at work[ ({why})]",
                    "draining": "{worker} took nothing more, and finished what it had[ ({why})]",
                    "frozen": "{worker} froze[ ({why})]",
                    "cut_off": "{worker} was cut off from the broker",
                    "out": "{worker} was cut off from the broker: its messages were lost",
                    "back": "{worker} was cut off from the broker: answers to it were lost",
                },
            ),
            "worker_speed_changed": Kind(
                ("speed",), "A worker works at another speed.", "{worker} worked at speed {speed}"
            ),
            "equipment_changed": Kind(
                ("equipped_with",),
                "A worker has other equipment.",
                "{worker} was equipped with {equipped_with}",
                chosen_by=("equipped_with",),
                told={"": "{worker} was equipped with nothing"},
            ),
            "work_began": Kind(
                ("attempt", "token"), "A worker began an attempt.", "{worker} began attempt {attempt}[ of {job}]"
            ),
            "part_finished": Kind(
                ("attempt", "token", "part", "element", "kept"),
                "A worker finished a part of an attempt, other than the last.",
                "{worker} finished the part {part}[ ({element})][ of {job}]",
            ),
            "work_stopped": Kind(
                ("attempt", "token", "why"),
                "A worker does nothing more for an attempt.",
                "{worker} stopped its work on attempt {attempt}[ of {job}]: {why}",
                chosen_by=("why",),
                told={"finished": "{worker} finished its work on attempt {attempt}[ of {job}]"},
            ),
            "work_paused": Kind(
                ("token",),
                "The worker is frozen: nothing of the attempt is done until `work_continued`.",
                "the work of {worker} on {job} stood still",
            ),
            "work_continued": Kind(
                ("token",), "The worker goes on with the attempt.", "the work of {worker} on {job} went on"
            ),
            "worker_notified": Kind(
                ("token", "what"),
                "A worker learned something of a job that it has.",
                "{worker} was told to {what~} {job}",
                own={"what": "`lease_lost`, `suspend`, `resume` or `too_late_to_begin`"},
                chosen_by=("what",),
                told={
                    "lease_lost": "{worker} was told that its lease (token {token})[ for {job}] was lost",
                    "too_late_to_begin": "{worker} did not begin {job}: as far as it knew, its lease had ended",
                },
            ),
            "outcome_unanswered": Kind(
                ("token",),
                "The worker sent the outcome and had no answer; it sends it again.",
                "{worker} had stopped and sent its outcome[ of {job}], but got no answer",
            ),
        },
        "Effects": {
            "effect_landed": Kind(
                ("attempt", "token", "effect", "target", "repeatable"),
                "An effect stands on its target.",
                "the effect {effect} of {job} landed on {target} (attempt {attempt}, {worker})",
            ),
            "effect_refused": Kind(
                ("attempt", "token", "effect", "target", "why"),
                "A fenced system refused an effect.",
                "{system} refused {effect} on {target} from {worker}[, for {job}]: {why}",
            ),
            "effect_found": Kind(
                ("attempt", "token", "effect", "target"),
                "The worker looked first and found that the effect was there.",
                "{worker} checked first[ for {job}]: the effect {effect} was on {target} already; skipped",
            ),
        },
        "Systems and access": {
            "call_ended": Kind(
                ("attempt", "token", "system", "outcome", "took"),
                "The caller of a system knows the outcome of its call, or has given up.",
                "a call of {worker} to {system} ended: {outcome~}",
                own={"outcome": ("`ok`, `error`, `refused`, `no_access`, `abandoned`, `in_progress` or `cut_off`")},
                chosen_by=("outcome",),
                told={"abandoned": "{worker} gave up its call to {system}"},
            ),
            "call_served_late": Kind(
                ("attempt", "token", "system"),
                "A system served a call whose caller had given up or died.",
                "{system} finished the call of attempt {attempt}[ of {job}] after its caller had gone",
            ),
            "system_changed": Kind(
                ("system", "state"),
                "A system is in another state.",
                "the system {system} changed: {state~}",
                own={"state": "`up`, `down`, `brown_out` or `errors`"},
            ),
            "access_changed": Kind(
                ("who", "system", "state"),
                "A grant of access to a system has changed.",
                "the access of {who} to {system} changed: {state~}",
                own={"state": "`given`, `in_force`, `ended` or `withdrawn`"},
            ),
            "credential_changed": Kind(
                ("who", "system", "state"),
                "A credential for a system has changed.",
                "the credential of {who} for {system} changed: {state~}",
                own={"state": "`issued`, `renewed` or `ended`"},
            ),
        },
        "Arrivals": {
            "occurrence_skipped": Kind(
                ("entry", "ordinal", "why"),
                "No job was submitted for an occurrence.",
                "occurrence {ordinal} of {entry} was skipped: {why}",
            ),
            "entry_complete": Kind(
                ("entry", "night"),
                "No more jobs of an entry come this night; told where all of them are waited for.",
                "no more jobs of {entry} were to come in night {night}",
            ),
        },
        "Faults, and what people do": {
            "fault_began": Kind(
                ("fault", "place", "number", "target"), "A fault began.", "a fault began: {fault~} of {target}"
            ),
            "fault_ended": Kind(
                ("fault", "place", "number", "target"), "A fault ended.", "a fault ended: {fault~} of {target}"
            ),
            "fault_missed": Kind(
                ("fault", "place", "number", "target", "why"),
                "A fault hit nothing.",
                "a fault hit nothing: {fault~} of {target}: {why}",
            ),
            "action_taken": Kind(
                ("action", "place", "target"), "A person did something.", "a person acted: {action~}[ {target}]"
            ),
            "action_refused": Kind(
                ("action", "place", "target", "why"),
                "What a person asked for was refused.",
                "the action of a person was refused: {action~}[ {target}]: {why}",
            ),
            "message_lost": Kind(
                ("what", "number", "direction"),
                "A message between a worker and the broker was lost.",
                "a message between {worker} and the broker was lost: {what~}, {direction}",
                own={"what": "`take` or `outcome`", "number": "which message of its kind it is"},
            ),
        },
    }
)
"""Every kind of event by its name, under the headings of the page."""

KINDS: Final[Mapping[str, Kind]] = MappingProxyType(
    {name: kind for kinds in GROUPS.values() for name, kind in kinds.items()}
)
"""Every kind of event by its name."""

Plain = tuple[Any, ...]


class Compound(NamedTuple):
    """A kind of row that stands for one event or several, which happen in one go.

    Attributes:
        events: for so many.
        apart: gives them, from the row and the number of the first.
    """

    events: int
    apart: Callable[[Plain, int], tuple[Plain, ...]]


QUEUED: Final = "queued"
"""A job came that nothing holds, without a key: ``(at, QUEUED, cause, job, "", (routine, queue, entry, priority),
ordinal)``. The jobs of an entry share the tuple."""
BEGUN: Final = "handed_out_and_begun"
"""A worker was handed a job and began: as ``handed_out``."""
ENDED_WELL: Final = "stopped_and_done"
"""A worker finished its work, its outcome was taken, the job was done: ``(at, ENDED_WELL, cause, job, worker, attempt,
token)``."""


def _queued(row: Plain, _number: int) -> tuple[Plain, ...]:
    at, _, cause, job, _, (routine, queue, entry, priority), ordinal = row
    return ((at, "submitted", cause, job, "", "queued", routine, queue, entry, ordinal, "", priority, "", 0),)


def _begun(row: Plain, _number: int) -> tuple[Plain, ...]:
    at, _, cause, job, worker, attempt, token, until, incarnation = row
    return (
        (at, "handed_out", cause, job, worker, attempt, token, until, incarnation),
        (at, "work_began", 0, job, worker, attempt, token),
    )


def _ended_well(row: Plain, number: int) -> tuple[Plain, ...]:
    at, _, cause, job, worker, attempt, token = row
    return (
        (at, "work_stopped", cause, job, worker, attempt, token, "finished"),
        (at, "attempt_ended", number, job, worker, attempt, token, "ok", "", at),
        (at, "finished", number + 1, job, "", "done", "", "", attempt),
    )


COMPOUND: Final[Mapping[str, Compound]] = MappingProxyType(
    {QUEUED: Compound(1, _queued), BEGUN: Compound(2, _begun), ENDED_WELL: Compound(3, _ended_well)}
)
"""Every kind of row that stands for other events."""

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
        for name, kind in kinds.items():
            said = [f"`{detail}`: {kind.own.get(detail) or DETAIL[detail].says}." for detail in kind.details]
            mode = " Only with `heartbeats: simulated`, as in tests." if name in HEARTBEAT_KINDS else ""
            lines.append(f"| `{name}` | {kind.says}{mode} | {' '.join(said) or 'none'} |")
        lines.append("")
    lines += ["## Reasons", "", _REASONS, "", "| code | values |", "| --- | --- |"]
    lines += [
        f"| `{code}` | {', '.join(f'`{name}`' for name in names) or 'none'} |" for code, names in EVENT_REASONS.items()
    ]
    return "\n".join([*lines, ""])


if __name__ == "__main__":  # pragma: no cover - one line, and the test calls reference_page itself
    sys.stdout.write(reference_page())
