"""What happened in one attempt: who took it, what became of its worker, why its lease ended, what came after that?"""

from collections.abc import Iterator
from typing import Any, Final, NamedTuple

from emulator.measure.story.attempts import Attempt, Work
from emulator.measure.story.facts import MOST_CITED, Fact
from emulator.measure.story.surroundings import Surroundings
from emulator.record.events import Row
from emulator.record.reasons import FINISHED, LEASE_RAN_OUT, OWN_CLOCK, TOLD_LOST, WORKER_SILENT

__all__ = ["Loss", "facts_of_attempt", "last_renewal", "loss_of"]


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


def facts_of_attempt(around: Surroundings, came: Row, attempt: Attempt) -> Iterator[Fact]:
    """Give the facts of one attempt; its effects are told elsewhere."""
    yield _taken(around, came, attempt)
    for work in attempt.work:
        if work.worker != attempt.worker:
            fault = around.latest("fault_began", work.event, p5="hand_out_twice")
            because = (fault[0],) if fault is not None else ()
            values = {"worker": work.worker, "first": attempt.worker, "token": attempt.token}
            yield Fact("doubled", work.began, (work.event, attempt.event), because, values)
        yield from _troubles(around, attempt, work)
    for number, row in attempt.of_kind("lease_forgotten"):
        yield Fact("forgotten", row[0], (number,), (), {"worker": attempt.worker, "token": attempt.token})
    for number, row in attempt.of_kind("call_served_late"):
        yield Fact("served_late", row[0], (number,), (), {"system": row[7], "attempt": attempt.number})
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


def _taken(around: Surroundings, came: Row, attempt: Attempt) -> Fact:
    own = attempt.own
    values: dict[str, Any] = {
        "worker": attempt.worker,
        "attempt": attempt.number,
        "token": attempt.token,
        "lease": attempt.lease,
        "until": attempt.until,
        "renewed": around.settings.queue(came[7]).renewed,
        "began": own.began if own is not None else -1,
    }
    events = (attempt.event,) if own is None else (attempt.event, own.event)
    return Fact("taken", attempt.at, events, (), values)


def _troubles(around: Surroundings, attempt: Attempt, work: Work) -> Iterator[Fact]:
    """Give what happened to a worker while it worked, and as long as its lease was out."""
    last = max(work.stop or 1 << 62, attempt.end if work.worker == attempt.worker else 0)
    for number, row in around.changes(work.worker):
        if not work.event < number <= last or row[5] not in _TELLING or (row[5] in _BACK and not row[6]):
            continue
        if work.stop and number > work.stop and row[5] != "off" and work.why != FINISHED:
            continue
        fault = _fault_behind(around, number)
        values = {"worker": work.worker, "state": row[5], "why": row[6], "fault": fault, "attempt": attempt.number}
        stopped = work.stop and around.source.one(work.stop)[2] == number
        yield Fact("trouble", row[0], (number, work.stop) if stopped else (number,), (), values)
    for number, row in around.kind("worker_speed_changed"):
        if row[4] == work.worker and work.event < number < (work.stop or 1 << 62):
            yield Fact("speed", row[0], (number,), (), {"worker": work.worker, "speed": row[5]})


_BACK: Final = frozenset({"idle", "busy"})
_TELLING: Final = frozenset({"off", "frozen", "cut_off", "idle", "busy", "draining"})


def _fault_behind(around: Surroundings, event: int) -> str:
    """Name the kind of fault that is the root of an event, "" if it is none."""
    root = around.source.one(around.causes.chain(event)[-1])
    return str(root[5]) if root[1] == "fault_began" else ""


def _parts(attempt: Attempt) -> Iterator[Fact]:
    """Give how far an attempt came that did not end well."""
    parts = attempt.of_kind("part_finished")
    if attempt.outcome in ("ok", "handed_back") or not parts:
        return
    number, row = parts[-1]
    values = {"worker": row[4], "attempt": attempt.number, "count": len(parts), "part": row[7], "element": row[8]}
    yield Fact("parts", row[0], (number, *(one for one, _ in parts[:-1]))[:MOST_CITED], (), values)


def _unanswered(around: Surroundings, attempt: Attempt) -> Iterator[Fact]:
    waits, lost = attempt.of_kind("outcome_unanswered"), attempt.of_kind("message_lost")
    own = attempt.own
    if own is None or not own.stop or not (waits or lost):
        return
    lost = [one for one in lost if one[1][5] == "outcome"]
    last = (lost or waits)[-1]
    fault = around.fault_on(own.worker, ("lose_results", "cut_link"), last[1][0])
    down = around.latest("broker_down", last[0]) if not lost else None
    because = tuple(event for event in (fault, down[0] if down is not None else 0) if event)
    cited = (own.stop, *(number for number, _ in waits), *(number for number, _ in lost))
    values = {"worker": own.worker, "lost": len(lost), "last": last[1][0], "down": down is not None}
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


def _renewals(around: Surroundings, came: Row, attempt: Attempt) -> Iterator[Fact]:
    renewals = attempt.of_kind("lease_renewed")
    if renewals and around.settings.scenario.heartbeats == "simulated":  # else only some of them are events
        number, row = renewals[-1]
        values = {"worker": row[4], "count": len(renewals), "until": row[6], "last": row[0]}
        yield Fact("beats", row[0], (number, *(one for one, _ in renewals[:-1]))[:MOST_CITED], (), values)
        return
    last = last_renewal(attempt)
    if last > attempt.at and around.settings.queue(came[7]).renewed and not _extended(around, attempt):
        values = {"worker": attempt.worker, "count": 0, "until": attempt.nominal, "last": last}
        yield Fact("beats", last, (attempt.end, attempt.event), (), values)


def _extended(around: Surroundings, attempt: Attempt) -> bool:
    """Say whether an outage of the broker moved the end of a lease."""
    if around.settings.scenario.broker.leases_during_outage != "extend":
        return False
    return any(attempt.event < number < attempt.end for number, _ in around.kind("broker_up"))


def loss_of(around: Surroundings, came: Row, attempt: Attempt) -> Loss:
    """Say why the lease of an attempt was lost."""
    if attempt.why not in (LEASE_RAN_OUT, WORKER_SILENT):
        return Loss(attempt.why)
    worker, own = attempt.worker, attempt.own
    trouble = around.trouble(worker, attempt.event, attempt.end)
    if trouble is not None:
        return Loss(trouble[1][5], trouble[1][0], (trouble[0],))
    if own is None:
        return Loss("never_began", attempt.at, ())
    if own.stop and own.stop < attempt.end:
        return Loss("unanswered", own.stopped, (own.stop,))
    if not around.settings.queue(came[7]).renewed:
        return Loss("fixed")
    fault = around.fault_on(worker, ("lose_heartbeats",), attempt.nominal)
    if fault:
        return Loss("heartbeats_lost", around.source.one(fault)[0], (fault,))
    fault = around.fault_on(worker, ("skew_clock",), attempt.nominal)
    return Loss("no_heartbeat", -1, (fault,) if fault else ())


def _ended(around: Surroundings, came: Row, attempt: Attempt) -> Fact:
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
        renewed = around.settings.queue(came[7]).renewed and attempt.ended - attempt.at > attempt.lease
        values["kept"] = bool(renewed and attempt.outcome == "ok")
        return Fact("ended", attempt.ended, events, _behind_outcome(around, came, attempt), values)
    loss = loss_of(around, came, attempt)
    values |= {"how": loss.how, "since": loss.since, "last": last_renewal(attempt), "handed_out": attempt.at}
    if attempt.why == WORKER_SILENT:
        declared = around.latest("worker_declared_lost", attempt.end + 1, p4=attempt.worker)
        values["last"] = declared[1][6] if declared is not None else -1
    return Fact("lost", attempt.ended, events, loss.because, values)


def _behind_outcome(around: Surroundings, came: Row, attempt: Attempt) -> tuple[int, ...]:
    """Give the event about a system, a tool or a poisoned job that led to a bad outcome."""
    calls = attempt.of_kind("call_ended")
    bad = calls and calls[-1][1][8] != "ok"
    if bad and attempt.outcome != "ok":
        number, row = calls[-1]
        system = row[7]
        access = max(
            (
                found[0]
                for kind, place in (("access_changed", "p6"), ("credential_changed", "p6"))
                if (found := around.latest(kind, number, **{place: system})) is not None
            ),
            default=0,
        )
        state = around.latest("system_changed", number, p5=system)
        if row[8] == "no_access":
            return (number, access) if access else (number,)
        return (number, state[0]) if state is not None and state[1][6] != "up" else (number,)
    if around.lacked_tool(came, attempt):
        changed = around.latest("equipment_changed", attempt.end, p4=attempt.worker)
        return (changed[0],) if changed is not None else ()
    fault = None
    if attempt.outcome == "error":
        fault = around.latest("fault_began", attempt.end, p5="poison_job", p8=f"{came[8]}#{came[9]}")
    return (fault[0],) if fault is not None else ()


def _afterwards(around: Surroundings, attempt: Attempt, work: Work) -> Iterator[Fact]:
    """Give what a worker did once its lease was over: how long it worked on, what it was told, what was refused."""
    told = [one for one in attempt.of_kind("worker_notified") if one[1][4] == work.worker and one[1][6] == "lease_lost"]
    stale = [one for one in attempt.of_kind("stale_refused") if one[1][4] == work.worker]
    renewals = [number for number, row in stale if row[6] == "renewal"]
    others = [one for one in stale if one[1][6] not in ("renewal", "effect")]
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
    if told and (number := told[0][0]):
        stopped = work.stop > number and work.why == TOLD_LOST
        events = (number, *((work.stop,) if stopped else ()), *renewals)[:MOST_CITED]
        yield Fact("learnt", told[0][1][0], events, (attempt.end,), {**values, "stopped": stopped})
    elif renewals:
        at = next(row[0] for number, row in stale if number == renewals[0])
        yield Fact("renewal_refused", at, tuple(renewals[:MOST_CITED]), (attempt.end,), {**values, "what": "renewal"})
    if late and work.why != TOLD_LOST:
        yield Fact("worked_on", work.stopped, (work.stop, attempt.end), (), values)
    elif 0 < work.stop < attempt.end and work.why == OWN_CLOCK:
        yield Fact("stopped_itself", work.stopped, (work.stop,), (), values)
    for number, row in others:
        yield Fact("refused", row[0], (number,), (attempt.end,) if attempt.end else (), {**values, "what": row[6]})
    if over >= 0 and not work.stop:
        yield Fact("works_still", over, (attempt.end, work.event), (), values)
