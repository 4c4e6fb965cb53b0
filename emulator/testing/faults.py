"""Every fault and every action of the scenario file, as methods of the same names: they begin at the present instant.

Which keys go with which is what the scenario file says of them; times are left out (it is now), save ``gaps`` for a
random process that begins now. A fault without an end lasts until ``end`` of its handle is called.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Literal, get_args

from pydantic import ValidationError

from emulator.errors import InputError
from emulator.measure.words import why_in_words
from emulator.scenario.arguments import MAPPING, listed, must_be
from emulator.scenario.fault_kinds import FAULT_KINDS, FAULT_TABLE, Of
from emulator.scenario.load import Loaded
from emulator.scenario.models.faults import ACTION_KINDS, Action, Fault, kind_of
from emulator.scenario.spelling import advise
from emulator.testing.settings import Lasting, ticks_of
from emulator.testing.views import JobHandle
from emulator.timeline.ticks import say

if TYPE_CHECKING:
    from emulator.testing.stream import Span
    from emulator.world.faults import Struck
    from emulator.world.world import World

__all__ = ["FaultHandle", "Interventions", "Who", "WorkerFault"]

Who = str | Sequence[str] | Mapping[str, Any]
"""A worker, a pool (all of it), several, or ``{"pool": "dome", "some": 2}``, ``{"pool": "dome", "share": 0.5}``."""

WorkerFault = Literal["power_off", "freeze", "cut_link", "lose_heartbeats", "lose_results"]
"""A fault of workers, by its name."""

Drawn = Lasting | Mapping[str, Any]
"""A duration, or a distribution as in scenario files: ``{"median": "4m", "p95": "9m"}``."""


class FaultHandle:
    """A fault that has begun; what the methods of an emulator that begin faults give.

    Attributes:
        kind: which, by its name in the scenario file.
        hit: whether it hit anything; a fault on a worker that is off hits nothing.
    """

    __slots__ = ("_struck", "_world", "hit", "kind")

    def __init__(self, world: "World", kind: str, struck: "list[Struck]") -> None:
        self._world = world
        self._struck = struck
        self.kind = kind
        self.hit = bool(struck)

    def end(self) -> None:
        """End the fault now, if it has no end of its own.

        Raises:
            InputError: when it has ended, or ends by itself.
        """
        if self.hit and not self._struck:
            raise InputError(f"{self.kind} has been ended before")
        for struck in self._struck:
            timing = struck.stream.timing
            if timing.lasts is not None or timing.instant:
                raise InputError(f"{self.kind} ends by itself: leave out `lasts` or `back_after` to end it by hand")
        struck_now, self._struck = self._struck, []
        for struck in struck_now:
            self._world.faults.end(struck)


class Interventions:
    """What a test does to an emulation, beside submitting jobs and letting time pass."""

    loaded: Loaded
    agenda: "Span"
    world: "World"
    _given = 0

    # -- faults -------------------------------------------------------------------------------------------------------

    def strike(self, kind: WorkerFault, who: Who, *, lasts: Drawn | None = None) -> FaultHandle:
        """Let a fault befall workers that is named by a text, as tests that are parametrised by faults have it.

        Args:
            kind: ``power_off``, ``freeze``, ``cut_link``, ``lose_heartbeats`` or ``lose_results``.
            who: which workers.
            lasts: how long; of a power off, how long until they are on again.

        Raises:
            InputError: for another kind, and as for ``fault``.
        """
        kinds = get_args(WorkerFault)
        if kind not in kinds:
            raise InputError(f"there is no fault {kind!r} of workers here: {advise(str(kind), kinds)}")
        more = {"back_after" if kind == "power_off" else "lasts": lasts}
        if kind in ("lose_heartbeats", "lose_results"):
            more["share"] = 1.0
        return self.fault(**{kind: who}, **more)

    def power_off(self, who: Who, *, back_after: Drawn | None = None, program_absent: bool = False) -> FaultHandle:
        """Cut the power of workers: what they had in memory is gone, and nothing of their handlers runs again.

        Args:
            who: which workers.
            back_after: how long until they are on again; left out: never.
            program_absent: the machine comes back, its worker program does not.
        """
        return self.fault(power_off=who, back_after=back_after, program_absent=program_absent or None)

    def power_on(self, who: str | Sequence[str]) -> None:
        """Switch on workers that are off: their programs boot, each as a new incarnation.

        A fault that was to bring one of them back later then finds it on, and changes nothing.

        Args:
            who: a worker, a pool (all of it that is off), or several of either.

        Raises:
            InputError: for a worker that there is not, that is on, or that has left for good; for a pool of which no
                worker is off.
        """
        self._check_open()
        self._check_workers(who)
        world = self.world
        for name in [who] if isinstance(who, str) else who:
            members = world.pools[name] if name in world.pools else [world.workers[name]]
            switched = [worker for worker in members if world.lifecycle.power_on(0, worker)]
            if not switched:
                is_gone = all(worker.gone for worker in members)
                why = "has left for good" if is_gone else "is on already"
                raise InputError(f"power_on: {name} {why} at {say(self.agenda.now)}: only what is off is switched on")

    def next_answer(
        self,
        system: str,
        outcome: Literal["ok", "error", "refused"],
        *,
        retry_after: Lasting | None = None,
        times: int = 1,
    ) -> None:
        """Say how a system answers its next call: for one test of one branch of a handler.

        ``refused`` comes at once, the others after the time that the system takes. A system that is down still refuses
        everything. Asked for again, it counts for the calls after those.

        Args:
            system: which system.
            outcome: what it answers, whatever its share of errors is.
            retry_after: the hint that comes with a refusal; by default the system's own.
            times: for so many calls, 1 or more.

        Raises:
            InputError: for a system or an outcome that there is not, and for a hint with another outcome.

        >>> from emulator import CallError, Emulator, run_in_virtual_time
        >>> async def copy(work):
        ...     try:
        ...         await work.call("archive")
        ...     except CallError as error:
        ...         return print(error.outcome, error.retry_after)
        >>> async def test():
        ...     archive = {"archive": {"answers_in": "2s"}}
        ...     async with Emulator(handlers={"copy": copy}, systems=archive) as emu:
        ...         emu.next_answer("archive", "refused", retry_after="5m")
        ...         await emu.submit("copy")
        >>> run_in_virtual_time(test)
        refused 300.0
        """
        self._check_open()
        _check("system", system, self.loaded.scenario.systems)
        _check("outcome", outcome, ("ok", "error", "refused"))
        if type(times) is not int or times < 1:
            raise InputError(f"times={times!r}: give a whole number of calls, 1 or more")
        if retry_after is not None and outcome != "refused":
            raise InputError(f"retry_after: the hint comes with a refusal, and this answer is {outcome}: leave it out")
        hint = None if retry_after is None else ticks_of(retry_after)
        self.world.systems.order(system, outcome, hint, times)

    def freeze(self, who: Who, *, lasts: Drawn | None = None) -> FaultHandle:
        """Let workers stand still, handlers and all; then they go on as if no time had passed, their timers late."""
        return self.fault(freeze=who, lasts=lasts)

    def cut_link(
        self, who: Who, *, direction: Literal["out", "back", "both"] = "both", lasts: Drawn | None = None
    ) -> FaultHandle:
        """Let no message through between workers and the broker; they work on, and learn nothing.

        Args:
            who: which workers.
            direction: messages to the broker (``"out"``), its answers (``"back"``), or both.
            lasts: how long.
        """
        return self.fault(cut_link=who, direction=direction, lasts=lasts)

    def slow_down(self, who: Who, *, to: float, lasts: Drawn | None = None) -> FaultHandle:
        """Let workers work at ``to`` times their speed (above 0, 0.5 is half): sleeps stretch, deadlines do not."""
        return self.fault(slow_down=who, to=to, lasts=lasts)

    def lose_heartbeats(self, who: Who, *, share: float = 1.0, lasts: Drawn | None = None) -> FaultHandle:
        """Lose a share of workers' heartbeats, from 0 to 1."""
        return self.fault(lose_heartbeats=who, share=share, lasts=lasts)

    def lose_results(self, who: Who, *, share: float = 1.0, lasts: Drawn | None = None) -> FaultHandle:
        """Lose a share of the outcomes that workers hand in, from 0 to 1; the leases then run out."""
        return self.fault(lose_results=who, share=share, lasts=lasts)

    def hand_out_twice(self, queue: str, *, how: Literal["same_token", "forgets"] = "same_token") -> FaultHandle:
        """Let the next job of a queue be handed out twice: under the same token, or because the broker forgets."""
        return self.fault(hand_out_twice=queue, how=how)

    def skew_clock(
        self, who: Who, *, offset: Lasting = 0, behind: bool = False, drift_ppm: float = 0, lasts: Drawn | None = None
    ) -> FaultHandle:
        """Let workers' own clocks go wrong; ``work.now()`` reads them, the loop's time stays right.

        Args:
            who: which workers.
            offset: how far they are off at once.
            behind: whether they are slow by the offset and not ahead.
            drift_ppm: microseconds that they gain in each second; below 0 they lose.
            lasts: how long.
        """
        if not ticks_of(offset) and not drift_ppm:
            raise InputError("skew_clock: by how much? give `offset`, `drift_ppm`, or both")
        clock = {"offset": say(ticks_of(offset)), "behind": behind, "drift_ppm": drift_ppm}
        return self.fault(skew_clock=who, clock=clock, lasts=lasts)

    def broker_outage(self, *, lasts: Drawn | None = None) -> FaultHandle:
        """Let the broker be down: no message is answered; what it knows survives."""
        return self.fault(broker_outage=True, lasts=lasts)

    def missing_tool(self, who: Who, *, tool: str, lasts: Drawn | None = None) -> FaultHandle:
        """Take a tool off workers: a piece of their equipment, by name."""
        return self.fault(missing_tool=who, tool=tool, lasts=lasts)

    def withdraw_access(self, who: str, *, access_to: str | None = None, lasts: Drawn | None = None) -> FaultHandle:
        """Withdraw the access of a pool or a worker to a system, or to all of them."""
        return self.fault(withdraw_access=who, access_to=access_to, lasts=lasts)

    def system_outage(self, system: str, *, lasts: Drawn | None = None) -> FaultHandle:
        """Let a system be down: every call is refused."""
        return self.fault(system_outage=system, lasts=lasts)

    def brown_out(self, system: str, *, factor: float, lasts: Drawn | None = None) -> FaultHandle:
        """Let a system's answers take ``factor`` times as long (above 0)."""
        return self.fault(brown_out=system, factor=factor, lasts=lasts)

    def error_burst(self, target: str, *, share: float, lasts: Drawn | None = None) -> FaultHandle:
        """Let a share (from 0 to 1) of a system's answers, or of a routine's attempts, be errors."""
        return self.fault(error_burst=target, share=share, lasts=lasts)

    def poison_job(self, job: JobHandle | str, *, how: Literal["fails", "takes_worker_down"] = "fails") -> FaultHandle:
        """Let a job fail, or take its worker down, every time."""
        return self.fault(poison_job=_job_name(job), how=how)

    def surge(self, entry: str, *, factor: float, lasts: Drawn | None = None) -> FaultHandle:
        """Let the jobs of an arrival entry come ``factor`` times as fast (above 0)."""
        return self.fault(surge=entry, factor=factor, lasts=lasts)

    def fault(self, **keys: Any) -> FaultHandle:
        """Let any fault begin now, by the keys of the scenario file: ``emu.fault(power_off="dome-2", gaps="1h")``.

        Raises:
            InputError: for keys that do not go together, values out of range, and targets that there are not; for
                ``at``, ``late_by`` and ``share_of_nights``, which only ``schedule`` takes.
        """
        self._check_open()
        for key in ("at", "late_by", "share_of_nights"):
            if key in keys:
                raise InputError(
                    f"{key}: it begins now: leave `{key}` out, or let it begin later by `schedule([{{...}}])`"
                )
        said = {name: _plain(name, value) for name, value in keys.items() if value is not None}
        if "gaps" not in said and said.keys() != {"poison_job", "how"}:
            said["at"] = f"+{say(self.agenda.now)}"
        fault: Fault = self._validated(Fault, said)
        kind = kind_of(fault, FAULT_KINDS)
        assert kind is not None, "the model sees to it"
        self._check_target(kind, getattr(fault, kind), fault)
        place = len(self.loaded.scenario.faults) + self._next()
        return FaultHandle(self.world, kind, self.world.faults.strike_now(fault, place))

    def schedule(self, faults: Iterable[Mapping[str, Any]]) -> None:
        """Let faults begin at their times: entries as in the ``faults`` of a scenario file; times count from its start.

        Raises:
            InputError: as for ``fault``, and for times that have passed.
        """
        for entry in listed("faults", faults):
            self._check_open()
            must_be(MAPPING, fault=entry)
            fault: Fault = self._validated(Fault, dict(entry))
            kind = kind_of(fault, FAULT_KINDS)
            assert kind is not None, "the model sees to it"
            self._check_target(kind, getattr(fault, kind), fault)
            if fault.at is not None and fault.at < self.agenda.now:
                raise InputError(f"{kind} at {say(fault.at)} lies before the present, {say(self.agenda.now)}")
            self.world.faults.schedule(fault, len(self.loaded.scenario.faults) + self._next())

    # -- what people do -----------------------------------------------------------------------------------------------

    def run_again(self, job: JobHandle | str) -> None:
        """Submit a finished or running job again, as a job of its own that names the old one."""
        self.action(run_again=_job_name(job))

    def withdraw(self, job: JobHandle | str) -> None:
        """Withdraw a job: it fails; a worker that has it is told at its next heartbeat."""
        self.action(withdraw=_job_name(job))

    def hold(self, job: JobHandle | str, *, lasts: Lasting | None = None) -> None:
        """Hold a job; released again after ``lasts``, if given."""
        self.action(hold=_job_name(job), lasts=lasts)

    def release(self, job: JobHandle | str) -> None:
        """Release a job that a person holds."""
        self.action(release=_job_name(job))

    def suspend(self, job: JobHandle | str, *, lasts: Lasting | None = None) -> None:
        """Ask that a running job be suspended: its worker learns of it at its next heartbeat."""
        self.action(suspend=_job_name(job), lasts=lasts)

    def resume(self, job: JobHandle | str) -> None:
        """Ask that a suspended job go on: its worker learns of it at its next heartbeat."""
        self.action(resume=_job_name(job))

    def hold_queue(self, queue: str, *, lasts: Lasting | None = None) -> None:
        """Let a queue hand out nothing until it is released, or for as long as ``lasts`` says."""
        self.action(hold_queue=queue, lasts=lasts)

    def release_queue(self, queue: str) -> None:
        """Release a queue that is held: it hands out again."""
        self.action(release_queue=queue)

    def drain(self, who: Who) -> None:
        """Let workers finish what they have, then leave for good."""
        self.action(drain=who)

    def new_version(
        self,
        routine: str,
        *,
        requires: Sequence[str] | None = None,
        speed: float | None = None,
        old_jobs: Literal["run_new", "run_old", "fail"] = "run_new",
    ) -> None:
        """Put in a new version of a routine while old jobs wait.

        Args:
            routine: which.
            requires: the equipment that the new version wants; left out: as before.
            speed: how much faster its parts are, above 0: 2 halves their time.
            old_jobs: what becomes of those that are in the queue already.
        """
        self.action(new_version=routine, requires=requires, speed=speed, old_jobs=old_jobs)

    def action(self, **keys: Any) -> None:
        """Do now what a person does, by the keys of the scenario file: ``emu.action(hold="copy#3", lasts="1h")``.

        Raises:
            InputError: for keys that do not go together, targets that there are not, and what the broker refuses; for
                ``at``, ``late_by`` and ``share_of_nights``.
        """
        self._check_open()
        for key in ("at", "late_by", "share_of_nights"):
            if key in keys:
                raise InputError(f"{key}: it is done now: leave `{key}` out; `await emu.advance(...)` lets time pass")
        said = {name: _plain(name, value) for name, value in keys.items() if value is not None}
        action: Action = self._validated(Action, {**said, "at": f"+{say(self.agenda.now)}"})
        kind = kind_of(action, ACTION_KINDS)
        assert kind is not None, "the model sees to it"
        scenario = self.loaded.scenario
        if kind in ("hold_queue", "release_queue"):
            _check("queue", said[kind], scenario.queues)
        elif kind == "new_version":
            _check("routine", said[kind], scenario.routines)
        elif kind == "drain":
            self._check_workers(said[kind])
        elif not _is_job_name(said[kind]):
            raise InputError(f"{said[kind]!r} names no job: give its handle, or entry#number")
        why = self.world.actions.act_now(action, len(scenario.actions) + self._next())
        if why.code:
            raise InputError(f"{kind} of {said[kind]} was refused at {say(self.agenda.now)}: {why_in_words(*why)}")

    # -- checks -------------------------------------------------------------------------------------------------------

    def _check_open(self) -> None:
        raise NotImplementedError

    def _next(self) -> int:
        self._given += 1
        return self._given - 1

    def _validated(self, model: Any, said: dict[str, Any]) -> Any:
        try:
            return model.model_validate(said, context={"clock": self.loaded.clock})
        except ValidationError as error:
            from emulator.scenario.messages import found_by_validation

            where = ("faults" if model is Fault else "actions", 0)
            errors: Any = [{**one, "loc": (*where, *one["loc"])} for one in error.errors(include_url=False)]
            found = found_by_validation({where[0]: [said]}, errors)
            text = "; ".join(": ".join(filter(None, (".".join(map(str, it.loc[2:])), it.told()))) for it in found)
            raise InputError(text) from None

    def _check_target(self, kind: str, aim: Any, fault: Fault) -> None:
        scenario = self.loaded.scenario
        of = FAULT_TABLE[kind].of
        known: Mapping[Of, Iterable[str]] = {
            "queue": scenario.queues,
            "system": scenario.systems,
            "system_or_routine": (*scenario.systems, *scenario.routines),
            "entry": [entry.label for entry in scenario.arrivals],
            "worker_or_pool": (*self.world.workers, *self.world.pools),
        }
        if of == "workers":
            self._check_workers(aim)
        elif of in known:
            _check("arrival entry" if of == "entry" else of.replace("_", " "), aim, known[of])
        elif of == "job" and not _is_job_name(aim):
            raise InputError(f"{aim!r} names no job: give its handle, or entry#number")
        if fault.access_to is not None:
            _check("system", fault.access_to, scenario.systems)

    def _check_workers(self, aim: Any) -> None:
        pool = aim.get("pool") if isinstance(aim, Mapping) else getattr(aim, "pool", None)
        if pool is not None:
            _check("pool", pool, self.world.pools)
            return
        for name in [aim] if isinstance(aim, str) else aim:
            _check("worker or pool", name, (*self.world.workers, *self.world.pools))


def _check(what: str, name: str, known: Iterable[str]) -> None:
    names = tuple(known)
    if name not in names:
        raise InputError(f"there is no {what} {name!r}: {advise(name, names) if names else 'there is none at all'}")


def _job_name(job: JobHandle | str) -> str:
    return job.name if isinstance(job, JobHandle) else job


def _is_job_name(name: str) -> bool:
    entry, _, number = name.rpartition("#")
    return bool(entry) and number.isdecimal() and number.isascii()


def _plain(name: str, value: Any) -> Any:
    """Write a value as a scenario file would: seconds and ``timedelta`` become durations."""
    lasting = name in ("lasts", "back_after", "gaps")
    if isinstance(value, timedelta) or (lasting and isinstance(value, int | float) and not isinstance(value, bool)):
        return say(ticks_of(value))
    if isinstance(value, Mapping):
        return {key: _plain("lasts" if isinstance(item, timedelta) else "", item) for key, item in value.items()}
    return value
