"""Are the retries long enough for what can be foreseen, and short enough for the night?"""

from collections.abc import Iterator

from emulator.scenario.hazards.outlook import Entry, Loc, Outlook, Said, law_of
from emulator.scenario.models.queues import Retry
from emulator.timeline.ticks import say

__all__ = ["credential_ends_early", "grant_late", "pauses_outlast_night", "retries_end_in_outage", "span"]

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
