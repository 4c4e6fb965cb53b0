"""Which jobs run on terms of their own: another lease, time limit or retry than their queue's, or several slots?"""

from collections.abc import Mapping

from emulator.broker.jobs import Terms
from emulator.broker.rules import RetryPolicy
from emulator.scenario.models import Scenario
from emulator.scenario.terms import terms_of
from emulator.world.rules_of import rules_of

__all__ = ["OwnTerms"]


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
