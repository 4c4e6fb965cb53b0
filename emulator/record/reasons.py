"""Codes of reasons, with their values: why a job is not running, why something happened; only ``emulator.show`` makes
sentences.

``Why`` and ``Reason`` answer the broker's own question, why a job is not running: they are no events. ``EVENT_REASONS``
holds every code that an event carries as its ``why``, with the names of the values that come with it. What a user's own
code has said is one of those values (``said``): it is text, and nothing reads it.
"""

from collections.abc import Mapping
from enum import Enum
from types import MappingProxyType
from typing import Final, NamedTuple

__all__ = [
    "EVENT_REASONS",
    "FINISHED",
    "FORGOTTEN",
    "GOES_ON",
    "LEASE_RAN_OUT",
    "LINK_RESTORED",
    "NONE",
    "NOT_BY_PLAN",
    "OWN_CLOCK",
    "POWER_LOST",
    "PROGRAM_DIED",
    "STATE_TABLE",
    "TIME_LIMIT",
    "TOLD_LOST",
    "WITHDRAWN_BY_PERSON",
    "WORKER_SILENT",
    "Because",
    "Reason",
    "Values",
    "Why",
    "mistake_in",
    "said",
]


class Why(Enum):
    """Why a job is not running, or what became of it; each says which values come with it."""

    FINAL = "final"
    """It is final: its state, and its sub-state ("" for done)."""
    AT_WORK = "at_work"
    """A worker has it: the worker's name."""
    SUSPENDED = "suspended"
    """A worker has it, and stands still: the worker's name."""
    BY_PERSON = "by_person"
    """A person holds it."""
    NOT_DUE = "not_due"
    """It is not due yet: in how many ticks it is."""
    NO_ALLOWANCE = "no_allowance"
    """Its retry waits for the allowance: the queue."""
    PAUSING = "pausing"
    """It pauses before a retry: for how many ticks more."""
    PREREQUISITE = "prerequisite"
    """It waits for other jobs: the numbers of those that are unfinished, 0 for one that has not come yet."""
    QUEUE_HELD = "queue_held"
    """A person holds its queue: the queue."""
    QUEUE_FULL = "queue_full"
    """As many jobs of its queue run as may: the queue, and how many."""
    KEY_BUSY = "key_busy"
    """Its exclusive key is busy: the key, and the numbers of the jobs that have it."""
    NOT_EQUIPPED = "not_equipped"
    """No worker has all that it requires: what it requires."""
    TOO_FEW_SLOTS = "too_few_slots"
    """No worker that has what it requires has as many slots: how many it takes."""
    WAITS = "waits"
    """Nothing of that kind: it waits for its turn."""


class Reason(NamedTuple):
    """One reason: its code, and the values that come with it (see ``Why``)."""

    why: Why
    values: tuple[str | int, ...] = ()


Values = Mapping[str, str | int]
"""The values of a reason, by name."""


_NOTHING: Final[Values] = {}  # a mapping proxy cannot be sent to another process


class Because(NamedTuple):
    """Why something happened, as an event tells it: a code of ``EVENT_REASONS`` ("": none), and its values."""

    code: str = ""
    values: Values = _NOTHING


NONE: Final = Because()


def said(text: str) -> Because:
    """Give the reason that is whatever a user's own code has said; none if it said nothing.

    >>> said("tape busy"), said("") == NONE
    (Because(code='said', values={'said': 'tape busy'}), True)
    """
    return Because("said", {"said": text}) if text else NONE


LEASE_RAN_OUT: Final = "lease_ran_out"
WORKER_SILENT: Final = "worker_silent"
FORGOTTEN: Final = "forgotten"
WITHDRAWN_BY_PERSON: Final = "withdrawn"
TIME_LIMIT: Final = "time_limit"

FINISHED: Final = "finished"
TOLD_LOST: Final = "told_lease_lost"
OWN_CLOCK: Final = "own_clock"

GOES_ON: Final = "goes_on"
LINK_RESTORED: Final = "link_restored"
POWER_LOST: Final = "power_lost"
PROGRAM_DIED: Final = "program_died"
NOT_BY_PLAN: Final = frozenset({POWER_LOST, PROGRAM_DIED, "program_absent"})
"""Why a worker is off that somebody may wait for: it did not leave, and was not shut down."""

STATE_TABLE: Final = (
    "no_person_holds_it",
    "a_person_holds_it_already",
    "no_such_reason_holds_it",
    "it_is_held",
    "its_clock_stands_still",
    "its_suspension_has_been_asked_for_already",
    "its_suspension_is_not_asked_for",
    "nobody_asked_for_it",
    "it_is_suspended_already",
    "it_is_not_suspended",
    "it_has_been_started",
    "it_waits_for_no_other_job",
    "it_is_done",
    "it_has_failed",
    "no_worker_has_it",
    "a_worker_has_it",
    "no_lease_is_out_on_it",
)
"""What the table of states answers where it refuses (see ``emulator.broker.states``)."""

EVENT_REASONS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        # -- an attempt ended for the broker ------------------------------------------------------------------------
        LEASE_RAN_OUT: (),
        WORKER_SILENT: (),
        FORGOTTEN: (),
        WITHDRAWN_BY_PERSON: (),
        TIME_LIMIT: (),
        "total_limit": (),
        # -- an attempt went wrong ----------------------------------------------------------------------------------
        "said": ("said",),  # what a handler raised, or a program or a retry policy of the user's own gave as its reason
        "stale_token": ("system",),
        "part_failed": ("part",),
        "fails_every_time": (),
        "no_access": ("system", "refusal"),  # refusal: what ``world.access`` answers
        "call_ended": ("system", "outcome"),
        "error_burst": ("routine",),
        "no_tool": ("worker", "tool"),
        "new_version": (),
        "cancelled": (),
        # -- a worker stopped its work, or is in another state ------------------------------------------------------
        FINISHED: (),
        "finished_and_left": (),
        TOLD_LOST: (),
        OWN_CLOCK: (),
        "given_up": (),
        "outcome": ("outcome",),  # a program of the user's own handed in an outcome, and gave no reason
        POWER_LOST: (),
        PROGRAM_DIED: (),
        "program_absent": (),
        "shut_down": (),
        "too_long_to_finish": (),
        "idle": (),
        GOES_ON: (),
        LINK_RESTORED: (),
        "out": (),  # the way on which no message gets through: to the broker, from it, or neither
        "back": (),
        "both": (),
        "told_to_drain": (),
        "schedule_ends": (),
        "attempts_done": (),
        # -- a job failed -------------------------------------------------------------------------------------------
        "person_withdrew": (),
        "not_started": (),
        "total_limit_reached": ("limit",),  # limits are ticks
        "not_retried": ("outcome",),
        "attempts_in_all": ("most",),
        "lost_leases": ("lost", "most"),
        "no_retry_in_time": ("limit",),
        "time_limit_reached": ("limit",),
        "time_limits_reached": ("count", "most"),
        "allowance_used_up": (),
        "policy_said_no": (),
        "prerequisite_refused": (),
        "prerequisite_failed": ("job", "sub_state"),
        # -- a job, an effect or an occurrence was not taken --------------------------------------------------------
        "queue_full": ("most",),
        "token_is_stale": (),
        "still_running": (),
        "broker_was_down": (),
        "broker_was_down_too_long": (),
        # -- a fault hit nothing ------------------------------------------------------------------------------------
        "hit_nothing": (),
        "was_off": (),
        "was_off_or_frozen": (),
        "lacked_tool": (),
        "was_down": (),
        "was_withdrawn": (),
        "nothing_changed": (),
        "nothing_to_hand_out_twice": (),
        "no_such_job": (),
        "no_such_job_came": (),
        "not_before_the_end": (),
        "no_such_workers": (),
        "share_is_none": (),
        "no_workers": (),
        # -- what a person asked for was refused --------------------------------------------------------------------
        "no_such_job_yet": (),
        "told_already": (),
        "broker_is_down": (),
        "queue_is_full": (),
        "queue_held_already": ("queue",),
        "queue_not_held": ("queue",),
        **dict.fromkeys(STATE_TABLE, ()),
    }
)
"""Every code that stands as ``why`` in an event, and the names of its values."""


_COUNTS: Final = frozenset(("count", "job", "limit", "lost", "most"))


def mistake_in(code: str, values: object) -> str:
    """Say what is wrong with a reason as somebody else wrote it; "" if nothing is.

    >>> mistake_in("part_failed", {"part": "copy"}), mistake_in("part_failed", {})
    ('', "the reason 'part_failed' has the values part, not none")
    """
    names = EVENT_REASONS.get(code, None if code else ())
    if names is None:
        return f"there is no reason called {code!r}"
    if not isinstance(values, Mapping) or tuple(values) != names:
        has = ", ".join(map(str, values)) if isinstance(values, Mapping) and values else repr(values) if values else ""
        return f"the reason {code!r} has the values {', '.join(names) or 'none'}, not {has or 'none'}"
    for name, value in values.items():
        if type(value) is not (int if name in _COUNTS else str):
            return f"the value {name} of the reason {code!r} is {value!r}"
    return ""
