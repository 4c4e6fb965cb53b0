"""What does another system do with the calls that reach it: refuse them, let them wait, answer them?

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
"""

from collections.abc import Mapping
from typing import Final

from emulator.errors import DefectError
from emulator.record.events import Sink
from emulator.scenario.models import System
from emulator.timeline.agenda import ENDS, Agenda
from emulator.world.draws import Draws
from emulator.world.sampling_of import sampling_of
from emulator.world.system_state import ATTACHED, ENDED, IN_LINE, IN_SERVICE, Call, SystemState

__all__ = ["Service"]

_PATIENCE: Final = 1 << 59
"""Added to a token where a caller gives up: at one instant the end of its lease, and its time limit, go first."""


class Service:
    """Serves the calls to all systems of a scenario; ``Systems`` adds what happens to the systems themselves.

    Args:
        systems: what the scenario says of each, by name.
        agenda: what is due; its present tick is the time of every answer.
        sink: takes the events ``call_ended`` and ``call_served_late``.
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


def _deliver(told: tuple[Call, str, int | None]) -> None:
    call, outcome, retry_after = told
    if call.done is not None:
        call.done(outcome, retry_after)
