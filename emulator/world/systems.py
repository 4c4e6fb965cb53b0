"""Takes the calls to other systems: lets them wait, serves, refuses or ends them; takes systems down and slows them.

A ``Call`` is one call to a system: who makes it, what it leaves behind, and where it stands.

The law: a call passes three things in order, and each is first come, first served:

1. the door: while the system is down it is refused; without a token of the rate limit it is refused or waits. An effect
   that lands at the request lands here, at the instant of the call, unless the call is refused at once;
2. what it meets: the system may still be working on an earlier request for the same target;
3. the line for a slot; who would have to wait in a full line is refused, its token used. Then it is served for a drawn
   time.

A caller that gives up or dies does not free the system: its call keeps its place and its slot, is served, and leaves
its effect there (``abandoned_calls: drop`` is the alternative, for callers that give up: the dead cancel nothing).
That is what keeps a storm of repeated calls alive. An error leaves nothing, save what landed at the request. A caller
that stands still has a patience that does so too: at its thaw it takes an answer that has come meanwhile, else it gives
up if it is overdue. No caller is answered within its own call: ``done`` is called by an entry of the agenda, at the
same instant for a refusal.

The law: an outage is one outage, however many reasons it has: the stated ones and that of a fault are counted together,
and the system is up again when the last of them ends. It ends what is served in an error at that instant, and refuses
what waits and what comes. A brown-out stretches the time in service; when it changes, only what remains is rescaled.
Whether an answer is an error is decided as it is given, by the share of errors at that instant.
"""

from collections import OrderedDict, deque
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Final

from emulator.errors import DefectError
from emulator.record.events import Sink
from emulator.scenario.models import System
from emulator.timeline.agenda import ENDS, FAULTS, Agenda
from emulator.timeline.bucket import TokenBucket
from emulator.world.draws import Distribution, Draws, Purpose
from emulator.world.sampling import sampling_of

__all__ = [
    "ATTACHED",
    "ENDED",
    "IN_LINE",
    "IN_SERVICE",
    "Call",
    "SystemState",
    "Systems",
]


IN_LINE: Final = "in line"
IN_SERVICE: Final = "in service"
ATTACHED: Final = "attached"
ENDED: Final = "ended"

Land = Callable[[], bool | None]
Done = Callable[[str, int | None], None]


class Call:
    """One call that a part makes to a system.

    Attributes:
        job, attempt, token, worker: who calls, which is given as ``caller``.
        key: of its draws: made of the job's key, the attempt, the part and element, and which call of them it is.
        system, target: whom it calls, and what the effect is left on.
        effect, scope: which effect, and which family of jobs: an earlier call with the same target, effect and scope
            is the caller's own work. Left empty, the target alone decides.
        patience: ticks after which the caller gives up; None: as long as the system's own callers wait.
        error_share: errors that come on top of the system's own.
        lands: when the effect lands (``at_request``, ``at_end``, ``remotely``; None: there is none), by ``land()``.
            If ``land()`` gives False, a fence refused the write, and the answer is an error.
        done: what to call with the outcome and the hint when to come again. Whoever has died sets it to None.
        cause: number of the event that led to the call.
        event: number of the latest event about this call; 0 before the first.
        ordered: the answer that somebody has asked for; "" for the system's own.
        is_frozen, is_overdue: whether the caller stands still, and whether its patience has ended meanwhile.
        since: tick at which it was made; ``place``: where it stands now.
    """

    __slots__ = (
        "attached",
        "attempt",
        "cause",
        "done",
        "effect",
        "ends_at",
        "error_share",
        "event",
        "if_already_in_progress",
        "is_frozen",
        "is_overdue",
        "job",
        "key",
        "land",
        "lands",
        "left",
        "ordered",
        "patience",
        "place",
        "scope",
        "served_since",
        "since",
        "system",
        "target",
        "token",
        "worker",
    )

    def __init__(self, caller: tuple[int, int, int, str], key: int, system: str, done: Done | None = None) -> None:
        self.job, self.attempt, self.token, self.worker = caller
        self.key = key
        self.system = system
        self.done = done
        self.target = self.effect = self.scope = ""
        self.cause = 0
        self.patience: int | None = None
        self.if_already_in_progress = "error"
        self.lands: str | None = None
        self.land: Land | None = None
        self.error_share = 0.0
        self.event = 0
        self.ordered = ""
        self.since = 0
        self.place = IN_LINE
        # while it is served: work left at `served_since` (ticks as long as there is no brown-out), and its end
        self.left: Fraction | int = 0
        self.served_since = 0
        self.ends_at = -1
        self.is_frozen = False
        self.is_overdue = False
        self.attached: list[Call] = []

    @property
    def own(self) -> tuple[str, str, str]:
        """Name the piece of remote work that this call asks for."""
        return self.target, self.effect, self.scope

    def with_waiters(self) -> list["Call"]:
        """Give this call and those that wait for the same answer."""
        return [self, *(each for each in self.attached if each.place is ATTACHED)]


class SystemState:
    """One system: who waits at its door and in its line, whom it serves, and what has happened to it.

    Attributes:
        at_door: calls that wait for a token of the rate limit, in order; ``line``: those that wait for a slot.
        serving: calls in service; ``own``: the earliest call in line or in service for each remote piece of work.
        opens_at: tick at which the door is next looked at, -1 if none is due.
        is_down, outages: whether a fault took it down, and how many of its stated outages are under way.
        ordered: what somebody has asked that it answers next, each with the hint of a refusal.
        factor, error_share: the brown-out, and the share of errors in place of its own (None: its own).
    """

    __slots__ = ("at_door", "bucket", "error_share", "factor", "is_down", "law", "line", "model", "name", "opens_at",
                 "ordered", "outages", "own", "refuses_when_empty", "serving")  # fmt: skip

    def __init__(self, name: str, model: System, law: Distribution, now: int) -> None:
        self.name = name
        self.model = model
        self.law = law
        limit = model.limit
        self.bucket = TokenBucket(limit.burst, limit.allows, limit.each, now) if limit else None
        self.refuses_when_empty = limit is not None and limit.when_empty == "refuse"
        self.at_door: OrderedDict[Call, None] = OrderedDict()
        self.line: OrderedDict[Call, None] = OrderedDict()
        self.serving: OrderedDict[Call, None] = OrderedDict()
        self.own: dict[tuple[str, str, str], Call] = {}
        self.opens_at = -1
        self.is_down = False
        self.outages = 0
        self.factor = Fraction(1)
        self.error_share: float | None = None
        self.ordered: deque[tuple[str, int | None]] = deque()

    @property
    def is_out(self) -> bool:
        return self.is_down or self.outages > 0

    @property
    def is_full(self) -> bool:
        return self.model.slots is not None and len(self.serving) >= self.model.slots

    @property
    def has_full_line(self) -> bool:
        most = self.model.waiting_at_most
        return most is not None and len(self.at_door) + len(self.line) >= most

    def answer_time(self, call: Call, draws: Draws) -> int:
        """Draw how long the system works on a call, in ticks, without a brown-out."""
        return self.law.sample(draws.row(Purpose.SYSTEM_ANSWER, call.key))

    def answers_with_error(self, call: Call, draws: Draws) -> bool:
        """Draw whether the answer to a call is an error, by the share of errors as it is now."""
        share = self.model.error_share if self.error_share is None else self.error_share
        share += call.error_share - share * call.error_share
        return bool(share) and draws.uniform(Purpose.CALL_ERROR, call.key) < share

    @property
    def state(self) -> str:
        if self.is_out:
            return "down"
        if self.factor != 1:
            return "brown_out"
        return "up" if self.error_share is None else "errors"


_PATIENCE: Final = 1 << 59
"""Added to a token where a caller gives up: at one instant the end of its lease, and its time limit, go first."""


class Systems:
    """All systems of a scenario, with the calls in them and what happens to them.

    Each method that changes a system gives False, and changes nothing, when that is how it was already.

    Args:
        systems: what the scenario says of each, by name.
        agenda: what is due; its present tick is the time of every answer.
        sink: takes the events ``call_ended``, ``call_served_late`` and ``system_changed``.
        draws: gives answer times and errors, keyed by the call.
    """

    __slots__ = ("_agenda", "_draws", "_sink", "_systems")

    def __init__(self, systems: Mapping[str, System], agenda: Agenda, sink: Sink, draws: Draws) -> None:
        self._agenda = agenda
        self._sink = sink
        self._draws = draws
        self._systems: dict[str, SystemState] = {}
        for name, model in systems.items():
            law = sampling_of(model.answers_in)
            if law is None:
                raise DefectError(f"the system {name} answers in a traced time: only a part can take that")
            self._systems[name] = SystemState(name, model, law, agenda.now)

    def load(self, system: str) -> tuple[int, int]:
        """Give how many calls a system serves and how many wait, those of callers that have gone included."""
        found = self._systems[system]
        return len(found.serving), len(found.at_door) + len(found.line)

    # -- calls ------------------------------------------------------------------------------------------------------

    def call(self, call: Call) -> None:
        """Take a call; its outcome comes later in this instant at the earliest, by ``call.done(outcome, hint)``.

        The outcome is ``ok``, ``error``, ``refused`` (with the system's hint in ticks, if it has one), ``abandoned``
        (the caller's patience has ended) or ``in_progress`` (an earlier request for the same target is under way).
        """
        agenda, system = self._agenda, self._systems[call.system]
        now = call.since = agenda.now
        bucket = system.bucket
        if system.is_out:
            self.turn_away(call, "refused", system.model.retry_after)
            return
        if system.ordered and system.ordered[0][0] == "refused":
            _, hint = system.ordered.popleft()
            self.turn_away(call, "refused", system.model.retry_after if hint is None else hint)
            return
        if bucket is not None and (system.at_door or not bucket.take(now)):
            if system.refuses_when_empty or system.has_full_line:
                self.turn_away(call, "refused", system.model.retry_after)
                return
            if not self._lands_now(call):
                return
            call.place = IN_LINE
            system.at_door[call] = None
            self._watch_door(system)
        else:
            self._admit(system, call)
        patience = call.patience if call.patience is not None else system.model.patience
        if patience is not None and call.place is not ENDED:
            agenda.at(now + patience, self._give_up, call, ENDS, call.job, _PATIENCE + call.token)

    def freeze(self, call: Call) -> None:
        """Let the caller of a call stand still: its patience ends at its thaw at the earliest."""
        call.is_frozen = True

    def thaw(self, call: Call) -> None:
        """Let the caller go on; one whose patience has ended meanwhile gives up now, unless the call has ended."""
        call.is_frozen = False
        if call.is_overdue:
            self._give_up(call)

    def hang_up(self, call: Call) -> None:
        """Let the caller give up by a timeout of its own: the call stays where it is, and nobody is told of its end."""
        if call.done is not None and call.place is not ENDED:
            self._record(call, "abandoned", call.cause)
        call.done = None

    def turn_away(self, call: Call, outcome: str, retry_after: int | None = None) -> None:
        """End a call that is not served, such as one without access; ``done`` is called later in this instant."""
        self._end(call, outcome)
        self._tell(call, outcome, retry_after)

    def _watch_door(self, system: SystemState) -> None:
        opens = system.bucket.when(self._agenda.now) if system.bucket is not None else None
        if opens is not None and opens != system.opens_at:
            system.opens_at = opens
            self._agenda.at(opens, self._open_door, system)

    def _open_door(self, system: SystemState) -> None:
        now, bucket = self._agenda.now, system.bucket
        if system.opens_at == now:
            system.opens_at = -1
        while bucket is not None and system.at_door and bucket.take(now):
            call, _ = system.at_door.popitem(last=False)
            self._admit(system, call)
        if system.at_door:
            self._watch_door(system)

    def _admit(self, system: SystemState, call: Call) -> None:
        is_remote = call.lands == "remotely"
        earlier = system.own.get(call.own) if is_remote else None
        if earlier is not None:
            if call.if_already_in_progress == "wait":
                call.place = ATTACHED
                earlier.attached.append(call)
            else:
                self.turn_away(call, "ok" if call.if_already_in_progress == "ok" else "in_progress")
            return
        if system.is_full and system.has_full_line:
            self.turn_away(call, "refused", system.model.retry_after)
            return
        if not self._lands_now(call):
            return
        if is_remote:
            system.own[call.own] = call
        if system.is_full:
            call.place = IN_LINE
            system.line[call] = None
        else:
            self._serve(system, call)

    def _lands_now(self, call: Call) -> bool:
        """Land what lands at the request, once; False if a fence refuses it, which ends the call with an error."""
        if call.lands == "at_request" and call.land is not None:
            land, call.land = call.land, None
            if land() is False:
                self.turn_away(call, "error")
                return False
        return True

    def _serve(self, system: SystemState, call: Call) -> None:
        call.place = IN_SERVICE
        if system.ordered and system.ordered[0][0] != "refused":
            call.ordered, _ = system.ordered.popleft()
        system.serving[call] = None
        call.left = system.answer_time(call, self._draws)
        self._set_end(system, call)

    def _set_end(self, system: SystemState, call: Call) -> None:
        call.served_since = now = self._agenda.now
        call.ends_at = now + (round(call.left * system.factor) if system.factor != 1 else round(call.left))
        self._agenda.at(call.ends_at, self._answer, call)

    def _answer(self, call: Call) -> None:
        if call.place is not IN_SERVICE or call.ends_at != self._agenda.now:
            return  # rescaled, or ended by an outage: another entry answers it, or none does
        system = self._systems[call.system]
        outcome = call.ordered or ("error" if system.answers_with_error(call, self._draws) else "ok")
        lands = call.lands == "remotely" or (call.lands == "at_end" and call.done is not None)
        if lands and outcome == "ok" and call.land is not None and call.land() is False:
            outcome = "error"
        self._leave(system, call)
        self._end(call, outcome, was_served=True)
        together = call.with_waiters()
        for each in together[1:]:
            self._end(each, outcome)
        self._advance(system)
        for each in together:
            if each.done is not None:
                each.done(outcome, None)

    def _give_up(self, call: Call) -> None:
        done = call.done
        if call.place is ENDED or done is None:
            return
        if call.is_frozen:
            call.is_overdue = True
            return
        system = self._systems[call.system]
        self._record(call, "abandoned", call.cause)
        call.done = None
        if call.place is ATTACHED:
            call.place = ENDED
        elif system.model.abandoned_calls == "drop" and len(call.with_waiters()) == 1:
            self._leave(system, call)
            call.place = ENDED
            self._advance(system)
        done("abandoned", None)

    def _leave(self, system: SystemState, call: Call) -> None:
        for row in (system.serving, system.line, system.at_door):
            row.pop(call, None)
        if system.own.get(call.own) is call:
            del system.own[call.own]

    def _advance(self, system: SystemState) -> None:
        while system.line and not system.is_full:
            call, _ = system.line.popitem(last=False)
            self._serve(system, call)

    def _end(self, call: Call, outcome: str, cause: int | None = None, was_served: bool = False) -> None:
        """Let a call end: its caller will be told, or it was served late, or nobody is left to notice."""
        call.place = ENDED
        if call.done is not None:
            self._record(call, outcome, call.cause if cause is None else cause)
        elif was_served:
            row = (self._agenda.now, "call_served_late", call.event or call.cause, call.job, call.worker)
            call.event = self._sink.emit((*row, call.attempt, call.token, call.system))

    def _record(self, call: Call, outcome: str, cause: int) -> None:
        now = self._agenda.now
        row = (now, "call_ended", cause, call.job, call.worker, call.attempt, call.token)
        call.event = self._sink.emit((*row, call.system, outcome, now - call.since))

    def _tell(self, call: Call, outcome: str, retry_after: int | None) -> None:
        self._agenda.at(self._agenda.now, _deliver, (call, outcome, retry_after))

    # -- what happens to the systems themselves -----------------------------------------------------------------------

    def start(self) -> None:
        """Put the stated outages of every system on the agenda; called once, before anything runs."""
        for system in self._systems.values():
            for outage in system.model.outages:
                if outage.ends > self._agenda.now:  # else it was over before the start
                    self._agenda.at(outage.begins, self._outage_begins, system, rank=FAULTS)
                    self._agenda.at(outage.ends, self._outage_ends, system, rank=FAULTS)

    def order(self, system: str, outcome: str, hint: int | None, times: int) -> None:
        """Let the next calls to a system be answered so: a refusal as it is made, others as they have been served."""
        self._systems[system].ordered.extend([(outcome, hint)] * times)

    def set_down(self, cause: int, system: str) -> bool:
        """Take a system down: calls in service end in error now, calls that wait or come are refused.

        Gives False, and changes nothing, when it was taken down by this method before.
        """
        found = self._systems[system]
        if found.is_down:
            return False
        was_out, found.is_down = found.is_out, True
        if not was_out:
            self._shut(cause, found)
        return True

    def set_up(self, cause: int, system: str) -> bool:
        """End what ``set_down`` began; a stated outage goes on. Gives False when there was nothing to end."""
        found = self._systems[system]
        if not found.is_down:
            return False
        found.is_down = False
        if not found.is_out:
            self._changed(cause, found)
        return True

    def set_brown_out(self, cause: int, system: str, factor: float) -> bool:
        """Let answers take ``factor`` times as long from now on, what remains of those under way included.

        A factor of 1 ends it. Gives False when the factor is what it was.
        """
        found, exact = self._systems[system], Fraction(str(factor))
        if exact <= 0:
            raise DefectError(f"the system {system} was given the brown-out factor {factor}: it must be above 0")
        if exact == found.factor:
            return False
        before, found.factor = found.factor, exact
        for call in found.serving:
            call.left = max(Fraction(0), call.left - (self._agenda.now - call.served_since) / before)
            self._set_end(found, call)
        self._changed(cause, found)
        return True

    def set_error_share(self, cause: int, system: str, share: float | None) -> bool:
        """Let this share of answers be errors in place of the system's own share; None ends it.

        Gives False when that is how it was.
        """
        found = self._systems[system]
        if found.error_share == share:
            return False
        found.error_share = share
        self._changed(cause, found)
        return True

    def _outage_begins(self, system: SystemState) -> None:
        was_out = system.is_out
        system.outages += 1
        if not was_out:
            self._shut(0, system)

    def _outage_ends(self, system: SystemState) -> None:
        system.outages -= 1
        if not system.is_out:
            self._changed(0, system)

    def _changed(self, cause: int, system: SystemState) -> int:
        return self._sink.emit((self._agenda.now, "system_changed", cause, 0, "", system.name, system.state))

    def _shut(self, cause: int, system: SystemState) -> None:
        event = self._changed(cause, system)
        served = [each for call in system.serving for each in call.with_waiters()]
        waiting = [each for row in (system.line, system.at_door) for call in row for each in call.with_waiters()]
        for row in (system.serving, system.line, system.at_door):
            row.clear()
        system.own.clear()
        for call in served:
            self._end(call, "error", event)
            self._tell(call, "error", None)
        for call in waiting:
            self._end(call, "refused", event)
            self._tell(call, "refused", system.model.retry_after)


def _deliver(told: tuple[Call, str, int | None]) -> None:
    call, outcome, retry_after = told
    if call.done is not None:
        call.done(outcome, retry_after)
