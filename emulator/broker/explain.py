"""Why is an unfinished job not running? Told on demand, because as events it would drown everything else.

A busy key, a full queue and missing equipment are no states of a job but matters of the hand-out. Reasons are codes
with values, and nothing that decides reads a sentence (``emulator.record.reasons``).
"""

from collections.abc import Sequence

from emulator.broker.jobs import BY_PERSON, NOT_DUE, PAUSING, PREREQUISITE, Job
from emulator.broker.keys import Keys
from emulator.broker.matching import Offer, equipment_of, meets, slots_of
from emulator.broker.prerequisites import Unmet
from emulator.broker.states import State
from emulator.record.reasons import Reason, Why

__all__ = ["explain"]


def explain(
    job: Job, keys: Keys, now: int, offers: Sequence[Offer] | None, unmet: Sequence[Unmet] = ()
) -> tuple[Reason, ...]:
    """Give every reason, at least one; see ``Broker.explain``."""
    if job.attempt is not None:
        return (Reason(Why.SUSPENDED if job.state is State.SUSPENDED else Why.AT_WORK, (job.attempt.holder.name,)),)
    reasons = _held_for(job, now, unmet)
    queue = job.queue
    if queue.held:
        reasons.append(Reason(Why.QUEUE_HELD, (queue.name,)))
    if queue.is_full():
        reasons.append(Reason(Why.QUEUE_FULL, (queue.name, queue.running)))
    if job.key and not keys.has_room(job.key, queue):
        reasons.append(Reason(Why.KEY_BUSY, (job.key, *keys.users[job.key])))
    if offers is not None:
        requires, slots = job.line.requires, job.line.slots
        able = [has for has in offers if meets(requires, sorted(equipment_of(has)))] if requires else offers
        if requires and not able:
            reasons.append(Reason(Why.NOT_EQUIPPED, requires))
        elif slots > 1 and not any(slots_of(has) >= slots for has in able):
            reasons.append(Reason(Why.TOO_FEW_SLOTS, (slots,)))
    return tuple(reasons) or (Reason(Why.WAITS),)


def _held_for(job: Job, now: int, unmet: Sequence[Unmet]) -> list[Reason]:
    reasons, rare = [], job.rare
    if job.held & BY_PERSON:
        reasons.append(Reason(Why.BY_PERSON))
    if rare is not None and job.held & NOT_DUE:
        reasons.append(Reason(Why.NOT_DUE, (rare.not_before - now,)))
    if rare is not None and job.held & PAUSING:
        if rare.awaits:
            reasons.append(Reason(Why.NO_ALLOWANCE, (job.queue.name,)))
        if rare.due > now:
            reasons.append(Reason(Why.PAUSING, (rare.due - now,)))
    if job.held & PREREQUISITE:
        jobs = dict.fromkeys(job for one in unmet for job in (*one.jobs, *((0,) if one.more else ())))
        reasons.append(Reason(Why.PREREQUISITE, tuple(jobs)))
    return reasons
