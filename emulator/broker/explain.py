"""Why is an unfinished job not running? Told on demand, because as events it would drown everything else.

A busy key, a full queue and missing equipment are no states of a job but matters of the hand-out.
"""

from collections.abc import Sequence

from emulator.broker.jobs import BY_PERSON, NOT_DUE, PAUSING, PREREQUISITE, Job
from emulator.broker.matching import meets
from emulator.broker.order import Keys
from emulator.broker.states import State
from emulator.timeline.ticks import say

__all__ = ["explain"]


def explain(job: Job, keys: Keys, now: int, equipments: Sequence[frozenset[str]] | None) -> str:
    """Give every reason in plain words, parted by semicolons; see ``Broker.explain``."""
    if job.holder is not None:
        return f"worker {job.holder.name} has it" + (", suspended" if job.state is State.SUSPENDED else "")
    reasons = _held_for(job, now)
    queue = job.queue
    if queue.held:
        reasons.append(f"a person holds queue {queue.name}")
    if queue.is_full():
        reasons.append(f"queue {queue.name} runs as many jobs as it may: {queue.running}")
    if job.key and not keys.has_room(job.key, queue):
        users = keys.users[job.key]
        reasons.append(f"key {job.key} is busy with job {', '.join(map(str, users))}")
    requires = job.line.requires
    if equipments is not None and requires and not any(meets(requires, sorted(has)) for has in equipments):
        reasons.append(f"no worker has all of: {', '.join(requires)}")
    return "; ".join(reasons) or "it waits for a worker"


def _held_for(job: Job, now: int) -> list[str]:
    reasons, rare = [], job.rare
    if job.held & BY_PERSON:
        reasons.append("a person holds it")
    if rare is None:
        return reasons
    if job.held & NOT_DUE:
        reasons.append(f"it is due in {say(rare.not_before - now)}")
    if job.held & PAUSING:
        if rare.awaits:
            reasons.append(f"it waits for the allowance of retries of queue {job.queue.name}")
        if rare.due > now:
            reasons.append(f"its pause ends in {say(rare.due - now)}")
    if job.held & PREREQUISITE:
        reasons.append(f"it waits for job {rare.waits_for}" if rare.waits_for else "the job before it has not come yet")
    return reasons
