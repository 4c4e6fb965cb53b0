"""Why is a job not running, or what became of it? Codes with values; only what is shown makes sentences of them.

Reasons are no events: the broker gives them when it is asked. The codes at the end are those that events carry and that
are read again: for what a lease was lost, which only the broker says, why a worker stopped without an outcome,
and that a frozen one goes on.
"""

from enum import Enum
from typing import Final, NamedTuple

__all__ = ["FORGOTTEN", "GOES_ON", "LEASE_RAN_OUT", "OWN_CLOCK", "TOLD_LOST", "WORKER_SILENT", "Reason", "Why"]


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
    WAITS = "waits"
    """Nothing of that kind: it waits for its turn."""


class Reason(NamedTuple):
    """One reason: its code, and the values that come with it (see ``Why``)."""

    why: Why
    values: tuple[str | int, ...] = ()


LEASE_RAN_OUT: Final = "lease ran out"
WORKER_SILENT: Final = "worker silent"
FORGOTTEN: Final = "forgotten by the broker"

TOLD_LOST: Final = "told that its lease is lost"
GOES_ON: Final = "goes on"
OWN_CLOCK: Final = "its own clock says that the lease has ended"
