"""How does a queue of the scenario become the broker's rules?"""

from emulator.broker.rules import Allowance, DataRetry, QueueRules, RetryPolicy, TimeLimit
from emulator.scenario.models import Queue

__all__ = ["rules_of"]


def rules_of(name: str, queue: Queue, policy: RetryPolicy | None = None) -> QueueRules:
    """Give the rules of one queue as the broker wants them: plain data, in ticks; ``policy`` is the user's own."""
    retry, cap = queue.retry, queue.time_limit
    allowance = retry.allowance
    return QueueRules(
        name=name,
        lease=queue.lease,
        renewed=queue.renewed,
        time_limit=None if cap is None else TimeLimit(cap.after, cap.then, cap.at_most),
        retry=DataRetry(
            attempts_in_all=retry.attempts_in_all,
            lost_leases_at_most=retry.lost_leases_at_most,
            retried=retry.retried,
            pause=retry.pause,
            first=retry.first,
            grows_by=retry.grows_by,
            longest=retry.longest,
            jitter=retry.jitter,
            total_limit=retry.total_limit,
            respects_retry_after=retry.respects_retry_after,
        ),
        policy=policy,
        allowance=None
        if allowance is None
        else Allowance(allowance.holds, allowance.refills, allowance.each, allowance.when_empty),
        capacity=queue.capacity,
        start_within=queue.start_within,
        running_at_most=queue.running_at_most,
        per_key_at_most=queue.per_key_at_most,
        requeued_keep_place=queue.requeued_keep_place,
        matches_equipment=queue.matches_equipment,
        idempotency_keys_kept=queue.idempotency_keys_kept,
    )
