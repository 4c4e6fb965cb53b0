"""Lists what a scenario does not state, so that no night of it shows the consequences.

The law: everything here is told from the scenario and its questions, none of it from a run. Something is looked at when
a fault, a law or an action of the scenario has it, or of one of its questions.
"""

from collections.abc import Iterator
from typing import Final

from emulator.scenario.fault_kinds import FAULT_KINDS, FAULT_TABLE
from emulator.scenario.load import Loaded
from emulator.scenario.models import Distribution, Scenario, Target
from emulator.scenario.models.distribution import DrawnNumber
from emulator.scenario.models.faults import Fault, kind_of
from emulator.show.settings import changes_in_words, faults_called
from emulator.show.words import listed

__all__ = ["not_looked_at", "not_varied"]

_OF_WORKERS: Final = {name: kind.noun for name, kind in FAULT_TABLE.items() if kind.of == "workers" and kind.noun}
_OF_SYSTEMS: Final = {name: kind.noun for name, kind in FAULT_TABLE.items() if kind.of != "workers" and kind.noun}
_ALWAYS: Final = ("other users of the systems", "whether what was written can be read back")


def not_looked_at(loaded: Loaded) -> Iterator[str]:
    """Say what neither the scenario nor any of its questions has; the last two hold for every scenario."""
    every = [loaded.scenario, *(asked.scenario for asked in loaded.questions)]
    seen = {str(kind_of(fault, FAULT_KINDS)) for one in every for fault in one.faults if fault.share_of_nights}
    seen |= {
        kind
        for kind, states in (
            ("skew_clock", lambda pool: pool.clock.offset or pool.clock.drift_ppm),
            ("lose_heartbeats", lambda pool: pool.link.loss_out),
            ("lose_results", lambda pool: pool.link.loss_out),
        )
        for one in every
        if any(map(states, one.pools.values()))
    }
    of_workers = [words for kind, words in _OF_WORKERS.items() if kind not in seen]
    if of_workers:
        yield f"workers: {', '.join(of_workers)}"
    if "broker_outage" not in seen:
        yield "an outage of the broker"
    for system in loaded.scenario.systems:
        unseen = [words for kind, words in _OF_SYSTEMS.items() if not any(_has(one, kind, system) for one in every)]
        if unseen:
            yield f"{system}: {', '.join(unseen)}"
    access = "withdraw_access" in seen or any(one.access or one.credentials for one in every)
    if loaded.scenario.systems and not access:
        yield "access that is missing or ends"
    if not any(map(_jobs_fail, every)):
        yield "jobs that fail by themselves"
    if not any(_as_many(one, loaded.scenario) for one in every):
        yield "more or fewer jobs than stated"
    if not any(one.actions for one in every):
        yield "what people do during the night"
    if not changes_in_words(loaded.clock, loaded.scenario.lasts):
        yield "a night in which the clocks change"
    yield from _ALWAYS


def _has(scenario: Scenario, kind: str, system: str) -> bool:
    """Say whether something of a kind happens to a system."""
    stated = scenario.systems.get(system)
    if stated is not None and {"system_outage": bool(stated.outages), "error_burst": stated.error_share > 0}.get(kind):
        return True
    return any(getattr(fault, kind) == system for fault in scenario.faults if fault.share_of_nights)


def _jobs_fail(scenario: Scenario) -> bool:
    parts = [part for routine in scenario.routines.values() for part in routine.parts]
    if any(part.error_share or part.permanent_error_share or part.fails_after is not None for part in parts):
        return True
    return any(fault.poison_job or fault.error_burst in scenario.routines for fault in scenario.faults)


def _as_many(scenario: Scenario, written: Scenario) -> bool:
    """Say whether the number of jobs differs: between nights, or from the scenario as written."""
    for arrival in scenario.arrivals:
        if arrival.varies_with is not None or arrival.per_hour is not None or not isinstance(arrival.batch, int):
            return True
        if arrival.gaps is not None and arrival.gaps.constant is None:
            return True
    counts = [{one.label: (one.count, one.every) for one in each.arrivals} for each in (scenario, written)]
    return counts[0] != counts[1] or any(fault.surge for fault in scenario.faults)


def not_varied(loaded: Loaded) -> Iterator[str]:
    """Say of each fault and each arrival entry what of it is the same in every night."""
    for fault, called in zip(loaded.scenario.faults, faults_called(loaded), strict=True):
        same = list(_same(fault))
        if same:
            yield f"{called}: {listed(same, most=5)}"
    same_count = [
        f"{one.count} of {one.label}"
        for one in loaded.scenario.arrivals
        if one.count is not None and one.varies_with is None and one.at is not None and one.batch == 1
    ]
    if same_count:
        yield f"the number of jobs: {listed(same_count)}"


def _same(fault: Fault) -> Iterator[str]:
    if fault.share_of_nights in (0, 1):
        yield "that it happens" if fault.share_of_nights else "that it does not happen"
    if fault.gaps is None and not _is_drawn(fault.late_by) and kind_of(fault, FAULT_KINDS) != "poison_job":
        yield "when"
    length = fault.lasts or fault.back_after
    if (length is not None and not _is_drawn(length)) or fault.ends is not None:
        yield "how long"
    aims = [getattr(fault, kind) for kind in FAULT_KINDS]
    if not any(isinstance(aim, Target) for aim in aims) and fault.broker_outage is None:
        yield "whom"
    strengths = [one for one in (fault.to, fault.share, fault.factor) if one is not None]
    if strengths and not any(isinstance(one, DrawnNumber) for one in strengths):
        yield "how much"


def _is_drawn(law: Distribution | None) -> bool:
    return law is not None and law.constant is None
