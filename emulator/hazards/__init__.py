"""The warnings of ``check``: what a scenario permits that its writer may not want, one small function for each.

A hazard is no mistake: the run shows what comes of it. Each function looks at what the scenario states and nothing
else; its first line is its line in the reference page.
"""

from collections.abc import Callable, Iterator, Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

from emulator.hazards import capacity, work
from emulator.hazards.outlook import Hazard, Outlook, Said
from emulator.hazards.work import losses_survived
from emulator.scenario.load import Loaded
from emulator.scenario.messages import path_in
from emulator.scenario.models.scenario import Scenario

__all__ = ["HAZARDS", "Hazard", "Margin", "hazards", "heartbeat_margins"]

HAZARDS: Final[Mapping[str, Callable[[Outlook], Iterator[Said]]]] = MappingProxyType(
    {
        "load-above-capacity": capacity.load_above_capacity,
        "more-work-than-time": capacity.more_work_than_time,
        "burst-above-capacity": capacity.burst_above_capacity,
        "poll-above-start-within": capacity.poll_above_start_within,
        "few-heartbeats": work.few_heartbeats,
        "jitter-outlasts-lease": work.jitter_outlasts_lease,
        "fixed-lease-short": work.fixed_lease_short,
        "silence-short": work.silence_short,
        "clock-told-lease": work.clock_told_lease,
        "time-limit-short": work.time_limit_short,
        "recurrence-overlaps": work.recurrence_overlaps,
        "unrepeatable-work": work.unrepeatable_work,
        "age-of-single-results": work.age_of_single_results,
        "elements-not-given": work.elements_not_given,
        "prerequisite-never-comes": work.prerequisite_never_comes,
        "waits-for-one-of-many": work.waits_for_one_of_many,
        "waits-for-a-later-night": work.waits_for_a_later_night,
        "pauses-outlast-night": work.pauses_outlast_night,
        "retries-end-in-outage": work.retries_end_in_outage,
        "grant-late": work.grant_late,
        "credential-ends-early": work.credential_ends_early,
        "nobody-equipped": capacity.nobody_equipped,
        "few-have-the-slots": capacity.few_have_the_slots,
        "slots-stay-taken": capacity.slots_stay_taken,
        "nobody-serves": capacity.nobody_serves,
        "tool-nobody-has": capacity.tool_nobody_has,
        "power-off-in-run": capacity.power_off_in_run,
        "after-the-end": capacity.after_the_end,
        "crosses-clock-change": capacity.crosses_clock_change,
        "nothing-comes": capacity.nothing_comes,
        "clock-change": capacity.clock_change,
        "recurrence-minute": capacity.recurrence_minute,
    }
)
"""Every hazard that is looked for, by its code."""


def hazards(loaded: Loaded, scenario: Scenario | None = None) -> list[Hazard]:
    """List the hazards of a scenario, in the order of ``HAZARDS``; ``scenario``: one of its variants instead."""
    outlook = Outlook(loaded, scenario)
    found = []
    for code, look in HAZARDS.items():
        for loc, message in dict.fromkeys(look(outlook)):
            stated = path_in(loaded.data, loc)
            found.append(Hazard(code, ".".join(map(str, loc)), message, loaded.place(stated)))
    return found


class Margin(NamedTuple):
    """How many lost heartbeats in a row the leases of a queue survive on the workers of a pool (-1: not even none)."""

    queue: str
    pool: str
    survived: int


def heartbeat_margins(loaded: Loaded) -> list[Margin]:
    """Say for every queue with renewed leases, and every pool that serves it, how many lost heartbeats are survived."""
    return [
        Margin(queue, name, losses_survived(settings.lease, pool.heartbeat))
        for queue, settings, name, pool in Outlook(loaded).served()
        if settings.renewed
    ]
