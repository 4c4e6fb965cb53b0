"""What happens to the systems themselves: outages, brown-outs, bursts of errors?

The law: an outage is one outage, however many reasons it has: the stated ones and that of a fault are counted together,
and the system is up again when the last of them ends. It ends what is served in an error at that instant, and refuses
what waits and what comes. A brown-out stretches the time in service; when it changes, only what remains is rescaled.
Whether an answer is an error is decided as it is given, by the share of errors at that instant.
"""

from fractions import Fraction

from emulator.errors import DefectError
from emulator.timeline.agenda import FAULTS
from emulator.world.service import Service
from emulator.world.system_state import Call, SystemState

__all__ = ["Call", "Systems"]


class Systems(Service):
    """All systems of a scenario, with the calls in them and what happens to them.

    Built like ``Service``; its sink takes the event ``system_changed`` too. Each method that changes a system gives
    False, and changes nothing, when that is how it was already.
    """

    __slots__ = ()

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
