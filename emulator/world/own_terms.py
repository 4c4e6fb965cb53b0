"""Which rules does a queue of the scenario make, and which jobs run on terms of their own?

Their own: another lease, time limit or retry than their queue's, or several slots.
"""

from collections.abc import Mapping

from emulator.broker.jobs import Terms
from emulator.broker.rules import Allowance, DataRetry, QueueRules, RetryPolicy, TimeLimit
from emulator.scenario.models import Queue, Scenario
from emulator.scenario.schedules import terms_of

__all__ = ["OwnTerms", "rules_of"]


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


class OwnTerms:
    """The terms of jobs, made when first asked for; a line of a trace may name another routine than its entry.

    Args:
        scenario: what arrivals, routines and queues say.
        policies: the user's own retry policies, by queue.
    """

    __slots__ = ("_arrivals", "_known", "_policies", "_scenario")

    def __init__(self, scenario: Scenario, policies: Mapping[str, RetryPolicy] | None) -> None:
        self._scenario, self._policies = scenario, policies or {}
        self._arrivals = {arrival.label: arrival for arrival in scenario.arrivals}
        self._known: dict[tuple[str, str], Terms | None] = {}

    def of(self, entry: str, routine: str) -> Terms | None:
        """Give the terms of the jobs of a routine that an entry brings; None: those of their queue."""
        if (entry, routine) not in self._known:
            found = terms_of(self._scenario, self._arrivals.get(entry), routine)
            name = self._scenario.routines[routine].queue
            slots = self._scenario.routines[routine].takes_slots
            is_own = found.are_own or slots > 1
            rules = rules_of(name, found.queue, self._policies.get(name)) if is_own else None
            self._known[entry, routine] = None if rules is None else Terms(rules, slots)
        return self._known[entry, routine]
