"""How do jobs come to the broker, and what do people and faults do to them?"""

from typing import Any, Final

from emulator.broker.requests import Submission
from emulator.world.arrivals import Arrivals, PlannedJob
from emulator.world.draws import entity_key, numbers_key
from emulator.world.exchange import Exchange
from emulator.world.nights import Nights
from emulator.world.own_terms import OwnTerms
from emulator.world.plan import JobPlan, ReadyRoutine, fill
from emulator.world.worker import ON, Worker

__all__ = ["Desk"]

_new: Final = tuple.__new__  # a named tuple's own constructor costs twice as much


class Desk(Exchange):
    """The layer of the world to which jobs are brought."""

    arrivals: Arrivals
    nights: Nights
    terms: OwnTerms
    plans: dict[tuple[str, int], tuple[int, PlannedJob]]
    routines: dict[str, ReadyRoutine]
    workers: dict[str, Worker]
    _entities: dict[str, tuple[int, bool]]
    _generations: dict[tuple[str, int], int]
    _poisoned: dict[tuple[str, int], str]
    _remembered: frozenset[str]

    # -- jobs ---------------------------------------------------------------------------------------------------------

    def submit(self, cause: int, planned: PlannedJob, origin: int = 0) -> int:
        """Submit a job as it was planned; 0 if it was refused."""
        entry, ordinal, name, parameters, key, priority, idempotency_key, not_before, after, traced, nominal = planned
        routine = self.routines[name]
        entity, recurs = self._entities.get(entry) or self._entity_of(entry)
        draw_number, generation = ordinal, 0
        if recurs:  # what a recurrence excludes changes no other day's job
            entity, draw_number = numbers_key(entity, nominal), 0
        if origin:
            generation = self._generations.get((entry, ordinal), 0) + 1
            entity, draw_number = numbers_key(entity, draw_number, generation), 0
        plan = JobPlan(routine, entry, ordinal, parameters, traced, entity, draw_number)
        terms = self.terms.of(entry, name)
        if terms is not None:
            plan.renewal, plan.resumes = terms.renewal, routine.starts_after_last or self.terms.resumes(terms)
        if key is None:
            key = routine.key
        if key:
            plan.key = key = fill(key, plan)
        if self._poisoned:
            plan.poison = self._poisoned.get((entry, ordinal), "")
        if idempotency_key:
            idempotency_key = fill(idempotency_key, plan)
        expected = routine.expected
        if routine.steps is None and (steps := len(plan.steps)) > (parts := len(routine.parts)):
            expected = expected * steps // parts
        if routine.grows and routine.model.expected is None:
            expected += sum(routine.model.growth(step[0].model, parameters) for step in plan.steps)
        before = None if after is None else after.of(ordinal, nominal)
        night = self.nights.of(entry, nominal) if entry in self.nights else 0
        if priority is None:
            priority = routine.priority
        what = (name, routine.queue, entry, ordinal, key, priority, routine.requires, expected, idempotency_key)
        submission = _new(Submission, (*what, not_before, before, origin, night, terms))
        broker = self.broker
        plan.number = number = broker.submit(self.agenda.now, cause, submission, plan)
        if number and (origin or entry in self._remembered) and broker.payload(number) is plan:
            if origin:
                self._generations[entry, ordinal] = generation
            if entry in self._remembered:
                self.plans[entry, ordinal] = (number, planned)
        if broker.fresh:
            self.match()
        return number

    def _entity_of(self, entry: str) -> tuple[int, bool]:
        found = self._entities[entry] = (entity_key("job", entry), entry in self.arrivals.recurring)
        return found

    def job_of(self, entry: str, ordinal: int) -> int:
        """Give the number of a job that faults or actions name, 0 if it has not come yet."""
        return self.plans.get((entry, ordinal), (0, None))[0]

    def run_again(self, cause: int, job: int) -> str:
        """Put a job in anew; give the code of why not if it cannot be done."""
        for number, planned in self.plans.values():
            if number == job:
                if not self.broker.is_up:
                    return "broker_is_down"
                again = planned._replace(idempotency_key="", after=None, not_before=0)
                return "" if self.submit(cause, again, origin=job) else "queue_is_full"
        return "no_such_job"

    def _named_jobs(self) -> frozenset[str]:
        """Give the entries whose jobs faults and actions name."""
        names: set[str] = set()
        for fault in self.scenario.faults:
            if fault.poison_job:
                names.add(fault.poison_job.partition("#")[0])
        for action in self.scenario.actions:
            for kind in ("run_again", "withdraw", "hold", "release", "suspend", "resume"):
                if getattr(action, kind):
                    names.add(getattr(action, kind).partition("#")[0])
        return frozenset(names)

    def poison(self, cause: int, entry: str, ordinal: int, how: str) -> bool:
        """Let a job fail, or take its worker down, every time."""
        self._poisoned[(entry, ordinal)] = how
        plan = self.broker.payload(job) if (job := self.job_of(entry, ordinal)) else None
        if plan is not None:
            plan.poison = how
        return True

    def set_routine_error_share(self, cause: int, routine: str, share: float | None) -> bool:
        """Let a share of a routine's parts fail on top of their own shares."""
        self.routines[routine].error_share = share or 0.0
        return True

    def new_version(self, cause: int, routine: str, action: Any) -> bool:
        """Put in a new version of a routine."""
        ready = self.routines[routine]
        ready.version += 1
        ready.old_jobs = action.old_jobs
        if action.speed is not None:
            ready.factor = action.speed
        if action.requires is not None:
            ready.requires = tuple(sorted(action.requires))
        return True

    def hand_out_twice(self, cause: int, queue: str, how: str) -> bool:
        """Let the next job of a queue be handed out twice."""
        self._doubled[queue] = (how, cause)
        return True

    # -- what people do to jobs ---------------------------------------------------------------------------------------

    def do_to_job(self, what: str, cause: int, job: int) -> str:
        """Hold, release, suspend, resume or withdraw a job; give the code of why not if it was refused."""
        broker, now = self.broker, self.agenda.now
        if not broker.is_up:
            return "broker_is_down"
        plan = broker.payload(job)
        if plan is not None:
            for execution in plan.running:
                self.heartbeats.settle(execution.worker)
        refused: str = getattr(broker, what)(now, cause, job)
        if refused or plan is None:
            return refused
        if what in ("suspend", "resume"):
            plan.asked = what == "suspend"
            for execution in plan.running:
                if not execution.disowned:
                    self.heartbeats.want_contact(execution.worker)
        self.after_job_change(plan, job)
        if broker.fresh:
            self.match()
        return ""

    def do_to_queue(self, what: str, cause: int, queue: str) -> str:
        """Hold or release a queue."""
        if not self.broker.is_up:
            return "broker_is_down"
        refused: str = getattr(self.broker, what)(self.agenda.now, cause, queue)
        if self.broker.fresh:
            self.match()
        return refused

    # -- the broker's outage ------------------------------------------------------------------------------------------

    def broker_down(self, cause: int) -> bool:
        """The broker goes down: its state survives, no call succeeds."""
        if not self.broker.is_up:
            return False
        for worker in self.workers.values():
            self.heartbeats.settle(worker)
        self.broker.go_down(self.agenda.now, cause)
        for worker in self.workers.values():
            if worker.state is ON:
                self.heartbeats.changed(worker)
        self.arrivals.broker_went_down()
        return True

    def broker_up(self, cause: int) -> bool:
        """The broker is back: what fell due meanwhile falls due now."""
        if self.broker.is_up:
            return False
        plans = [self.broker.payload(job) for job in self.broker.jobs_unfinished()]
        for worker in self.workers.values():
            self.heartbeats.settle(worker)
        self.broker.come_up(self.agenda.now, cause)
        for plan in plans:
            if plan is not None:
                self.after_job_change(plan, plan.number)
        for worker in self.workers.values():
            if worker.state is ON:
                self.heartbeats.changed(worker)
                if not worker.waiting:
                    self.ask_soon(worker)
        self.arrivals.broker_came_up(cause)
        self.match()
        return True
