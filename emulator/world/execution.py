"""Executes attempts: their steps one after another, the effects they leave, and how they end.

A step takes a time, which is work divided by the worker's speed, or calls a system. What is under way stands still
with a frozen worker and goes on with what was left; a change of speed rescales only what remains.
"""

from collections.abc import Callable
from typing import Final

from emulator.broker.broker import Broker
from emulator.broker.jobs import Attempt, Job
from emulator.broker.rules import Hint, Outcome, meets
from emulator.record.reasons import FINISHED, NONE, Because
from emulator.timeline.agenda import MESSAGES
from emulator.world.access import Access, Effects
from emulator.world.draws import Purpose, numbers_key
from emulator.world.heartbeat_schedule import Heartbeats
from emulator.world.plan import Again, Step, target_of
from emulator.world.systems import Call, Systems
from emulator.world.transport import Transport
from emulator.world.worker import Request, RunContext, Worker

__all__ = ["Execution"]

_PART_TIME: Final = int(Purpose.PART_TIME)
_ASK_AGAIN: Final = int(Purpose.ASK_AGAIN)
_FAILS_AFTER: Final = int(Purpose.FAILS_AFTER)
_OUTCOME: Final = int(Purpose.OUTCOME)


class Execution:
    """Drives the attempts of all workers.

    Attributes:
        ask_soon: lets a worker ask for work; hand_in: hands an outcome in over a link without delay or loss;
            end_well: that an attempt went well, whose work stops now.
        program_dies: takes a worker's program down.
        notice: told when a worker is rid of an attempt, which need not leave an event; None: nobody is.
    """

    __slots__ = (
        "_access",
        "_agenda",
        "_broker",
        "_draws",
        "_effects",
        "_emit",
        "_heartbeats",
        "_is_valid",
        "_systems",
        "_transport",
        "_uniform",
        "ask_soon",
        "end_well",
        "hand_in",
        "notice",
        "program_dies",
    )

    ask_soon: Callable[[Worker], None]
    end_well: Callable[[Attempt], None]
    hand_in: Callable[[Attempt, Outcome, Because, Hint | None], None]
    program_dies: Callable[[Worker, int], None]

    def __init__(
        self,
        context: RunContext,
        broker: Broker,
        heartbeats: Heartbeats,
        transport: Transport,
        effects: Effects,
        systems: Systems,
        access: Access,
    ) -> None:
        self._agenda, self._emit, self._draws = context.agenda, context.emit, context.draws
        self._uniform = context.draws.uniform
        self._broker, self._is_valid = broker, broker.is_valid
        self._heartbeats, self._transport = heartbeats, transport
        self._effects, self._systems, self._access = effects, systems, access
        self.notice: Callable[[], None] | None = None

    # -- begin --------------------------------------------------------------------------------------------------------

    def begin(self, worker: Worker, attempt: Attempt, sent: int) -> None:
        """A worker begins to work on what it was granted, unless its lease is over as far as it knows.

        It had asked for it at ``sent``, for the first time.
        """
        now = self._agenda.now
        job, token = attempt.job, attempt.token
        attempt.worker = worker
        attempt.start = now
        at_once = attempt.event  # told together with the hand-out: its worker hears nothing late
        if not at_once and worker.looks_at_end:
            self._transport.tell_end(attempt, sent, now, attempt.known_end)
            if attempt.known_end <= now:
                self._emit((now, "worker_notified", 0, job.number, worker.name, token, "too_late_to_begin"))
                self._heartbeats.dropped(worker, attempt)
                self.ask_soon(worker)
                return
        worker.idle_since = now
        worker.attempts.append(attempt)
        worker.attempts_begun += 1
        job.running.append(attempt)
        routine = job.routine
        worker.free -= routine.slots
        if job.progress and (routine.starts_after_last or job.terms.resumes):
            attempt.step = job.progress
        if not at_once:
            attempt.event = self._emit((now, "work_began", 0, job.number, worker.name, attempt.number, token))
            if worker.looks_at_end:
                self._heartbeats.began(attempt)
            if not self._is_valid(token):  # the answer came late, or to a second worker
                attempt.disowned = True
                self._heartbeats.want_contact(worker)
        if routine.requires or job.version < routine.version:
            refusal = self._cannot_begin(worker, job)
            if refusal:
                self._end(attempt, *refusal)
                return
        if routine.handler is not None:
            routine.handler.begin(attempt)
        else:
            self._begin_step(attempt)

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

    def _begin_step(self, attempt: Attempt) -> None:
        job = attempt.job
        steps = job.source.steps
        while True:
            if attempt.step >= len(steps):
                self._end(attempt, "ok", NONE)
                return
            step = steps[attempt.step]
            part, element, _ = step
            if part.is_usual:
                break
            model = part.model
            if part.just_takes or model.repeatable != "checks_first" or not self._effects.is_there(job, step):
                break
            self._effects.found(attempt, step)
            self._step_done(attempt, step)
        if not (part.is_usual or part.just_takes):
            at_once = model.effect is not None and model.lands == "at_request" and model.calls is None
            if at_once and not self._effects.land(attempt, step):
                self._end(attempt, "error", Because("stale_token", {"system": part.target_system}))
                return
            if part.law is None and model.calls is not None:
                self._begin_call(attempt, step)
                return
        routine = job.routine
        drawn_for = 0 if routine.is_drawn_once else attempt.number
        if part.at is not None:
            work = part.at(
                self._uniform(_PART_TIME, job.entity, job.draw_number, drawn_for, part.first_number + element)
            )
        elif part.fixed is not None:
            work = part.fixed
        elif part.law is None:
            work = job.source.traced or 0
        else:
            number = part.first_number + element
            work = part.law.sample(self._draws.row(_PART_TIME, job.entity, job.draw_number, drawn_for, number))
        if not part.is_usual and part.grows:
            work += routine.model.growth(part.model, job.source.parameters)
        if routine.version > 1:
            factor = routine.factors[job.version - 1 if routine.old_jobs == "run_old" else -1]
            work = round(work / factor) if factor != 1.0 else work
        extra = routine.error_share + attempt.worker.error_share
        if extra or (not part.is_usual and part.may_fail):
            attempt.failing = self._fate(attempt, step, extra)
            if attempt.failing and part.fails_after is not None:
                number = part.first_number + element
                row = self._draws.row(_FAILS_AFTER, job.entity, job.draw_number, attempt.number, number)
                work = min(work, part.fails_after.sample(row))
        elif attempt.failing:
            attempt.failing = None
        self.go_on(attempt, work)

    def _fate(self, attempt: Attempt, step: Step, extra: float) -> Outcome | None:
        part, element, _ = step
        job, number = attempt.job, part.first_number + element
        u = self._uniform(_OUTCOME, job.entity, job.draw_number, attempt.number, number)
        permanent = part.model.permanent_error_share
        if u < permanent:
            return "permanent_error"
        return "error" if u < permanent + part.model.error_share + extra else None

    def go_on(self, attempt: Attempt, work: int) -> None:
        """Let ``work`` ticks of work begin, at the worker's present speed."""
        attempt.left = work
        speed = attempt.worker.real_speed
        if speed != 1.0:
            work = round(work / speed)
        agenda = self._agenda
        attempt.ends_at = end = agenda.now + work
        agenda.at(end, self._time_over, attempt)

    def pause(self, attempt: Attempt) -> None:
        """Let what is under way stand still, remembering what is left of it."""
        if (handler := attempt.job.routine.handler) is not None:
            handler.stand_still(attempt)
        if attempt.call is not None:
            self._systems.freeze(attempt.call)
        if attempt.ends_at >= 0:
            left = attempt.ends_at - self._agenda.now
            attempt.left = round(left * attempt.worker.real_speed)
            attempt.ends_at = -1

    def _time_over(self, attempt: Attempt) -> None:
        if attempt.ends_at != self._agenda.now:
            return  # it stood still, was rescaled or has ended since
        attempt.ends_at = -1
        job, number = attempt.job, attempt.step
        steps = job.source.steps
        step = steps[number]
        if job.poison:
            self._poisoned(attempt)
        elif attempt.failing:
            self._end(attempt, attempt.failing, Because("part_failed", {"part": step[0].model.name}))
        else:
            if step[0].leaves_at_end and not self._effects.land(attempt, step):
                self._end(attempt, "error", Because("stale_token", {"system": step[0].target_system}))
                return
            if number + 1 < len(steps):
                self._step_done(attempt, step)
                self._begin_step(attempt)
            else:  # the last
                attempt.step = job.progress = number + 1
                self._end(attempt, "ok", NONE)

    def _poisoned(self, attempt: Attempt) -> None:
        if attempt.job.poison == "takes_worker_down":
            self.program_dies(attempt.worker, attempt.event)
        else:
            self._end(attempt, "error", Because("fails_every_time"))

    def _step_done(self, attempt: Attempt, step: Step) -> None:
        attempt.step += 1
        attempt.again = None
        job = attempt.job
        further = attempt.step > job.progress
        if further:
            job.progress = attempt.step
        if attempt.step < len(job.source.steps):
            kept = further and (job.routine.starts_after_last or job.terms.resumes)
            row = (self._agenda.now, "part_finished", attempt.event, job.number, attempt.worker.name)
            self._emit((*row, attempt.number, attempt.token, step[0].model.name, step[2], kept))

    # -- calls --------------------------------------------------------------------------------------------------------

    def _begin_call(self, attempt: Attempt, step: Step) -> None:
        job, worker = attempt.job, attempt.worker
        part, element, _ = step
        refusal = self._access.refusal(worker.name, part.system, part.system_part, attempt.start, worker.booted_at)
        if refusal:
            row = (self._agenda.now, "call_ended", attempt.event, job.number, worker.name)
            self._emit((*row, attempt.number, attempt.token, part.system, "no_access", 0))
            why = Because("no_access", {"system": part.system, "refusal": refusal})
            self._refused(attempt, step, why, None)
            return
        number = 0 if attempt.again is None else attempt.again.number
        key = numbers_key(job.entity, job.draw_number, attempt.number, part.first_number + element, number)
        call = Call((job.number, attempt.number, attempt.token, worker.name), key, part.system)
        call.target, call.cause = target_of(job, step), attempt.event
        call.patience = part.model.patience
        call.effect, call.scope = str(part.model.effect or ""), job.scope
        call.if_already_in_progress = part.model.if_already_in_progress
        call.lands = part.model.lands if part.model.effect is not None else None
        call.land = (lambda: self._effects.land(attempt, step)) if part.model.effect is not None else None
        call.done = lambda outcome, retry_after: self._call_over(attempt, call, outcome, retry_after)
        attempt.call = call
        self._systems.call(call)

    def _call_over(self, attempt: Attempt, call: Call, outcome: str, retry_after: int | None) -> None:
        if attempt.call is not call or attempt not in attempt.worker.attempts:
            return
        if attempt.worker.frozen_at >= 0 or attempt.suspended:
            attempt.waiting_answer = (outcome, retry_after)
            return
        attempt.call = None
        job = attempt.job
        step = job.source.steps[attempt.step]
        if job.poison:
            self._poisoned(attempt)
        elif outcome == "ok":
            share = job.routine.error_share + attempt.worker.error_share
            failing = self._fate(attempt, step, share) if share or step[0].may_fail else None
            if failing:
                self._end(attempt, failing, Because("part_failed", {"part": step[0].model.name}))
            else:
                self._step_done(attempt, step)
                self._begin_step(attempt)
        else:
            why = Because("call_ended", {"system": call.system, "outcome": outcome})
            if outcome == "refused":
                self._refused(attempt, step, why, retry_after)
            else:
                self._end(attempt, "error", why, self._hint(retry_after))

    def _refused(self, attempt: Attempt, step: Step, why: Because, retry_after: int | None) -> None:
        """A call was refused: the part asks again after a pause if it does that, else the attempt ends."""
        part, element, _ = step
        again = None
        if part.asks is not None:
            job, number = attempt.job, part.first_number + element
            key = (_ASK_AGAIN, job.entity, job.draw_number, attempt.number)
            again = part.asks.after(
                attempt.again, self._agenda.now, retry_after, lambda ask: self._draws.row(*key, number)(ask)
            )
        if again is None:
            self._end(attempt, "error", why, self._hint(retry_after))
        else:
            attempt.again = again
            self._agenda.at(again.due, self._ask_again, (attempt, again))

    def _ask_again(self, what: tuple[Attempt, Again]) -> None:
        attempt, again = what
        if attempt.again is not again or attempt.worker.frozen_at >= 0 or attempt.suspended:
            return  # it is worked on no more, or stands still: then it asks at the thaw
        if attempt.call is not None or attempt.handing_in:
            return  # it has asked at a thaw of this instant
        self._begin_call(attempt, attempt.job.source.steps[attempt.step])

    def thaw(self, attempt: Attempt) -> None:
        """Let what stood still go on, or take the answer that came meanwhile."""
        if (handler := attempt.job.routine.handler) is not None:
            handler.go_on(attempt)
        elif attempt.waiting_answer is not None:
            outcome, retry_after = attempt.waiting_answer
            attempt.waiting_answer = None
            if attempt.call is not None:
                self._call_over(attempt, attempt.call, outcome, retry_after)
        elif attempt.call is not None:
            self._systems.thaw(attempt.call)
        elif attempt.handing_in:
            return
        elif attempt.again is None:
            self.go_on(attempt, attempt.left)
        elif attempt.again.due <= self._agenda.now:  # else its pause is not over
            self._begin_call(attempt, attempt.job.source.steps[attempt.step])

    # -- work that is not modelled ------------------------------------------------------------------------------------

    def part_over(self, attempt: Attempt, part: str, element: str) -> None:
        """Whoever does the work for real has finished a part of it."""
        row = (self._agenda.now, "part_finished", attempt.event, attempt.job.number, attempt.worker.name)
        self._emit((*row, attempt.number, attempt.token, part, element, False))

    def over(self, attempt: Attempt, outcome: Outcome, why: Because, retry_after: int | None = None) -> None:
        """Whoever does the work for real says how the attempt ended."""
        job = attempt.job
        share = job.routine.error_share + attempt.worker.error_share
        if job.poison:
            self._poisoned(attempt)
        elif outcome == "ok" and share and self._uniform(_OUTCOME, job.entity, job.draw_number, attempt.number) < share:
            self._end(attempt, "error", Because("error_burst", {"routine": job.routine.name}))
        else:
            self._end(attempt, outcome, why, self._hint(retry_after))

    def take_up(self, worker: Worker, attempt: Attempt) -> None:
        """A worker that is driven by a program of somebody's own begins with what it was granted."""
        job = attempt.job
        attempt.worker = worker
        attempt.start = worker.idle_since = self._agenda.now
        worker.attempts.append(attempt)
        worker.free -= job.routine.slots
        worker.attempts_begun += 1
        job.running.append(attempt)
        row = (self._agenda.now, "work_began", 0, job.number, worker.name, attempt.number, attempt.token)
        attempt.event = self._emit(row)
        attempt.disowned = not self._is_valid(attempt.token)

    def lay_down(self, attempt: Attempt, why: Because) -> None:
        """The program says that its work on an attempt is over, however the broker takes it."""
        attempt.handing_in = True
        now, job = self._agenda.now, attempt.job
        row = (now, "work_stopped", attempt.event, job.number, attempt.worker.name)
        attempt.event = self._emit((*row, attempt.number, attempt.token, *(why if why.values else why[:1])))

    def rescale(self, worker: Worker) -> None:
        """A worker's speed has changed: let those know who do its work for real."""
        for attempt in list(worker.attempts):
            if (handler := attempt.job.routine.handler) is not None:
                handler.rescale(attempt)

    # -- end ----------------------------------------------------------------------------------------------------------

    def _end(self, attempt: Attempt, outcome: Outcome, why: Because, hint: Hint | None = None) -> None:
        """The work of an attempt is over: hand its outcome in; the slot stays taken until that is answered."""
        now = self._agenda.now
        job, worker = attempt.job, attempt.worker
        direct = worker.is_plain and not worker.result_loss and self._broker.is_up and self._agenda.rank >= MESSAGES
        if not direct:
            self._heartbeats.settle(worker)
        attempt.handing_in = True  # from now on no heartbeat names its token
        if direct and outcome == "ok":
            self.end_well(attempt)
            return
        code = FINISHED if outcome == "ok" else why.code
        row = (now, "work_stopped", attempt.event, job.number, worker.name, attempt.number, attempt.token, code)
        attempt.event = self._emit((*row, why.values) if why.values else row)
        if direct:
            self.hand_in(attempt, outcome, why, hint)
            return
        request = Request("outcome", worker, attempt)
        request.outcome = (outcome, why, hint)
        self._transport.send(request)
        self._heartbeats.dropped(worker, attempt)

    def _hint(self, retry_after: int | None) -> Hint | None:
        """Give what a refusal of this instant says of trying again."""
        return None if retry_after is None else (retry_after, self._agenda.now)

    def drop(self, attempt: Attempt, why: str, cause: int) -> None:
        """A worker stops working on an attempt without handing anything in."""
        worker, job = attempt.worker, attempt.job
        if not attempt.handing_in:
            row = (self._agenda.now, "work_stopped", cause, job.number, worker.name)
            self._emit((*row, attempt.number, attempt.token, why))
        self.forget(attempt)

    def forget(self, attempt: Attempt) -> None:
        """Take an attempt off its worker; a call under way goes on without its caller."""
        if attempt.call is not None:
            attempt.call.done = None
            attempt.call = None
        attempt.ends_at = -1
        attempt.again = None
        worker, routine = attempt.worker, attempt.job.routine
        worker.attempts.remove(attempt)
        worker.free += routine.slots
        worker.idle_since = self._agenda.now
        attempt.job.running.remove(attempt)
        if (handler := routine.handler) is not None:
            handler.leave(attempt)
        if (notice := self.notice) is not None:
            notice()
