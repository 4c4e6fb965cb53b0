"""Warnings of work that can go wrong: too long, done twice, never begun; leases that can be lost; unfit retries."""

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from emulator.hazards.outlook import Entry, Outlook, Said, law_of
from emulator.scenario.messages import Loc
from emulator.scenario.models.arrivals import Arrival, FirstOf, Prerequisite
from emulator.scenario.models.pools import Pool, Retry
from emulator.scenario.models.routines import Part, Routine
from emulator.scenario.schedules import terms_of
from emulator.scenario.stated import aims
from emulator.timeline.ticks import HOUR, say

__all__ = [
    "age_of_single_results",
    "clock_told_lease",
    "credential_ends_early",
    "elements_not_given",
    "few_heartbeats",
    "fixed_lease_short",
    "grant_late",
    "jitter_outlasts_lease",
    "losses_survived",
    "pauses_outlast_night",
    "prerequisite_never_comes",
    "recurrence_overlaps",
    "retries_end_in_outage",
    "silence_short",
    "span",
    "time_limit_short",
    "unrepeatable_work",
    "waits_for_a_later_night",
    "waits_for_one_of_many",
]


def time_limit_short(outlook: Outlook) -> Iterator[Said]:
    """The time limit of an attempt is below what the work can well take, or even below what it takes at best."""
    for entry in outlook.entries:
        terms = outlook.terms(entry)
        cap = terms.queue.time_limit
        if cap is None:
            continue
        fastest = max(outlook.speeds(entry.routine.queue), default=1.0)
        at_best = entry.least.at(fastest)
        if cap.then == "resume":
            at_best = max((step.at(fastest) for step in entry.steps), default=0)
        loc, name = (*outlook.stated(terms, "time_limit"), "after"), entry.arrival.routine
        if at_best >= cap.after:
            what = "a single part of it" if cap.then == "resume" else "it"
            yield (
                loc,
                f"{name} can never finish: {what} takes at least {say(round(at_best))}, "
                f"and an attempt is stopped after {say(cap.after)}",
            )
        elif (longest := outlook.longest(entry)) > cap.after:
            then = {"fail": "fails", "start_over": "starts over", "resume": "goes on in another attempt"}[cap.then]
            yield (
                loc,
                f"the p95 of {name} is {say(round(longest))}, and an attempt is stopped after {say(cap.after)}: "
                f"such a job {then}",
            )


def recurrence_overlaps(outlook: Outlook) -> Iterator[Said]:
    """A recurrence comes again before its last job can be expected to have ended."""
    then = {"skip": "occurrences are skipped", "wait": "occurrences pile up", "both": "two of its jobs run at once"}
    for entry in outlook.entries:
        if entry.arrival.recurs is None:
            continue
        due = outlook.due(entry.arrival)
        gap = min((later - sooner for sooner, later in pairwise(due)), default=None)
        longest = outlook.longest(entry)
        if gap is not None and gap < longest:
            yield (
                ("arrivals", entry.place, "recurs"),
                f"it comes again after {say(gap)}, and the p95 of {entry.arrival.routine} is {say(round(longest))}: "
                f"{then[entry.arrival.if_still_running]}",
            )


def unrepeatable_work(outlook: Outlook) -> Iterator[Said]:
    """A part that must not be done twice can be."""
    scenario = outlook.scenario
    again = {entry.arrival.label: entry.arrival.routine for entry in outlook.entries}
    by_hand = {again.get(a.run_again.rpartition("#")[0]) for a in scenario.actions if a.run_again is not None}
    twice = {fault.hand_out_twice for fault in scenario.faults}
    for name, routine in scenario.routines.items():
        terms = [outlook.terms(entry) for entry in outlook.entries if entry.arrival.routine == name]
        retries = [one.queue.retry for one in terms or [terms_of(scenario, None, name)]]
        attempts = max((retry.attempts_in_all for retry in retries if retry.retried), default=1)
        why = []
        if attempts > 1:
            why.append(f"up to {attempts} attempts")
        if name in by_hand:
            why.append("it is run again by hand")
        if routine.queue in twice:
            why.append("a job of its queue is handed out twice")
        for place, part in enumerate(routine.parts):
            if part.effect is not None and part.repeatable is False and why and not _fenced(outlook, part):
                yield (
                    ("routines", name, "parts", place, "repeatable"),
                    f"{part.effect} must not happen twice, and can: {', '.join(why)}, "
                    "and no system with a fence refuses the second",
                )


def age_of_single_results(outlook: Outlook) -> Iterator[Said]:
    """The age of the last good result is asked for, where no target is to have a second one."""
    scenario = outlook.scenario
    asked = [
        (key, place, one)
        for key in ("must_hold", "also_true")
        for place, one in enumerate(getattr(scenario, key))
        if one.measure == "effect_age_longest"
    ]
    if not asked:
        return
    often = {arrival.label for arrival in scenario.arrivals if _comes_again(outlook, arrival)}
    comes: dict[tuple[str, str], int] = {}
    for aim in aims(outlook.loaded, scenario):
        for target in aim.targets:
            comes[aim.effect, target] = comes.get((aim.effect, target), 0) + (2 if aim.entry in often else 1)
    for key, place, one in asked:
        found = [times for (effect, _), times in comes.items() if one.effect in (None, effect)]
        if max(found, default=0) <= 1:
            which = "each target gets one result in this run" if found else "each target is another one for each job"
            yield (
                (key, place, "measure"),
                f"{which}, so its age says nothing of the next: name by `target` what is kept, "
                "and let the run hold the job more than once",
            )


def _comes_again(outlook: Outlook, arrival: Arrival) -> bool:
    """Say whether an entry may bring more than one job."""
    if arrival.recurs is not None:
        return len(outlook.due(arrival)) > 1 or arrival.batch != 1
    return arrival.at is None or arrival.days is not None or (arrival.count or 1) > 1


def _fenced(outlook: Outlook, part: Part) -> bool:
    system = (part.effect_in or part.calls or "").partition("/")[0]
    return system in outlook.scenario.systems and outlook.scenario.systems[system].fenced != "no"


def elements_not_given(outlook: Outlook) -> Iterator[Said]:
    """What a part is done for each of, or takes its time by, is not given by an arrival: it counts as nothing."""
    for entry in outlook.entries:
        given = entry.arrival.parameters
        for part in _each(entry.routine):
            if not outlook.elements(entry.arrival, part):
                what = "is empty" if part.for_each in given else "is not given"
                yield ("arrivals", entry.place), f"the list {part.for_each} {what}: {part.name} is done not once"
        for part in entry.routine.parts:
            name = entry.routine.grows_with(part)
            if name and name not in given and entry.arrival.trace is None:
                yield ("arrivals", entry.place), f"{name} is not given: {part.name} takes no more than its base"


def _each(routine: Routine) -> list[Part]:
    return [part for part in routine.parts if part.for_each is not None]


def prerequisite_never_comes(outlook: Outlook) -> Iterator[Said]:
    """Some jobs wait for jobs that another entry does not bring, or for a last one that nobody can know of."""
    arrivals = {entry.arrival.label: entry.arrival for entry in outlook.entries}
    for entry in outlook.entries:
        mine = _jobs_of(outlook, entry.arrival)
        for loc, before in _befores(entry):
            first = arrivals[before.entry]
            if before.jobs == "all":
                yield from _last_unknown(outlook, loc, before.entry, first)
                continue
            theirs = first.count if first.at is None or first.count is not None else 1
            if before.number is None and entry.arrival.at is not None and theirs is not None and theirs < (mine or 0):
                wait = f"{(mine or 0) - theirs} wait for ever"
                yield loc, f"{before.entry} brings {theirs} jobs at most, and {mine} wait for them: {wait}"


def _befores(entry: Entry) -> Iterator[tuple[Loc, Prerequisite]]:
    """List what the jobs of an entry wait for, each with its place."""
    place: Loc = ("arrivals", entry.place, "after")
    after = entry.arrival.after
    if isinstance(after, Prerequisite):
        yield place, after
        return
    inside = (*place, "any_of") if isinstance(after, FirstOf) else place
    for number, before in enumerate(entry.arrival.befores):
        yield (*inside, number), before


def _jobs_of(outlook: Outlook, arrival: Arrival) -> int | None:
    """Say how many jobs an entry brings in this run, None where that is not stated."""
    if arrival.days or not isinstance(arrival.batch, int):
        return None
    if arrival.at is not None:
        return 1 if arrival.count is None else arrival.count
    if arrival.recurs is not None:
        due = len(outlook.due(arrival)) * arrival.batch
        return due if arrival.count is None else min(due, arrival.count)
    return arrival.count if arrival.again_after is None else None


def _last_unknown(outlook: Outlook, loc: Loc, label: str, arrival: Arrival) -> Iterator[Said]:
    """Nobody knows of a rate without an end which of its jobs is the last, before the night is over."""
    if arrival.at is not None or arrival.recurs is not None or arrival.trace is not None:
        return
    night = outlook.clock.night_begins(1)
    bounded = arrival.count is not None and arrival.again_after is None
    if (
        not bounded
        and (arrival.ends is None or arrival.ends >= outlook.scenario.lasts)
        and night >= outlook.scenario.lasts
    ):
        known = "`until`" if arrival.again_after is not None else "`until` or `count`"
        yield (
            loc,
            f"the last job of {label} is known when the run is over, so these jobs wait for ever: give it {known}",
        )


def waits_for_one_of_many(outlook: Outlook) -> Iterator[Said]:
    """A job waits for one job of an entry that brings more of them."""
    arrivals = {entry.arrival.label: entry.arrival for entry in outlook.entries}
    for entry in outlook.entries:
        mine = _jobs_of(outlook, entry.arrival)
        for loc, before in _befores(entry):
            theirs = _jobs_of(outlook, arrivals[before.entry])
            if before.jobs == "all" or before.number is not None or mine is None or theirs is None:
                continue
            if 0 < mine < theirs:
                yield (
                    loc,
                    f"{entry.arrival.label}#{mine} waits for {before.entry}#{mine} only; {before.entry} has {theirs} "
                    "jobs: write `jobs: all` to wait for the last of them",
                )


def waits_for_a_later_night(outlook: Outlook) -> Iterator[Said]:
    """A job waits for jobs that are due long after it, because a night begins at the clock time of the start."""
    arrivals = {entry.arrival.label: entry.arrival for entry in outlook.entries}
    for entry in outlook.entries:
        for loc, before in _befores(entry):
            first = arrivals[before.entry]
            if before.jobs != "all" or entry.arrival.recurs is None or first.recurs is None:
                continue
            mine, theirs = outlook.due(entry.arrival), outlook.due(first)
            for tick in mine[:1]:
                night = outlook.clock.night_of(tick)
                last = max((due for due in theirs if outlook.clock.night_of(due) == night), default=tick)
                if last - tick > _LONG_AFTER:
                    at, late = (f"{outlook.clock.local(one):%H:%M}" for one in (tick, last))
                    yield (
                        loc,
                        f"{entry.arrival.label}, due at {at}, waits for {before.entry} of the same night, due at "
                        f"{late}: a night begins with the scenario, at {outlook.clock.starts:%H:%M}; "
                        "let it start in between",
                    )


_LONG_AFTER: Final = 12 * HOUR


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


_MOST_PAUSES = 10_000
"""Beyond so many pauses the last one is taken for all that follow."""


def span(retry: Retry, hint: int = 0) -> int:
    """Give the longest time from the first error to the last retry, in ticks, the attempts themselves left aside.

    ``hint`` is the retry-after hint that comes with each refusal.

    >>> span(Retry(attempts_in_all=4, pause="exponential", first=20, longest=60)), span(Retry(attempts_in_all=4))
    (120, 0)
    """
    if "error" not in retry.retried:
        return 0
    total, pauses = 0, retry.attempts_in_all - 1
    hint = hint if retry.respects_retry_after else 0
    for number in range(1, min(pauses, _MOST_PAUSES) + 1):
        total += max(_pause(retry, number), hint)
        if retry.total_limit is not None and total > retry.total_limit:
            return retry.total_limit
    if pauses > _MOST_PAUSES:
        total += (pauses - _MOST_PAUSES) * max(_pause(retry, _MOST_PAUSES), hint)
    return total if retry.total_limit is None else min(total, retry.total_limit)


def _pause(retry: Retry, number: int) -> int:
    """Give the longest pause before the retry that follows an attempt, in ticks."""
    ceiling = float(retry.longest) if retry.longest is not None else 1e18
    if retry.pause == "none":
        return 0
    if retry.jitter == "decorrelated":
        return round(min(ceiling, retry.first * 3.0 ** min(number, 100)))
    if retry.pause == "constant":
        return round(min(ceiling, retry.first))
    if retry.pause == "linear":
        return round(min(ceiling, float(retry.first) * number))
    grown = 1.0
    for _ in range(number - 1):
        grown *= retry.grows_by
        if grown > ceiling or retry.grows_by == 1:
            break
    return round(min(ceiling, retry.first * grown))


def pauses_outlast_night(outlook: Outlook) -> Iterator[Said]:
    """The pauses between all attempts together are longer than the run."""
    found: dict[Loc, Retry] = {
        ("queues", queue, "retry"): settings.retry for queue, settings in outlook.scenario.queues.items()
    }
    found |= {outlook.stated(own, "retry"): own.queue.retry for own in map(outlook.terms, outlook.entries)}
    for loc, retry in found.items():
        longest = span(retry)
        if longest >= outlook.scenario.lasts:
            yield (
                loc,
                f"the pauses between {retry.attempts_in_all} attempts add up to {_at_most(longest)}, "
                f"and the run lasts {say(outlook.scenario.lasts)}: the last attempts never come",
            )


def _at_most(ticks: int) -> str:
    return say(ticks) if ticks < 10**16 else "more than 300 years"


def _calling(outlook: Outlook, system: str) -> Iterator[Entry]:
    """List the entries whose jobs call a system."""
    for entry in outlook.entries:
        if any((part.calls or "").partition("/")[0] == system for part in entry.routine.parts):
            yield entry


def _asking(entry: Entry, system: str, hint: int) -> int:
    """Give the longest time for which a job asks a system again inside one attempt, in ticks."""
    asks = [part.asks_again for part in entry.routine.parts if (part.calls or "").partition("/")[0] == system]
    names = ("pause", "first", "grows_by", "longest", "jitter")
    pauses = [
        Retry(attempts_in_all=one.times + 1, **{name: getattr(one, name) for name in names}) for one in asks if one
    ]
    return max((span(retry, hint) for retry in pauses), default=0)


def retries_end_in_outage(outlook: Outlook) -> Iterator[Said]:
    """All attempts can be used up before an outage that is foreseen is over."""
    for loc, system, begins, length in _outages(outlook):
        found = {entry.routine.queue: outlook.terms(entry).queue.retry for entry in _calling(outlook, system)}
        for queue, retry in found.items():
            hint = outlook.scenario.systems[system].retry_after or 0
            asking = max(_asking(entry, system, hint) for entry in _calling(outlook, system))
            longest = span(retry, hint) + retry.attempts_in_all * asking
            lasting = min(length, outlook.scenario.lasts - begins)
            if longest < lasting:
                yield (
                    loc,
                    f"{system} is down for {say(lasting)}, and the last retry of {queue} comes "
                    f"{say(longest)} after the first error: jobs fail before it is back",
                )


def _outages(outlook: Outlook) -> Iterator[tuple[tuple[str | int, ...], str, int, int]]:
    """List the stated outages: path, system, when, how long."""
    lasts = outlook.scenario.lasts
    for name, system in outlook.scenario.systems.items():
        for place, outage in enumerate(system.outages):
            if outage.ends > 0 and outage.begins < lasts:
                begins = max(outage.begins, 0)
                yield ("systems", name, "outages", place), name, begins, outage.ends - begins
    for place, fault in enumerate(outlook.scenario.faults):
        if fault.system_outage is None or fault.gaps is not None:
            continue
        begins = fault.at if fault.at is not None else fault.begins or 0
        if fault.lasts is not None:
            length = law_of(fault.lasts).p95()
        else:
            length = (fault.ends if fault.ends is not None else lasts) - begins
        if begins < lasts:
            yield ("faults", place), fault.system_outage, begins, length


def grant_late(outlook: Outlook) -> Iterator[Said]:
    """A grant takes effect only when jobs have used up their retries."""
    scenario = outlook.scenario
    for place, grant in enumerate(scenario.access):
        in_force = grant.given + law_of(grant.in_force_after).p95()
        system = grant.to.partition("/")[0]
        for entry in _calling(outlook, system):
            pools = outlook.pools_of(entry.routine.queue)
            if not any(outlook.may_mean(grant.who, pool) for pool in pools):
                continue
            retry, hint = outlook.terms(entry).queue.retry, scenario.systems[system].retry_after or 0
            longest = span(retry, hint) + retry.attempts_in_all * _asking(entry, system, hint)
            first = _first(outlook, entry)
            if first is not None and first + longest < in_force:
                yield (
                    ("access", place),
                    f"it is in force at {outlook.clock.local(in_force):%H:%M} (p95), and jobs of "
                    f"{entry.arrival.label} that come at {outlook.clock.local(first):%H:%M} have their last retry "
                    f"within {say(longest)}",
                )


def _first(outlook: Outlook, entry: Entry) -> int | None:
    """Give the tick at which the first job of an entry may come; None if a trace knows it, or if none comes."""
    arrival = entry.arrival
    if arrival.trace is not None:
        return None
    if arrival.recurs is not None:
        return next(iter(outlook.due(arrival)), None)
    first = arrival.at if arrival.at is not None else arrival.begins
    return max(first, arrival.not_before or 0)


def credential_ends_early(outlook: Outlook) -> Iterator[Said]:
    """A credential ends before the work that shows it."""
    scenario = outlook.scenario
    for place, credential in enumerate(scenario.credentials):
        if credential.ends is not None and credential.ends < scenario.lasts:
            when = "before the run" if credential.ends <= 0 else "during the run"
            said = f"{outlook.clock.local(credential.ends):%Y-%m-%d %H:%M}"
            yield ("credentials", place, "ends"), f"it ends {when}, at {said}: from then on every call is refused"
        if credential.life is None:
            continue
        if credential.renewed_every is not None and credential.renewed_every < credential.life:
            continue
        if credential.issued == "at_start":
            if credential.life < scenario.lasts:
                yield (
                    ("credentials", place, "life"),
                    f"it is issued once, lives {say(credential.life)} and is not renewed in time, "
                    f"and the run lasts {say(scenario.lasts)}",
                )
            continue
        for entry in _calling(outlook, credential.to.partition("/")[0]):
            pools = outlook.pools_of(entry.routine.queue)
            longest = outlook.longest(entry)
            if credential.life < longest and any(outlook.may_mean(credential.who, pool) for pool in pools):
                yield (
                    ("credentials", place, "life"),
                    f"it lives {say(credential.life)} and is not renewed in time, and the p95 of "
                    f"{entry.arrival.routine} is {say(round(longest))}: it ends in the middle of long work",
                )
