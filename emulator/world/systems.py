"""What does another system do with the calls that reach it: refuse them, let them wait, answer them?

The law: a call passes three things in order, and each is first come, first served:

1. the door: while the system is down it is refused; without a token of the rate limit it is refused or waits;
2. what it meets: the system may still be working on an earlier request for the same target;
3. the line for a slot; who would have to wait in a full line is refused. Then it is served for a drawn time.

A caller that gives up or dies does not free the system: its call keeps its place and its slot, is served, and leaves
its effect there (``leaves_line_if_abandoned`` is the alternative, for callers that give up: the dead cancel nothing).
That is what keeps a storm of repeated calls alive. Time in service is stretched by a brown-out; when that changes, only
what remains is rescaled. Whether an answer is an error is decided as it is given. No caller is answered within its
own call: ``done`` is called by an entry of the agenda, at the same instant for a refusal.
"""

from collections.abc import Mapping
from fractions import Fraction

from emulator.errors import DefectError
from emulator.record.events import Sink
from emulator.scenario.models import System
from emulator.timeline.agenda import ENDS, FAULTS, Agenda
from emulator.world.calls import ATTACHED, ENDED, IN_LINE, IN_SERVICE, Call
from emulator.world.draws import Draws
from emulator.world.system_state import SystemState

__all__ = ["Call", "Systems"]


class Systems:
    """All systems of a scenario, with the calls in them.

    Args:
        systems: what the scenario says of each, by name.
        agenda: what is due; its present tick is the time of every answer.
        sink: takes the events ``call_ended``, ``call_served_late`` and ``system_changed``.
        draws: gives answer times and errors, keyed by the call.
    """

    __slots__ = ("_agenda", "_draws", "_sink", "_systems")

    def __init__(self, systems: Mapping[str, System], agenda: Agenda, sink: Sink, draws: Draws) -> None:
        from emulator.world.sampling_of import sampling_of

        self._agenda = agenda
        self._sink = sink
        self._draws = draws
        self._systems: dict[str, SystemState] = {}
        for name, model in systems.items():
            law = sampling_of(model.answers_in)
            if law is None:
                raise DefectError(f"the system {name} answers in a traced time: only a part can take that")
            self._systems[name] = SystemState(name, model, law, agenda.now)

    def start(self) -> None:
        """Put the stated outages of every system on the agenda; called once, before anything runs."""
        for system in self._systems.values():
            for outage in system.model.outages:
                if outage.ends > self._agenda.now:  # else it was over before the start
                    self._agenda.at(outage.begins, self._outage_begins, system, rank=FAULTS)
                    self._agenda.at(outage.ends, self._outage_ends, system, rank=FAULTS)

    def load(self, system: str) -> tuple[int, int]:
        """Give how many calls a system serves and how many wait, those of callers that have gone included."""
        found = self._systems[system]
        return len(found.serving), len(found.at_door) + len(found.line)

    # -- calls ------------------------------------------------------------------------------------------------------

    def call(self, call: Call) -> None:
        """Take a call; its outcome comes later in this instant at the earliest, by ``call.done(outcome, hint)``.

        The outcome is ``ok``, ``error``, ``refused`` (with the system's hint in ticks, if it has one), ``abandoned``
        (the caller's patience has ended) or ``in progress`` (an earlier request for the same target is under way).
        """
        agenda, system = self._agenda, self._systems[call.system]
        now = call.since = agenda.now
        bucket = system.bucket
        if system.is_out:
            self.turn_away(call, "refused", system.model.retry_after)
            return
        if bucket is not None and (system.at_door or not bucket.take(now)):
            if system.refuses_when_empty or system.has_full_line:
                self.turn_away(call, "refused", system.model.retry_after)
                return
            call.place = IN_LINE
            system.at_door[call] = None
            self._watch_door(system)
        else:
            self._admit(system, call)
        patience = call.patience if call.patience is not None else system.model.patience
        if patience is not None and call.place is not ENDED:
            agenda.at(now + patience, self._give_up, call, rank=ENDS, key=call.job, second=call.token)

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
            if call.meets_own_work == "wait":
                call.place = ATTACHED
                earlier.attached.append(call)
            else:
                self.turn_away(call, "ok" if call.meets_own_work == "ok" else "in progress")
            return
        if system.is_full and system.has_full_line:
            self.turn_away(call, "refused", system.model.retry_after)
            return
        if is_remote:
            system.own[call.own] = call
        if system.is_full:
            call.place = IN_LINE
            system.line[call] = None
        else:
            self._serve(system, call)

    def _serve(self, system: SystemState, call: Call) -> None:
        call.place = IN_SERVICE
        system.serving[call] = None
        call.left = system.answer_time(call, self._draws)
        if call.lands == "at_request" and call.land is not None:
            call.is_refused_by_fence = call.land() is False
        self._set_end(system, call)

    def _set_end(self, system: SystemState, call: Call) -> None:
        call.served_since = now = self._agenda.now
        call.ends_at = now + (round(call.left * system.factor) if system.factor != 1 else round(call.left))
        self._agenda.at(call.ends_at, self._answer, call)

    def _answer(self, call: Call) -> None:
        if call.place is not IN_SERVICE or call.ends_at != self._agenda.now:
            return  # rescaled, or ended by an outage: another entry answers it, or none does
        system = self._systems[call.system]
        outcome = "error" if call.is_refused_by_fence or system.answers_with_error(call, self._draws) else "ok"
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
        system = self._systems[call.system]
        self._record(call, "abandoned", call.cause)
        call.done = None
        if call.place is ATTACHED:
            call.place = ENDED
        elif system.model.leaves_line_if_abandoned and len(call.with_waiters()) == 1:
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

    # -- what happens to a system -----------------------------------------------------------------------------------

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
