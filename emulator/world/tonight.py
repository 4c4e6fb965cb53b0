"""Makes of a scenario what holds tonight: drawn factors, the rules of queues, the terms of jobs, the load.

Each factor of `varies` is drawn once for a night, by a key of its own: replication k draws the same factors under each
variant. A factor multiplies what says `varies_with`: rates and counts of arrivals, durations, error shares, gaps of
faults. A borrowed night may tell what a factor was for one routine alone: then that multiplies what the routine says.
A fault or an action with `share_of_nights` is there or not, by a key that leaves that share out.
So a night is a scenario without `varies`, with shares of 0 or 1, and nothing that runs knows of other nights.

Terms of a job's own are another lease, time limit or retry than its queue's, or several slots.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final, TypeVar

from emulator.broker.jobs import Terms
from emulator.broker.rules import Allowance, DataRetry, QueueRules, RetryPolicy, TimeLimit
from emulator.scenario.clock import Clock
from emulator.scenario.files import OF_ROUTINE, factor_in, past_nights
from emulator.scenario.load import Loaded
from emulator.scenario.models import Action, Arrival, Distribution, Fault, Part, Queue, Rates, Routine, Scenario
from emulator.scenario.models.scenario import Factor
from emulator.scenario.schedules import rate_spans, terms_of
from emulator.timeline.ticks import HOUR
from emulator.world.actions import action_keys
from emulator.world.draws import Draws, Purpose, entity_key
from emulator.world.faults import fault_keys, is_there
from emulator.world.sampling import Gamma, Lognormal, sampling_of

__all__ = [
    "OwnTerms",
    "factors_of",
    "named_jobs",
    "offered_load",
    "rules_of",
    "tonight",
]


_FINE: Final = 1_000_000_000
"""A factor is drawn as a whole number of billionths, by the laws that draw durations."""


def tonight(loaded: Loaded, draws: Draws) -> tuple[Loaded, dict[str, float]]:
    """Give the scenario of one night, and the factors that were drawn for it.

    A scenario in which nothing is drawn for a whole night is given back as it is.

    Args:
        loaded: the scenario.
        draws: of the night.

    Raises:
        InputError: a file of past nights cannot be read, or lacks a column.
    """
    scenario, factors = loaded.scenario, {}
    if scenario.varies:
        factors = factors_of(loaded, draws)
        scenario = _multiplied(scenario, factors)
    update = {
        **_there("faults", loaded.scenario.faults, scenario.faults, fault_keys, draws),
        **_there("actions", loaded.scenario.actions, scenario.actions, action_keys, draws),
    }
    if update:
        scenario = scenario.model_copy(update=update)
    return (loaded if scenario is loaded.scenario else replace(loaded, scenario=scenario)), factors


_Item = TypeVar("_Item", Fault, Action)


def _there(
    key: str,
    stated: Sequence[_Item],
    items: Sequence[_Item],
    keys_of: Callable[[Sequence[_Item]], list[int]],
    draws: Draws,
) -> dict[str, Any]:
    """Say of each fault or action whether it is there tonight: its share becomes 0 or 1."""
    if all(item.share_of_nights in (0, 1) for item in stated):
        return {}
    return {
        key: tuple(
            item.model_copy(update={"share_of_nights": float(is_there(item, entity, draws))})
            for item, entity in zip(items, keys_of(stated), strict=True)
        )
    }


def factors_of(loaded: Loaded, draws: Draws) -> dict[str, float]:
    """Draw the factors of one night.

    Args:
        loaded: the scenario.
        draws: of the night.

    Returns:
        The factors by name. What one is for a routine alone in a borrowed night stands beside it, as ``pace:copy``.
    """
    found: dict[str, float] = {}
    for name, factor in loaded.scenario.varies.items():
        if factor.one_of_nights is None:
            found[name] = _drawn(name, factor, draws)
        else:
            found.update(_borrowed(loaded, name, factor.one_of_nights, draws))
    return found


def _borrowed(loaded: Loaded, name: str, file: str, draws: Draws) -> Iterator[tuple[str, float]]:
    """Yield what a factor was in one past night, in general and for each routine of which the night tells it."""
    found = past_nights(loaded.folder / file)
    of_file = [key for key, it in loaded.scenario.varies.items() if it.one_of_nights == file]
    # A night without a run has no pace: it has nothing to borrow, and is not drawn.
    whole = [at for at, row in enumerate(found.rows) if all(row.get(key) != "" for key in of_file)]
    places = whole or range(len(found.rows))
    # All factors of one file are those of one night: the file is the entity, not the factor.
    night = places[int(draws.uniform(Purpose.NIGHT_FACTOR, entity_key("nights", file)) * len(places))]
    yield name, factor_in(found, night, name, file)
    for routine in loaded.scenario.routines:
        if found.rows[night].get(own := name + OF_ROUTINE + routine):
            yield own, factor_in(found, night, own, file)


def _drawn(name: str, factor: Factor, draws: Draws) -> float:
    assert factor.cv is not None
    uniform = draws.uniform(Purpose.NIGHT_FACTOR, entity_key("factor", name))
    mean = round(factor.mean * _FINE)
    if factor.law == "gamma":
        return Gamma(1 / factor.cv**2, mean).at(uniform) / _FINE
    return Lognormal.of_mean(mean, factor.cv).at(uniform) / _FINE


def _multiplied(scenario: Scenario, factors: Mapping[str, float]) -> Scenario:
    """Make the scenario of a night with these factors."""
    changed: dict[str, Any] = {field: _walked(getattr(scenario, field), factors) for field in _WHERE}
    changed["routines"] = {
        name: _walked(routine, {key: factors.get(key + OF_ROUTINE + name, times) for key, times in factors.items()})
        for name, routine in scenario.routines.items()
    }
    return scenario.model_copy(update={**changed, "varies": {}})


_WHERE: Final = ("arrivals", "systems", "faults", "actions", "access", "pools")
"""The parts of a scenario, beside routines, in which something may vary with a factor."""


def _walked(value: Any, factors: Mapping[str, float]) -> Any:
    if isinstance(value, Distribution):
        return value if value.varies_with is None else value.times(factors[value.varies_with])
    if isinstance(value, tuple):
        return tuple(_walked(item, factors) for item in value)
    if isinstance(value, dict):
        return {key: _walked(item, factors) for key, item in value.items()}
    if not hasattr(type(value), "model_fields"):
        return value
    update = {}
    for name in type(value).model_fields:
        old = getattr(value, name)
        new = _walked(old, factors)
        if new is not old and new != old:
            update[name] = new
    if isinstance(value, Arrival) and value.varies_with is not None:
        update.update(_more(value, factors[value.varies_with]))
    if isinstance(value, Part) and value.errors_vary_with is not None:
        factor = factors[value.errors_vary_with]
        update["error_share"] = min(1.0, value.error_share * factor)
    return value.model_copy(update=update) if update else value


def _more(arrival: Arrival, factor: float) -> dict[str, Any]:
    """What an entry brings in a night with that factor; its name, which draws are keyed by, stays."""
    said: dict[str, Any] = {"name": arrival.label}
    if arrival.per_hour is not None:
        rate = arrival.per_hour
        said["per_hour"] = rate.times(factor) if isinstance(rate, Rates) else rate * factor
    else:
        said["count"] = max(1, round((arrival.count or 1) * factor))
    return said


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


def offered_load(scenario: Scenario, clock: Clock) -> dict[str, float]:
    """Give, for each pool, the rate at which work is stated to come times its mean length (Erlang's offered load).

    Only ``per_hour``, ``every`` and ``gaps`` have a rate, and only parts that take a time of their own a stated length;
    work that several pools may do is shared by their workers. Work that takes several slots counts as many times. Rates
    by the day and the hour count by their mean from the entry's `from` to its `until`, within the run.
    """
    loads = dict.fromkeys(scenario.pools, 0.0)
    for arrival in scenario.arrivals:
        routine = scenario.routines[arrival.routine]
        serving = [name for name, pool in scenario.pools.items() if routine.queue in pool.serves and pool.count]
        workers = sum(scenario.pools[name].count for name in serving)
        for name in serving:
            share = scenario.pools[name].count / workers
            work = _work(routine, arrival) * routine.takes_slots
            loads[name] += _rate(arrival, scenario.lasts, clock) * work * share / scenario.pools[name].speed
    return loads


def _rate(arrival: Arrival, lasts: int, clock: Clock) -> float:
    """Give jobs a tick; 0 where no rate is stated."""
    if isinstance(arrival.per_hour, Rates):
        begins, ends = arrival.window(lasts)
        spans = rate_spans(arrival.per_hour, arrival.days, clock, begins, ends)
        jobs = sum(rate / HOUR * (end - begin) for begin, end, rate in spans)
        return jobs / (ends - begins) * arrival.batch_mean if jobs else 0.0
    if arrival.per_hour is not None:
        return arrival.per_hour / HOUR * arrival.batch_mean
    law = sampling_of(arrival.gaps) if arrival.gaps is not None else None
    gap = arrival.every or (law.expectation() if law is not None else 0)
    return arrival.batch_mean / gap if gap else 0.0


def _work(routine: Routine, arrival: Arrival) -> float:
    total = 0.0
    for part in routine.parts:
        law = sampling_of(part.law) if part.law is not None else None
        elements = arrival.parameters.get(part.for_each, ()) if part.for_each else (None,)
        total += (law.expectation() + routine.growth(part, arrival.parameters) if law is not None else 0.0) * (
            elements if isinstance(elements, int) else len(elements)
        )
    return total


def named_jobs(scenario: Scenario) -> frozenset[str]:
    """Give the entries whose jobs faults and actions name."""
    names: set[str] = set()
    for fault in scenario.faults:
        if fault.poison_job:
            names.add(fault.poison_job.partition("#")[0])
    for action in scenario.actions:
        for kind in ("run_again", "withdraw", "hold", "release", "suspend", "resume"):
            if getattr(action, kind):
                names.add(getattr(action, kind).partition("#")[0])
    return frozenset(names)
