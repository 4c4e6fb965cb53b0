"""Which leases can be lost though nothing is wrong with the worker?"""

from collections.abc import Iterator

from emulator.scenario.hazards.outlook import Loc, Outlook, Said
from emulator.scenario.models.pools import Pool
from emulator.timeline.ticks import say

__all__ = [
    "clock_told_lease",
    "few_heartbeats",
    "fixed_lease_short",
    "jitter_outlasts_lease",
    "losses_survived",
    "silence_short",
]

ENOUGH_LOSSES = 3
"""So many lost heartbeats in a row a lease should survive."""


def losses_survived(lease: int, heartbeat: int) -> int:
    """Say how many heartbeats in a row may be lost before the lease is; -1: it is lost even if none is.

    With k = ceil(L/h) - 1 heartbeats strictly inside a lease of L, the loss of k - 1 in a row is survived.

    >>> losses_survived(90, 30), losses_survived(91, 30), losses_survived(30, 30)
    (1, 2, -1)
    """
    return -(-lease // heartbeat) - 2


def _leases(outlook: Outlook) -> Iterator[tuple[Loc, str, int, str, Pool]]:
    """List every lease that is renewed, with each pool that may have it: place, queue, length, pool, its settings."""
    for queue, settings, name, pool in outlook.served():
        if settings.renewed:
            own = [outlook.terms(entry) for entry in outlook.entries_of(queue)]
            found = {outlook.stated(terms, "lease"): terms.queue.lease for terms in own if terms.are_own}
            for loc, lease in {("queues", queue, "lease"): settings.lease, **found}.items():
                yield loc, queue, lease, name, pool


def few_heartbeats(outlook: Outlook) -> Iterator[Said]:
    """A lease survives fewer than three lost heartbeats in a row."""
    for loc, _, lease, name, pool in _leases(outlook):
        survived = losses_survived(lease, pool.heartbeat)
        if survived >= ENOUGH_LOSSES:
            continue
        told = f"a lease of {say(lease)} with a heartbeat every {say(pool.heartbeat)} (pool {name})"
        if survived < 0:
            yield loc, f"{told} always ends before it is renewed: every longer job loses it"
        else:
            losses = f"{survived} lost heartbeat{'s' * (survived != 1)} in a row" if survived else "no lost heartbeat"
            yield (
                loc,
                f"{told} survives {losses}; {ENOUGH_LOSSES} or more are advisable: "
                f"a lease above {say((ENOUGH_LOSSES + 1) * pool.heartbeat)} would do",
            )


def jitter_outlasts_lease(outlook: Outlook) -> Iterator[Said]:
    """Two heartbeats can lie further apart than a lease is long."""
    for _, queue, lease, name, pool in _leases(outlook):
        apart = pool.heartbeat + 2 * pool.heartbeat_jitter
        if pool.heartbeat_jitter and pool.heartbeat < lease < apart:
            yield (
                ("pools", name, "heartbeat_jitter"),
                f"two heartbeats can lie up to {say(apart)} apart, longer than a lease of {say(lease)} "
                f"(queue {queue}): leases are lost though every heartbeat arrives",
            )


def fixed_lease_short(outlook: Outlook) -> Iterator[Said]:
    """A fixed lease is shorter than the work can well be."""
    for entry in outlook.entries:
        terms = outlook.terms(entry)
        queue, longest = terms.queue, outlook.longest(entry)
        if not queue.renewed and queue.lease < longest:
            yield (
                outlook.stated(terms, "lease"),
                f"the fixed lease of {say(queue.lease)} is shorter than the p95 of {entry.arrival.routine}, "
                f"{say(round(longest))}: such a job is handed out again while it is worked on",
            )


def silence_short(outlook: Outlook) -> Iterator[Said]:
    """The silence limit is not above the time between two heartbeats."""
    for name, pool in outlook.scenario.pools.items():
        apart = pool.heartbeat + 2 * pool.heartbeat_jitter
        if pool.silence is not None and (pool.silence <= pool.heartbeat or pool.silence < apart):
            yield (
                ("pools", name, "silence"),
                f"a worker is declared lost after {say(pool.silence)} without a message, and two heartbeats can lie "
                f"{say(apart)} apart: workers at work are declared lost",
            )


def clock_told_lease(outlook: Outlook) -> Iterator[Said]:
    """A lease's end is told as clock time to workers whose clocks are wrong."""
    skewed = [fault.skew_clock for fault in outlook.scenario.faults if fault.skew_clock is not None]
    for queue, settings, name, pool in outlook.served():
        if settings.expiry_sent_as != "clock_time":
            continue
        wrong = any(clock.offset or clock.drift_ppm for clock in outlook.clocks(pool))
        if wrong or any(_aims_at(outlook, target, name) for target in skewed):
            yield (
                ("queues", queue, "expiry_sent_as"),
                f"the lease's end is told as clock time, and clocks in the pool {name} are wrong: "
                "a worker takes its lease for longer or shorter than it is",
            )


def _aims_at(outlook: Outlook, target: object, pool: str) -> bool:
    if isinstance(target, tuple):
        return any(_aims_at(outlook, one, pool) for one in target)
    return outlook.may_mean(str(getattr(target, "pool", target)), pool)
