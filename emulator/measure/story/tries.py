"""Gives the facts of one attempt: who took it, what became of its worker, why its lease ended, its effects.

Effects are counted in the family of a job (the jobs that were resubmitted from one another), as they are meant to be
left once. What went as it should is told in one fact for each attempt, what did not in one for each effect.
"""

from collections.abc import Iterator
from typing import Any, Final, NamedTuple

from emulator.measure.story.facts import MOST_CITED, Fact
from emulator.measure.story.surroundings import Surroundings
from emulator.record.event_view import EventView
from emulator.record.history import Attempt, Job, Work
from emulator.record.reasons import FINISHED, LEASE_RAN_OUT, OWN_CLOCK, TOLD_LOST, WORKER_SILENT

__all__ = [
    "Loss",
    "facts_of_attempt",
    "landings",
    "last_renewal",
    "loss_of",
]


class Loss(NamedTuple):
    """Why a lease was lost.

    Attributes:
        how: off, frozen, cut_off, unanswered, heartbeats_lost, never_began, fixed, no_heartbeat; or what the broker
            says: withdrawn, forgotten by the broker.
        since: the tick since which that was so, -1 if there is none.
        because: numbers of the events that show it.
    """

    how: str
    since: int = -1
    because: tuple[int, ...] = ()


def facts_of_attempt(around: Surroundings, came: EventView, attempt: Attempt) -> Iterator[Fact]:
    """Give the facts of one attempt; its effects are told elsewhere."""
    yield _taken(around, came, attempt)
    for work in attempt.work:
        if work.worker != attempt.worker:
            fault = around.latest("fault_began", work.event, fault="hand_out_twice")
            because = (fault.event,) if fault is not None else ()
            values = {"worker": work.worker, "first": attempt.worker, "token": attempt.token}
            yield Fact("doubled", work.began, (work.event, attempt.event), because, values)
        yield from _troubles(around, attempt, work)
    for event in attempt.of_kind("lease_forgotten"):
        yield Fact("forgotten", event.at, (event.event,), (), {"worker": attempt.worker, "token": attempt.token})
    for event in attempt.of_kind("call_served_late"):
        yield Fact("served_late", event.at, (event.event,), (), {"system": event.system, "attempt": attempt.number})
    yield from _parts(attempt)
    yield from _unanswered(around, attempt)
    yield from _renewals(around, came, attempt)
    if attempt.outcome == "handed_back":
        values = {"worker": attempt.worker, "attempt": attempt.number}
        yield Fact("handed_back", attempt.ended, (attempt.end,), (), values)
    elif attempt.end:
        yield _ended(around, came, attempt)
    for work in attempt.work:
        yield from _afterwards(around, attempt, work)


def _taken(around: Surroundings, came: EventView, attempt: Attempt) -> Fact:
    own = attempt.own
    values: dict[str, Any] = {
        "worker": attempt.worker,
        "attempt": attempt.number,
        "token": attempt.token,
        "lease": attempt.lease,
        "until": attempt.until,
        "renewed": around.settings.queue(came.queue).renewed,
        "began": own.began if own is not None else -1,
    }
    events = (attempt.event,) if own is None else (attempt.event, own.event)
    return Fact("taken", attempt.at, events, (), values)


def _troubles(around: Surroundings, attempt: Attempt, work: Work) -> Iterator[Fact]:
    """Give what happened to a worker while it worked, and as long as its lease was out."""
    last = max(work.stop or 1 << 62, attempt.end if work.worker == attempt.worker else 0)
    for change in around.changes(work.worker):
        state = change.state
        if not work.event < change.event <= last or state not in _TELLING or (state in _BACK and not change.why):
            continue
        if work.stop and change.event > work.stop and state != "off" and work.why != FINISHED:
            continue
        fault = _fault_behind(around, change.event)
        values = {
            "worker": work.worker,
            "state": state,
            "why": change.why,
            "fault": fault,
            "attempt": attempt.number,
        }
        stopped = work.stop and around.source.one(work.stop).cause == change.event
        yield Fact("trouble", change.at, (change.event, work.stop) if stopped else (change.event,), (), values)
    for event in around.kind("worker_speed_changed"):
        if event.worker == work.worker and work.event < event.event < (work.stop or 1 << 62):
            yield Fact("speed", event.at, (event.event,), (), {"worker": work.worker, "speed": event.speed})


_BACK: Final = frozenset({"idle", "busy"})
_TELLING: Final = frozenset({"off", "frozen", "cut_off", "idle", "busy", "draining"})


def _fault_behind(around: Surroundings, event: int) -> str:
    """Name the kind of fault that is the root of an event, "" if it is none."""
    root = around.source.one(around.causes.chain(event)[-1])
    return root.fault if root.kind == "fault_began" else ""


def _parts(attempt: Attempt) -> Iterator[Fact]:
    """Give how far an attempt came that did not end well."""
    parts = attempt.of_kind("part_finished")
    if attempt.outcome in ("ok", "handed_back") or not parts:
        return
    last = parts[-1]
    values = {
        "worker": last.worker,
        "attempt": attempt.number,
        "count": len(parts),
        "part": last.part,
        "element": last.element,
    }
    yield Fact("parts", last.at, (last.event, *(part.event for part in parts[:-1]))[:MOST_CITED], (), values)


def _unanswered(around: Surroundings, attempt: Attempt) -> Iterator[Fact]:
    waits, lost = attempt.of_kind("outcome_unanswered"), attempt.of_kind("message_lost")
    own = attempt.own
    if own is None or not own.stop or not (waits or lost):
        return
    lost = [message for message in lost if message.what == "outcome"]
    last = (lost or waits)[-1]
    fault = around.fault_on(own.worker, ("lose_results", "cut_link"), last.at)
    down = around.latest("broker_down", last.event) if not lost else None
    because = tuple(event for event in (fault, down.event if down is not None else 0) if event)
    cited = (own.stop, *(event.event for event in (*waits, *lost)))
    values = {"worker": own.worker, "lost": len(lost), "last": last.at, "down": down is not None}
    yield Fact("unanswered", own.stopped, cited[:MOST_CITED], because, values)


# -- heartbeats and the end of a lease ----------------------------------------------------------------------------


def last_renewal(attempt: Attempt) -> int:
    """Give the tick of the last renewal of a lease that ran out, its hand-out if there was none; -1: not known.

    Regular heartbeats are not in the events, but the end of the lease is, and a renewal moves that to its own tick plus
    the length of the lease.
    """
    if attempt.why != LEASE_RAN_OUT:
        return -1
    at = attempt.nominal - attempt.lease
    return at if at >= attempt.at else -1


def _renewals(around: Surroundings, came: EventView, attempt: Attempt) -> Iterator[Fact]:
    renewals = attempt.of_kind("lease_renewed")
    if renewals and around.settings.scenario.heartbeats == "simulated":  # else only some of them are events
        beat = renewals[-1]
        values = {"worker": beat.worker, "count": len(renewals), "until": beat.lease_until, "last": beat.at}
        cited = (beat.event, *(before.event for before in renewals[:-1]))[:MOST_CITED]
        yield Fact("beats", beat.at, cited, (), values)
        return
    last = last_renewal(attempt)
    if last > attempt.at and around.settings.queue(came.queue).renewed and not _extended(around, attempt):
        values = {"worker": attempt.worker, "count": 0, "until": attempt.nominal, "last": last}
        yield Fact("beats", last, (attempt.end, attempt.event), (), values)


def _extended(around: Surroundings, attempt: Attempt) -> bool:
    """Say whether an outage of the broker moved the end of a lease."""
    if around.settings.scenario.broker.leases_during_outage != "extend":
        return False
    return any(attempt.event < event.event < attempt.end for event in around.kind("broker_up"))


def loss_of(around: Surroundings, came: EventView, attempt: Attempt) -> Loss:
    """Say why the lease of an attempt was lost."""
    if attempt.why not in (LEASE_RAN_OUT, WORKER_SILENT):
        return Loss(attempt.why)
    worker, own = attempt.worker, attempt.own
    trouble = around.trouble(worker, attempt.event, attempt.end)
    if trouble is not None:
        return Loss(trouble.state, trouble.at, (trouble.event,))
    if own is None:
        return Loss("never_began", attempt.at, ())
    if own.stop and own.stop < attempt.end:
        return Loss("unanswered", own.stopped, (own.stop,))
    if not around.settings.queue(came.queue).renewed:
        return Loss("fixed")
    fault = around.fault_on(worker, ("lose_heartbeats",), attempt.nominal)
    if fault:
        return Loss("heartbeats_lost", around.source.one(fault).at, (fault,))
    fault = around.fault_on(worker, ("skew_clock",), attempt.nominal)
    return Loss("no_heartbeat", -1, (fault,) if fault else ())


def _ended(around: Surroundings, came: EventView, attempt: Attempt) -> Fact:
    own = attempt.own
    values: dict[str, Any] = {
        "worker": attempt.worker,
        "attempt": attempt.number,
        "outcome": attempt.outcome,
        "why": attempt.why,
        "values": attempt.values,
        "took": attempt.ended - attempt.at,
        "late": attempt.ended - attempt.nominal,
    }
    events = (attempt.end, own.stop) if own is not None and 0 < own.stop < attempt.end else (attempt.end,)
    if attempt.outcome != "lease_lost":
        renewed = around.settings.queue(came.queue).renewed and attempt.ended - attempt.at > attempt.lease
        values["kept"] = bool(renewed and attempt.outcome == "ok")
        return Fact("ended", attempt.ended, events, _behind_outcome(around, came, attempt), values)
    loss = loss_of(around, came, attempt)
    values |= {"how": loss.how, "since": loss.since, "last": last_renewal(attempt), "handed_out": attempt.at}
    if attempt.why == WORKER_SILENT:
        declared = around.latest("worker_declared_lost", attempt.end + 1, worker=attempt.worker)
        values["last"] = declared.last_heard if declared is not None else -1
    return Fact("lost", attempt.ended, events, loss.because, values)


def _behind_outcome(around: Surroundings, came: EventView, attempt: Attempt) -> tuple[int, ...]:
    """Give the event about a system, a tool or a poisoned job that led to a bad outcome."""
    calls = attempt.of_kind("call_ended")
    if calls and calls[-1].outcome != "ok" and attempt.outcome != "ok":
        call = calls[-1]
        if call.outcome == "no_access":
            told = (
                around.latest(kind, call.event, system=call.system) for kind in ("access_changed", "credential_changed")
            )
            access = max((event.event for event in told if event is not None), default=0)
            return (call.event, access) if access else (call.event,)
        system = around.latest("system_changed", call.event, system=call.system)
        return (call.event, system.event) if system is not None and system.state != "up" else (call.event,)
    because = None
    if around.lacked_tool(came, attempt):
        because = around.latest("equipment_changed", attempt.end, worker=attempt.worker)
    elif attempt.outcome == "error":
        because = around.latest("fault_began", attempt.end, fault="poison_job", target=f"{came.entry}#{came.ordinal}")
    return (because.event,) if because is not None else ()


def _afterwards(around: Surroundings, attempt: Attempt, work: Work) -> Iterator[Fact]:
    """Give what a worker did once its lease was over: how long it worked on, what it was told, what was refused."""
    notices = [event for event in attempt.of_kind("worker_notified") if event.worker == work.worker]
    learnt = next((event for event in notices if event.what == "lease_lost"), None)
    stale = [event for event in attempt.of_kind("stale_refused") if event.worker == work.worker]
    renewals = [event for event in stale if event.what == "renewal"]
    over = attempt.ended if attempt.ended >= 0 and attempt.outcome != "handed_back" else -1
    late = over >= 0 and work.stop > attempt.end
    values = {
        "worker": work.worker,
        "attempt": attempt.number,
        "token": attempt.token,
        "after": work.stopped - max(over, work.began),
        "worked": work.executed(max(over, work.began), around.until),
        "why": work.why,
        "values": work.values,
    }
    refusals = tuple(event.event for event in renewals)
    if learnt is not None:
        stopped = work.stop > learnt.event and work.why == TOLD_LOST
        events = (learnt.event, *((work.stop,) if stopped else ()), *refusals)[:MOST_CITED]
        yield Fact("learnt", learnt.at, events, (attempt.end,), {**values, "stopped": stopped})
    elif renewals:
        refused = {**values, "what": "renewal"}
        yield Fact("renewal_refused", renewals[0].at, refusals[:MOST_CITED], (attempt.end,), refused)
    if late and work.why != TOLD_LOST:
        yield Fact("worked_on", work.stopped, (work.stop, attempt.end), (), values)
    elif 0 < work.stop < attempt.end and work.why == OWN_CLOCK:
        yield Fact("stopped_itself", work.stopped, (work.stop,), (), values)
    for event in stale:
        if event.what not in ("renewal", "effect"):
            because = (attempt.end,) if attempt.end else ()
            yield Fact("refused", event.at, (event.event,), because, {**values, "what": event.what})
    if over >= 0 and not work.stop:
        yield Fact("works_still", over, (attempt.end, work.event), (), values)


def landings(around: Surroundings, job: Job) -> Iterator[Fact]:
    """Give the facts about the effects of one job."""
    first = _first_landings(around, job.number)
    normal: dict[int, list[EventView]] = {}
    for event in job.of_kind("effect_landed", "effect_refused", "effect_found"):
        attempt = job.attempt_under(event.token)
        before = [landed for landed in first.get((event.effect, event.target), ()) if landed < event.event]
        values = _values(around, job.submission, event)
        if event.kind == "effect_refused":
            because = (attempt.end,) if attempt is not None and 0 < attempt.end < event.event else ()
            yield Fact("effect_refused", event.at, (event.event,), because, {**values, "why": event.why})
            continue
        if event.kind == "effect_found":
            yield Fact("effect_found", event.at, (event.event,), tuple(before[-1:]), values)
            continue
        late = attempt is None or (attempt.end != 0 and event.event > attempt.end)
        again = bool(before) and event.repeatable is not True
        if not late and not again:
            normal.setdefault(event.token, []).append(event)
            continue
        values |= {"times": len(before) + 1, "late": late, "again": again}
        ended = (attempt.end,) if late and attempt is not None else ()
        yield Fact("landed", event.at, (event.event,), (*ended, *before[:1]), values)
    for token, landed in normal.items():
        last = landed[-1]
        attempt = job.attempt_under(token)
        values = {
            **_values(around, job.submission, last),
            "count": len(landed),
            "targets": tuple(event.target for event in landed[:3]),
            "effects": tuple(dict.fromkeys(event.effect for event in landed)),
            "ok": attempt is not None and attempt.outcome == "ok",
        }
        cited = (last.event, *(event.event for event in landed[:-1]))[:MOST_CITED]
        yield Fact("left", last.at, cited, (), values)


def _first_landings(around: Surroundings, job: int) -> dict[tuple[str, str], list[int]]:
    """Give the events by which each effect landed on each target, from the whole family of a job."""
    found: dict[tuple[str, str], list[int]] = {}
    for member in around.family(job):
        for event in around.source.of_job(member):
            if event.kind == "effect_landed":
                found.setdefault((event.effect, event.target), []).append(event.event)
    return {key: sorted(numbers) for key, numbers in found.items()}


def _values(around: Surroundings, came: EventView, event: EventView) -> dict[str, object]:
    part = around.settings.part(came.routine, event.effect)
    return {
        "worker": event.worker,
        "attempt": event.attempt,
        "token": event.token,
        "effect": event.effect,
        "target": event.target,
        "system": around.settings.fence(part)[0] if part is not None else "",
    }
