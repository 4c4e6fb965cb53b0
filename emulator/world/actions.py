"""Carries out what people do in the course of the night, and undoes what lasts for a time only.

Each act is told by ``action_taken``; what follows names that event as its cause. If it is refused, ``action_refused``
follows with the reason; what cannot even be tried (there is no such job) is told by that alone. Acts share the rank of
faults and go after all faults of the same instant, in file order. What ``lasts`` is undone after that time: a hold is
released, a suspended job resumed. An act that was refused is not undone. While the broker is down nothing reaches it:
what falls due then is refused, the undoing of an earlier act too.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from emulator.record.reasons import EVENT_REASONS, NONE, Because
from emulator.scenario.models.distribution import DrawnNumber
from emulator.scenario.models.faults import ACTION_KINDS, Action, Target, kind_of
from emulator.scenario.models.scenario import Scenario
from emulator.timeline.agenda import FAULTS
from emulator.world.control import Control
from emulator.world.draws import Purpose, entity_key
from emulator.world.fault_effects import why_missed
from emulator.world.faults import choose, workers_of
from emulator.world.sampling import drawn_number, sampling_of
from emulator.world.worker import RunContext
from emulator.world.worker_lifecycle import WorkerLifecycle

__all__ = ["Actions", "action_keys"]

_UNDONE_BY: Final[Mapping[str, str]] = {"hold": "release", "suspend": "resume", "hold_queue": "release_queue"}


class _Undoing(NamedTuple):
    kind: str
    place: int
    target: str
    event: int


class Actions:
    """Everything that people do in one run.

    Args:
        context: what is due (actions join its rank of faults), who takes ``action_taken`` and ``action_refused``.
        control: does what is done to jobs, routines and queues; lifecycle: to workers.
        scenario: gives the actions, and how many faults go before them.
    """

    __slots__ = (
        "_agenda",
        "_coming",
        "_control",
        "_draws",
        "_emit",
        "_keys",
        "_lifecycle",
        "_pools",
        "_refusal",
        "_scenario",
        "_workers",
    )

    def __init__(self, context: RunContext, control: Control, lifecycle: WorkerLifecycle, scenario: Scenario) -> None:
        self._agenda, self._emit, self._draws = context.agenda, context.emit, context.draws
        self._workers, self._pools = context.workers, context.pools
        self._control, self._lifecycle = control, lifecycle
        self._scenario = scenario
        self._refusal = NONE
        self._keys = action_keys(scenario.actions)
        self._coming: dict[str, int] = {}  # by whom or what it is done to: how often something still will be

    def start(self) -> None:
        """Put every action on the agenda; called once, before anything runs."""
        for place, action in enumerate(self._scenario.actions):
            at = action.at
            if action.late_by is not None:
                late = sampling_of(action.late_by)
                assert late is not None  # only what a part takes comes from a trace
                at += late.sample(self._draws.row(Purpose.LATENESS, self._keys[place]))
            if action.share_of_nights and at < self._scenario.lasts:
                self._agenda.at(at, self._act, place, FAULTS, self._key(place))
                self._expect(action, 1)

    def will_do_to(self, target: str) -> bool:
        """Say whether anything is still to be done to a job, a queue or a routine by its name."""
        return self._coming.get(target, 0) > 0

    def _expect(self, action: Action, change: int) -> None:
        aim = getattr(action, str(kind_of(action, ACTION_KINDS)))
        if isinstance(aim, str):
            self._coming[aim] = self._coming.get(aim, 0) + change

    def _key(self, place: int) -> int:
        return len(self._scenario.faults) + place + 1

    def act_now(self, action: Action, place: int) -> Because:
        """Do at this instant what nobody wrote down before; give the reason if it is refused.

        ``place`` is what events call it by, beyond those of the scenario.
        """
        self._refusal = NONE
        self._do_action(action, place)
        return self._refusal

    def _act(self, place: int) -> None:
        action = self._scenario.actions[place]
        self._expect(action, -1)
        self._do_action(action, place)

    def _do_action(self, action: Action, place: int) -> None:
        kind = kind_of(action, ACTION_KINDS)
        assert kind is not None  # the model sees to it
        aim = getattr(action, kind)
        if kind == "drain":
            self._let_leave(place, kind, aim, action)
            return
        event = self._do(kind, place, aim, 0, action)
        if event and (over := self._over(action)) is not None:
            undoing = _Undoing(_UNDONE_BY[kind], place, aim, event)
            self._agenda.at(over, self._undo, undoing, FAULTS, self._key(place), 1)
            self._expect(action, 1)

    def _with_its_speed(self, action: Action, place: int) -> Action:
        """Give a new version with the speed that is drawn for it."""
        if not isinstance(action.speed, DrawnNumber):
            return action
        entity = self._keys[place] if place < len(self._keys) else action_keys((action,))[0]
        uniform = self._draws.uniform(Purpose.FAULT_STRENGTH, entity)
        return action.model_copy(update={"speed": drawn_number(action.speed, uniform)})

    def _over(self, action: Action) -> int | None:
        """Give the tick at which something is undone that is done now, None if it never is."""
        return action.ends if action.lasts is None else self._agenda.now + action.lasts

    def _undo(self, what: _Undoing) -> None:
        self._coming[what.target] -= 1
        self._do(what.kind, what.place, what.target, what.event, None)

    def _do(self, kind: str, place: int, target: str, cause: int, action: Action | None) -> int:
        """Do one thing to one target; give the number of ``action_taken``, 0 if it was refused."""
        control, job = self._control, 0
        if kind in ("new_version", "hold_queue", "release_queue"):
            event = self._tell_taken(kind, place, target, cause)
            if kind == "new_version":
                assert action is not None  # a new version is never an undoing
                why = why_missed(control.new_version(event, target, self._with_its_speed(action, place)))
            else:
                why = control.do_to_queue(kind, event, target)
        else:
            entry, _, ordinal = target.rpartition("#")
            job = control.job_of(entry, int(ordinal))
            if not job:
                self._tell_refused(kind, place, target, cause, "no_such_job_yet")
                return 0
            event = self._tell_taken(kind, place, target, cause, job)
            why = control.run_again(event, job) if kind == "run_again" else control.do_to_job(kind, event, job)
        if why:
            self._tell_refused(kind, place, target, event, why, job)
            return 0
        return event

    def _let_leave(self, place: int, kind: str, aim: str | tuple[str, ...] | Target, action: Action) -> None:
        if isinstance(aim, Target):
            # without a name known by its pool and its time: at one time, fewer of a pool are among more of it
            unnamed = ("action", kind, aim.pool, action.at)
            identity = unnamed if action.name is None else ("named action", action.name)
            leaving = choose(self._draws, identity, 1, aim, self._pools[aim.pool])
        else:
            leaving = workers_of(aim, self._workers, self._pools)
        for worker in leaving:
            event = self._tell_taken(kind, place, worker.name, 0, worker=worker.name)
            back_after = None
            if action.back_after is not None:
                key = entity_key("action", kind, action.name or action.at, worker.name)
                law = sampling_of(action.back_after)
                assert law is not None  # only what a part takes comes from a trace
                back_after = law.sample(self._draws.row(Purpose.FAULT_REPAIR, key, 1))
            why = why_missed(self._lifecycle.drain(event, worker, back_after, self._over(action)), "told_already")
            if why:
                self._tell_refused(kind, place, worker.name, event, why, worker=worker.name)
        if not leaving:
            named = aim.pool if isinstance(aim, Target) else aim if isinstance(aim, str) else ", ".join(aim)
            self._tell_refused(kind, place, named, 0, "no_such_workers")

    # -- what is told -----------------------------------------------------------------------------------------------

    def _tell_taken(self, kind: str, place: int, target: str, cause: int, job: int = 0, worker: str = "") -> int:
        row = (self._agenda.now, "action_taken", cause, job, worker, kind, f"actions[{place}]", target)
        return self._emit(row)

    def _tell_refused(
        self, kind: str, place: int, target: str, cause: int, why: str, job: int = 0, worker: str = ""
    ) -> None:
        values = {"queue": target} if EVENT_REASONS.get(why) else {}  # only what is refused to a queue has any
        self._refusal = Because(why, values)
        row = (self._agenda.now, "action_refused", cause, job, worker, kind, f"actions[{place}]", target, why)
        self._emit((*row, values) if values else row)


def action_keys(actions: Sequence[Action]) -> list[int]:
    """Give for each action the key of what is drawn of it as a whole, once a night, in file order."""
    keys, twins = [], Counter[int]()
    for action in actions:
        kind = str(kind_of(action, ACTION_KINDS))
        aim = getattr(action, kind)
        named = aim.pool if isinstance(aim, Target) else aim if isinstance(aim, str) else ", ".join(aim)
        key = entity_key("action", kind, named, action.at)
        twins[key] += 1
        keys.append(
            entity_key("named action", action.name)
            if action.name is not None
            else entity_key("action", kind, named, action.at, twins[key])
        )
    return keys
