"""The part of the fold that follows effects: what jobs leave behind, how often, and under which token.

An effect that is not safe to repeat is counted per target within the family of its job: the attempts of one job, and
the jobs resubmitted from it, are meant to do a thing once. The same effect on one target from jobs that have nothing to
do with each other is kept apart: it may well be meant.
"""

from array import array
from collections.abc import Callable

from emulator.measure.executions import Executions
from emulator.measure.night import FAMILY, Repeat
from emulator.record.events import Row

__all__ = ["Effects"]


class Effects(Executions):
    """Follows effects; ``NightFold`` adds the jobs."""

    def __init__(self) -> None:
        super().__init__()
        self._landed: dict[tuple[int, str], int] = {}
        self._refused_effects: dict[tuple[int, str], int] = {}
        self._late: dict[int, int] = {}
        self._after_end: dict[int, int] = {}
        self._calls: dict[str, array[int]] = {}
        self._unrepeatable: dict[tuple[int, str, str], int] = {}

    def _standing(self, number: int) -> tuple[int, int]:
        """Give a job's kind, and the token of the lease that the broker holds to be valid; 0: none."""
        raise NotImplementedError

    def _has_ended(self, number: int) -> bool:
        """Say whether a job is done or has failed."""
        raise NotImplementedError

    def _effect_handlers(self) -> dict[str, Callable[[Row], None]]:
        return {
            "effect_landed": self._effect_landed,
            "effect_refused": self._effect_refused,
            "call_ended": self._call_ended,
        }

    def _call_ended(self, row: Row) -> None:
        system, outcome, took = row[7:10]
        if outcome != "no_access":  # which never reached the system
            self._calls.setdefault(system, array("q")).append(row[0] - took)

    def _effect_landed(self, row: Row) -> None:
        at, _, _, number, worker, _, token, effect, target, repeatable = row
        kind, valid = self._standing(number)
        if token != valid:
            self._late[number] = self._late.get(number, 0) + 1
            if self._has_ended(number):
                self._after_end[number] = self._after_end.get(number, 0) + 1
        self._table.count_effect(number)
        work = self._at_work.get(number)
        began = at if work is None else work[0]
        self._landings.lands((at, number, token, worker, effect, target), began)
        self._landed[kind, effect] = self._landed.get((kind, effect), 0) + 1
        if repeatable is not True:  # False, or "checks_first": checking first does not make it safe
            key = (self._table.value(number, FAMILY), effect, target)
            self._unrepeatable[key] = self._unrepeatable.get(key, 0) + 1

    def _effect_refused(self, row: Row) -> None:
        key = (self._standing(row[3])[0], row[7])
        self._refused_effects[key] = self._refused_effects.get(key, 0) + 1

    def _repeats(self) -> tuple[Repeat, ...]:
        return tuple(Repeat(*key, times) for key, times in sorted(self._unrepeatable.items()) if times > 1)

    def _shared(self) -> dict[tuple[str, str], int]:
        landings: dict[tuple[str, str], list[int]] = {}
        for (_, effect, target), times in self._unrepeatable.items():
            landings.setdefault((effect, target), []).append(times)
        return {key: sum(times) for key, times in sorted(landings.items()) if len(times) > 1}
