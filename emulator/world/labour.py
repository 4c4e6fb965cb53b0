"""How is an attempt worked on: its steps one after another, the effects they leave, how it ends?

A step takes a time, which is work divided by the worker's speed, or calls a system. What is under way stands still
with a frozen worker and goes on with what was left; a change of speed rescales only what remains.
"""

from typing import TYPE_CHECKING, Final

from emulator.broker.jobs import Job
from emulator.broker.matching import meets
from emulator.broker.requests import LeaseGrant
from emulator.broker.rules import Outcome
from emulator.record.reasons import FINISHED, NONE, Because
from emulator.timeline.agenda import MESSAGES
from emulator.world.asking import Again
from emulator.world.contact import Request
from emulator.world.draws import Draws, Purpose, numbers_key
from emulator.world.effects import Effects
from emulator.world.plan import Step, target_of
from emulator.world.systems import Call
from emulator.world.worker import Execution, Worker

if TYPE_CHECKING:
    from emulator.world.world import World

__all__ = ["Labour"]

_PART_TIME: Final = int(Purpose.PART_TIME)
_ASK_AGAIN: Final = int(Purpose.ASK_AGAIN)
_FAILS_AFTER: Final = int(Purpose.FAILS_AFTER)
_OUTCOME: Final = int(Purpose.OUTCOME)


class Labour:
    """Drives the executions of all workers."""

    __slots__ = ("_agenda", "_draws", "_effects", "_emit", "_uniform", "_world")

    def __init__(self, world: "World", draws: Draws, effects: Effects) -> None:
        self._world = world
        self._agenda = world.agenda
        self._draws = draws
        self._uniform = draws.uniform
        self._effects = effects
        self._emit = world.emit

    # -- begin --------------------------------------------------------------------------------------------------------

    def begin(self, worker: Worker, grant: LeaseGrant, job: Job, sent: int) -> None:
        """A worker begins to work on what it was granted, unless its lease is over as far as it knows.

        It had asked for it at ``sent``, for the first time.
        """
        world = self._world
        now = self._agenda.now
        execution = Execution(grant, job, worker, now)
        if worker.looks_at_end:
            world.contact.tell_end(execution, sent, now, grant.until)
            if execution.known_end <= now:
                self._emit((now, "worker_notified", 0, job.number, worker.name, grant.token, "too_late_to_begin"))
                world.heartbeats.dropped(worker, execution)
                world.ask_soon(worker)
                return
        worker.idle_since = now
        worker.executions.append(execution)
        worker.attempts_begun += 1
        job.running.append(execution)
        routine = job.routine
        worker.free -= routine.slots
        if routine.starts_after_last or job.terms.resumes:
            execution.step = job.progress
        token = execution.token
        execution.event = self._emit((now, "work_began", 0, job.number, worker.name, execution.attempt, token))
        if worker.looks_at_end:
            world.heartbeats.began(execution)
        if not world.broker.is_valid(token):  # the answer came late, or to a second worker
            execution.disowned = True
            world.heartbeats.want_contact(worker)
        refusal = None
        if routine.requires or job.version < routine.version:
            refusal = self._cannot_begin(worker, job)
        if refusal:
            self._end(execution, *refusal)
        elif routine.hands is not None:
            routine.hands.begin(execution)
        else:
            self._begin_step(execution)

    def _cannot_begin(self, worker: Worker, job: Job) -> tuple[Outcome, Because] | None:
        """Say why an attempt ends before its first step, if it does."""
        routine = job.routine
        for wanted in routine.requires:
            if not meets((wanted,), worker.equipment):
                return (routine.model.missing_tool, Because("no_tool", {"worker": worker.name, "tool": wanted}))
        if job.version < routine.version and routine.old_jobs == "fail":
            return ("permanent_error", Because("new_version"))
        return None

    # -- steps --------------------------------------------------------------------------------------------------------

    def _begin_step(self, execution: Execution) -> None:
        job = execution.job
        while True:
            if execution.step >= len(job.source.steps):
                self._end(execution, "ok", NONE)
                return
            step = job.source.steps[execution.step]
            part, element, _ = step
            model = part.model
            if part.just_takes or model.repeatable != "checks_first" or not self._effects.is_there(job, step):
                break
            self._effects.found(execution, step)
            self._step_done(execution, step)
        if not part.just_takes:
            at_once = model.effect is not None and model.lands == "at_request" and model.calls is None
            if at_once and not self._effects.land(execution, step):
                self._end(execution, "error", Because("stale_token", {"system": part.target_system}))
                return
            if part.law is None and model.calls is not None:
                self._begin_call(execution, step)
                return
        routine = job.routine
        attempt = 0 if routine.is_drawn_once else execution.attempt
        if part.at is not None:
            work = part.at(self._uniform(_PART_TIME, job.entity, job.draw_number, attempt, part.first_number + element))
        elif part.law is None:
            work = job.source.traced or 0
        else:
            number = part.first_number + element
            work = part.law.sample(self._draws.row(_PART_TIME, job.entity, job.draw_number, attempt, number))
        if part.grows:
            work += routine.model.growth(model, job.source.parameters)
        factor = routine.factors[job.version - 1 if routine.old_jobs == "run_old" else -1]
        if factor != 1.0:
            work = round(work / factor)
        extra = routine.error_share + execution.worker.error_share
        if part.may_fail or extra:
            execution.failing = self._fate(execution, step, extra)
            if execution.failing and part.fails_after is not None:
                number = part.first_number + element
                row = self._draws.row(_FAILS_AFTER, job.entity, job.draw_number, execution.attempt, number)
                work = min(work, part.fails_after.sample(row))
        elif execution.failing:
            execution.failing = None
        self.go_on(execution, work)

    def _fate(self, execution: Execution, step: Step, extra: float) -> Outcome | None:
        part, element, _ = step
        job, number = execution.job, part.first_number + element
        u = self._uniform(_OUTCOME, job.entity, job.draw_number, execution.attempt, number)
        permanent = part.model.permanent_error_share
        if u < permanent:
            return "permanent_error"
        return "error" if u < permanent + part.model.error_share + extra else None

    def go_on(self, execution: Execution, work: int) -> None:
        """Let ``work`` ticks of work begin, at the worker's present speed."""
        execution.left = work
        speed = execution.worker.real_speed
        if speed != 1.0:
            work = round(work / speed)
        agenda = self._agenda
        execution.ends_at = end = agenda.now + work
        agenda.at(end, self._time_over, execution)

    def pause(self, execution: Execution) -> None:
        """Let what is under way stand still, remembering what is left of it."""
        if (hands := execution.job.routine.hands) is not None:
            hands.stand_still(execution)
        if execution.call is not None:
            self._world.systems.freeze(execution.call)
        if execution.ends_at >= 0:
            left = execution.ends_at - self._agenda.now
            execution.left = round(left * execution.worker.real_speed)
            execution.ends_at = -1

    def _time_over(self, execution: Execution) -> None:
        if execution.ends_at != self._agenda.now:
            return  # it stood still, was rescaled or has ended since
        execution.ends_at = -1
        job = execution.job
        step = job.source.steps[execution.step]
        if job.poison:
            self._poisoned(execution)
        elif execution.failing:
            self._end(execution, execution.failing, Because("part_failed", {"part": step[0].model.name}))
        else:
            if step[0].leaves_at_end and not self._effects.land(execution, step):
                self._end(execution, "error", Because("stale_token", {"system": step[0].target_system}))
                return
            if execution.step + 1 < len(job.source.steps):
                self._step_done(execution, step)
                self._begin_step(execution)
            else:  # the last
                execution.step = job.progress = execution.step + 1
                self._end(execution, "ok", NONE)

    def _poisoned(self, execution: Execution) -> None:
        if execution.job.poison == "takes_worker_down":
            self._world.program_dies(execution.worker, execution.event)
        else:
            self._end(execution, "error", Because("fails_every_time"))

    def _step_done(self, execution: Execution, step: Step) -> None:
        execution.step += 1
        execution.again = None
        job = execution.job
        further = execution.step > job.progress
        if further:
            job.progress = execution.step
        if execution.step < len(job.source.steps):
            kept = further and (job.routine.starts_after_last or job.terms.resumes)
            row = (self._agenda.now, "part_finished", execution.event, job.number, execution.worker.name)
            self._emit((*row, execution.attempt, execution.token, step[0].model.name, step[2], kept))

    # -- calls --------------------------------------------------------------------------------------------------------

    def _begin_call(self, execution: Execution, step: Step) -> None:
        world, job, worker = self._world, execution.job, execution.worker
        part, element, _ = step
        refusal = world.access.refusal(worker.name, part.system, part.system_part, execution.start, worker.booted_at)
        if refusal:
            row = (world.agenda.now, "call_ended", execution.event, job.number, worker.name)
            self._emit((*row, execution.attempt, execution.token, part.system, "no_access", 0))
            why = Because("no_access", {"system": part.system, "refusal": refusal})
            self._refused(execution, step, why, None)
            return
        call = Call()
        call.job, call.attempt, call.token, call.worker = job.number, execution.attempt, execution.token, worker.name
        number = 0 if execution.again is None else execution.again.number
        call.key = numbers_key(job.entity, job.draw_number, execution.attempt, part.first_number + element, number)
        call.system, call.target, call.cause = part.system, target_of(job, step), execution.event
        call.patience = part.model.patience
        call.effect, call.scope = str(part.model.effect or ""), job.scope
        call.if_already_in_progress = part.model.if_already_in_progress
        call.lands = part.model.lands if part.model.effect is not None else None
        call.land = (lambda: self._effects.land(execution, step)) if part.model.effect is not None else None
        call.done = lambda outcome, retry_after: self._call_over(execution, call, outcome, retry_after)
        execution.call = call
        world.systems.call(call)

    def _call_over(self, execution: Execution, call: Call, outcome: str, retry_after: int | None) -> None:
        if execution.call is not call or execution not in execution.worker.executions:
            return
        if execution.worker.frozen_at >= 0 or execution.suspended:
            execution.waiting_answer = (outcome, retry_after)
            return
        execution.call = None
        job = execution.job
        step = job.source.steps[execution.step]
        if job.poison:
            self._poisoned(execution)
        elif outcome == "ok":
            share = job.routine.error_share + execution.worker.error_share
            failing = self._fate(execution, step, share) if share or step[0].may_fail else None
            if failing:
                self._end(execution, failing, Because("part_failed", {"part": step[0].model.name}))
            else:
                self._step_done(execution, step)
                self._begin_step(execution)
        else:
            why = Because("call_ended", {"system": call.system, "outcome": outcome})
            if outcome == "refused":
                self._refused(execution, step, why, retry_after)
            else:
                self._end(execution, "error", why, retry_after)

    def _refused(self, execution: Execution, step: Step, why: Because, hint: int | None) -> None:
        """A call was refused: the part asks again after a pause if it does that, else the attempt ends."""
        part, element, _ = step
        again = None
        if part.asks is not None:
            job, number = execution.job, part.first_number + element
            key = (_ASK_AGAIN, job.entity, job.draw_number, execution.attempt)
            again = part.asks.after(
                execution.again, self._agenda.now, hint, lambda ask: self._draws.row(*key, number)(ask)
            )
        if again is None:
            self._end(execution, "error", why, hint)
        else:
            execution.again = again
            self._agenda.at(again.due, self._ask_again, (execution, again))

    def _ask_again(self, what: tuple[Execution, Again]) -> None:
        execution, again = what
        if execution.again is not again or execution.worker.frozen_at >= 0 or execution.suspended:
            return  # it is worked on no more, or stands still: then it asks at the thaw
        if execution.call is not None or execution.handing_in:
            return  # it has asked at a thaw of this instant
        self._begin_call(execution, execution.job.source.steps[execution.step])

    def thaw(self, execution: Execution) -> None:
        """Let what stood still go on, or take the answer that came meanwhile."""
        if (hands := execution.job.routine.hands) is not None:
            hands.go_on(execution)
        elif execution.waiting_answer is not None:
            outcome, retry_after = execution.waiting_answer
            execution.waiting_answer = None
            if execution.call is not None:
                self._call_over(execution, execution.call, outcome, retry_after)
        elif execution.call is not None:
            self._world.systems.thaw(execution.call)
        elif execution.handing_in:
            return
        elif execution.again is None:
            self.go_on(execution, execution.left)
        elif execution.again.due <= self._agenda.now:  # else its pause is not over
            self._begin_call(execution, execution.job.source.steps[execution.step])

    # -- work that is not modelled ------------------------------------------------------------------------------------

    def part_over(self, execution: Execution, part: str, element: str) -> None:
        """Whoever does the work for real has finished a part of it."""
        row = (self._agenda.now, "part_finished", execution.event, execution.job.number, execution.worker.name)
        self._emit((*row, execution.attempt, execution.token, part, element, False))

    def over(self, execution: Execution, outcome: Outcome, why: Because, retry_after: int | None = None) -> None:
        """Whoever does the work for real says how the attempt ended."""
        job = execution.job
        share = job.routine.error_share + execution.worker.error_share
        if job.poison:
            self._poisoned(execution)
        elif (
            outcome == "ok"
            and share
            and self._uniform(_OUTCOME, job.entity, job.draw_number, execution.attempt) < share
        ):
            self._end(execution, "error", Because("error_burst", {"routine": job.routine.name}))
        else:
            self._end(execution, outcome, why, retry_after)

    def take_up(self, worker: Worker, grant: LeaseGrant, job: Job) -> Execution:
        """A worker that is driven by a program of somebody's own begins with what it was granted."""
        world = self._world
        execution = Execution(grant, job, worker, world.agenda.now)
        worker.idle_since = world.agenda.now
        worker.executions.append(execution)
        worker.free -= job.routine.slots
        worker.attempts_begun += 1
        job.running.append(execution)
        row = (world.agenda.now, "work_began", 0, job.number, worker.name, grant.attempt, grant.token)
        execution.event = self._emit(row)
        execution.disowned = not world.broker.is_valid(grant.token)
        return execution

    def lay_down(self, execution: Execution, why: Because) -> None:
        """The program says that its work on an attempt is over, however the broker takes it."""
        execution.handing_in = True
        now, job = self._agenda.now, execution.job
        row = (now, "work_stopped", execution.event, job.number, execution.worker.name)
        execution.event = self._emit((*row, execution.attempt, execution.token, *(why if why.values else why[:1])))

    def rescale(self, worker: Worker) -> None:
        """A worker's speed has changed: let those know who do its work for real."""
        for execution in list(worker.executions):
            if (hands := execution.job.routine.hands) is not None:
                hands.rescale(execution)

    # -- end ----------------------------------------------------------------------------------------------------------

    def _end(self, execution: Execution, outcome: Outcome, why: Because, retry_after: int | None = None) -> None:
        """The work of an attempt is over: hand its outcome in; the slot stays taken until that is answered."""
        world = self._world
        now = self._agenda.now
        job, worker = execution.job, execution.worker
        direct = worker.is_plain and not worker.result_loss and world.broker.is_up and self._agenda.rank >= MESSAGES
        if not direct:
            world.heartbeats.settle(worker)
        execution.handing_in = True  # from now on no heartbeat names its token
        code = FINISHED if outcome == "ok" else why.code
        row = (now, "work_stopped", execution.event, job.number, worker.name, execution.attempt, execution.token, code)
        execution.event = self._emit((*row, why.values) if why.values else row)
        if direct:
            world.hand_in_at_once(execution, outcome, why, retry_after)
            return
        request = Request("outcome", worker, execution)
        request.outcome = (outcome, why, retry_after, now)
        world.contact.send(request)
        world.heartbeats.dropped(worker, execution)

    def drop(self, execution: Execution, why: str, cause: int) -> None:
        """A worker stops working on an attempt without handing anything in."""
        worker, job = execution.worker, execution.job
        if not execution.handing_in:
            row = (self._agenda.now, "work_stopped", cause, job.number, worker.name)
            self._emit((*row, execution.attempt, execution.token, why))
        self.forget(execution)

    def forget(self, execution: Execution) -> None:
        """Take an execution off its worker; a call under way goes on without its caller."""
        if execution.call is not None:
            execution.call.done = None
            execution.call = None
        execution.ends_at = -1
        execution.again = None
        worker, routine = execution.worker, execution.job.routine
        worker.executions.remove(execution)
        worker.free += routine.slots
        worker.idle_since = self._agenda.now
        execution.job.running.remove(execution)
        if (hands := routine.hands) is not None:
            hands.leave(execution)
        if (notice := self._world.notice) is not None:
            notice()
