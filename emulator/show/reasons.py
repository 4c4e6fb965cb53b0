"""How is it said why a job is not done? One table makes sentences of the broker's reasons."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

from emulator.record.reasons import Reason, Why
from emulator.timeline.ticks import say

__all__ = ["in_words"]

_MOST_NAMED: Final = 3

_WORDS: Final[Mapping[Why, Callable[..., str]]] = MappingProxyType(
    {
        Why.FINAL: lambda state, sub_state: f"it is {state}" + (f": {sub_state}" if sub_state else ""),
        Why.AT_WORK: "worker {} has it".format,
        Why.SUSPENDED: "worker {} has it, suspended".format,
        Why.BY_PERSON: "a person holds it".format,
        Why.NOT_DUE: lambda ticks: f"it is due in {say(ticks)}",
        Why.NO_ALLOWANCE: "it waits for the allowance of retries of queue {}".format,
        Why.PAUSING: lambda ticks: f"its pause ends in {say(ticks)}",
        Why.PREREQUISITE: lambda *jobs: _waits_for([job for job in jobs if job], 0 in jobs),
        Why.QUEUE_HELD: "a person holds queue {}".format,
        Why.QUEUE_FULL: "queue {} runs as many jobs as it may: {}".format,
        Why.KEY_BUSY: lambda key, *jobs: f"key {key} is busy with job {', '.join(map(str, jobs))}",
        Why.TOO_FEW_SLOTS: lambda slots: f"it takes {slots} slots, and no worker that may take it has so many",
        Why.NOT_EQUIPPED: lambda *requires: f"no worker has all of: {', '.join(requires)}",
        Why.WAITS: "it waits for a worker".format,
    }
)


def in_words(reasons: Iterable[Reason]) -> str:
    """Say every reason, parted by semicolons.

    >>> in_words([Reason(Why.BY_PERSON), Reason(Why.NOT_DUE, (90_000_000,))])
    'a person holds it; it is due in 1m30s'
    """
    return "; ".join(_said(_WORDS[why], values) for why, values in reasons)


def _waits_for(jobs: Sequence[int], more: bool) -> str:
    if not jobs:
        return "the job before it has not come yet"
    named = ", ".join(map(str, jobs[:_MOST_NAMED])) + (
        f" and {len(jobs) - _MOST_NAMED} more" if len(jobs) > _MOST_NAMED else ""
    )
    return f"it waits for job{'s' if len(jobs) > 1 else ''} {named}" + (
        ", and for one that has not come yet" if more else ""
    )


def _said(words: Callable[..., str], values: tuple[Any, ...]) -> str:
    return words(*values)
