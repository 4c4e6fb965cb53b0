"""Says whether a worker may call a system now, and whether what it writes there stands: grants, credentials, fences.

The law: a system that no grant names is open to all; a grant to one part of a system names the system too, so that its
other parts are closed. One grant in force is enough. A grant is in force from ``given`` plus its drawn delay up to, and
not at, ``until``; one that ended before the night is over from the start. What is withdrawn from a worker or its pool
stays so until it is restored, grants or not. Of the credentials that apply each must be alive: issued when the attempt
begins or the worker starts, it is refused from the end of its life until its next renewal, and for good from the date
on which it ends. The look is taken as a call begins; a call under way is never broken off.

Where refusals are cached, a refused caller is refused for that long without a look, even if it has access by then.

The law: a fenced system knows nothing of leases. For each target and scope it keeps the highest token that it has
accepted, and refuses a lower one for ever after; the same token may come again. A zombie's write that arrives before
its successor's first write is therefore accepted. The scope is the job's exclusive key if it has one, else the job
together with all jobs resubmitted from it: jobs that have nothing to do with each other never shut each other out.
A system that asks the broker at each write is another mode; there a lost lease is enough to be refused.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Literal

from emulator.broker.broker import Broker
from emulator.broker.jobs import Attempt, Job
from emulator.errors import DefectError
from emulator.record.events import Sink
from emulator.scenario.models import Credential, Grant
from emulator.timeline.agenda import ENDS, Agenda
from emulator.world.draws import Draws, Purpose, entity_key
from emulator.world.plan import Step, target_of
from emulator.world.sampling import sampling_of
from emulator.world.worker import RunContext

__all__ = [
    "Access",
    "Effects",
    "Fences",
]


class _Grant:
    """A grant as it stands: not given, given, in force or ended."""

    __slots__ = ("model", "state")

    def __init__(self, model: Grant) -> None:
        self.model = model
        self.state = ""


class Access:
    """The table of grants and credentials, with what has been withdrawn.

    Args:
        grants, credentials: what the scenario states, in file order.
        workers: the pool of each worker.
        agenda: what is due; its present tick is the time of every look.
        sink: takes the events ``access_changed`` and ``credential_changed``.
        draws: gives the time that each grant takes to be in force, keyed by what the grant says.
    """

    __slots__ = ("_agenda", "_cached", "_credentials", "_draws", "_ended", "_grants", "_rows", "_sink", "_withdrawn",
                 "_workers")  # fmt: skip

    def __init__(
        self,
        grants: Sequence[Grant],
        credentials: Sequence[Credential],
        workers: Mapping[str, str],
        agenda: Agenda,
        sink: Sink,
        draws: Draws,
    ) -> None:
        self._grants = [_Grant(grant) for grant in grants]
        self._credentials = tuple(credentials)
        self._workers = workers
        self._agenda = agenda
        self._sink = sink
        self._draws = draws
        self._withdrawn: dict[tuple[str, str], None] = {}
        self._cached: dict[tuple[str, str, str], int] = {}
        self._rows: dict[tuple[str, str, str], tuple[bool, list[_Grant], list[int]]] = {}
        self._ended: dict[tuple[int, str], int] = {}

    def start(self) -> None:
        """Bring into force what is so by now, and put the rest on the agenda; called once, before anything runs."""
        agenda = self._agenda
        for grant in self._grants:
            model = grant.model
            law = sampling_of(model.in_force_after)
            named = ("named grant", model.name) if model.name is not None else None
            entity = entity_key(*(named or ("grant", model.who, model.to, model.given)))
            delay = law.sample(self._draws.row(Purpose.PROPAGATION_DELAY, entity)) if law is not None else 0
            if model.until is not None:
                agenda.at(model.until, self._end, grant, rank=ENDS)
                if model.until <= agenda.now:
                    continue  # it was over before the start, whenever in the night it would be given
            for tick, call in ((model.given, self._give), (model.given + delay, self._put_in_force)):
                if tick > agenda.now:
                    agenda.at(tick, call, grant)
                else:
                    call(grant)

    def refusal(
        self, worker: str, system: str, part: str, attempt_began: int, worker_started: int, cause: int = 0
    ) -> str:
        """Give the code of why a worker may not call a part of a system now; empty: it may.

        Args:
            worker: the name of the worker.
            system, part: what it calls; a part without a name of its own goes by that of the routine's part.
            attempt_began, worker_started: ticks from which its credentials count.
            cause: number of the event that led to the look.
        """
        now, place = self._agenda.now, (worker, system, part)
        until = self._cached.get(place)
        if until is not None:
            if now < until:
                return "refused_earlier"
            del self._cached[place]
        row = self._rows.get(place)
        if row is None:
            row = self._rows[place] = self._row(worker, system, part)
        is_closed, grants, credentials = row
        why = self._missing_grant(worker, system, part, grants) if is_closed or self._withdrawn else ""
        if not why:
            for index in credentials:
                if self._has_ended(index, worker, attempt_began, worker_started, cause):
                    why = "credential_ended"
        if why:
            kept = max((grant.model.refusals_cached for grant in grants), default=0)
            if kept:
                self._cached[place] = now + kept
        return why

    def withdraw(self, cause: int, who: str, system: str | None) -> bool:
        """Withdraw all access of a worker or pool to a system (None: to all); False when that was so already."""
        place = (who, system or "")
        if place in self._withdrawn:
            return False
        self._withdrawn[place] = None
        self._sink.emit((self._agenda.now, "access_changed", cause, 0, "", *place, "withdrawn"))
        return True

    def restore(self, cause: int, who: str, system: str | None) -> bool:
        """End what ``withdraw`` began with the same words; False when there was nothing to end."""
        place = (who, system or "")
        if place not in self._withdrawn:
            return False
        del self._withdrawn[place]
        self._sink.emit((self._agenda.now, "access_changed", cause, 0, "", *place, "in_force"))
        return True

    def _row(self, worker: str, system: str, part: str) -> tuple[bool, list[_Grant], list[int]]:
        names = (worker, self._workers.get(worker, worker))
        targets = (system, f"{system}/{part}")
        is_closed = any(grant.model.to.partition("/")[0] == system for grant in self._grants)
        grants = [each for each in self._grants if each.model.who in names and each.model.to in targets]
        credentials = [
            index for index, each in enumerate(self._credentials) if each.who in names and each.to in targets
        ]
        return is_closed, grants, credentials

    def _missing_grant(self, worker: str, system: str, part: str, grants: list[_Grant]) -> str:
        """Give the code of why no grant helps; an open system, without grants, is asked of what is withdrawn only."""
        for who in (worker, self._workers.get(worker, worker)):
            for what in (system, f"{system}/{part}", ""):
                if (who, what) in self._withdrawn:
                    return "withdrawn"
        if not self._rows[worker, system, part][0]:
            return ""
        states = [grant.state for grant in grants]
        if "in_force" in states:
            return ""
        if not states:
            return "no_grant"
        return "not_in_force_yet" if any(state != "ended" for state in states) else "ended"

    def _has_ended(self, index: int, worker: str, attempt_began: int, worker_started: int, cause: int) -> bool:
        credential, now = self._credentials[index], self._agenda.now
        issued = attempt_began if credential.issued == "at_attempt" else worker_started
        age = now - issued
        if credential.renewed_every is not None:
            age %= credential.renewed_every
        ended = now - age + credential.life if credential.life is not None else now + 1
        if credential.ends is not None:
            ended = min(ended, credential.ends)
        if now < ended:
            return False
        if self._ended.get((index, worker), -1) != ended:  # told once, when somebody meets it
            self._ended[index, worker] = ended
            self._sink.emit((self._agenda.now, "credential_changed", cause, 0, worker, worker, credential.to, "ended"))
        return True

    def _give(self, grant: _Grant) -> None:
        self._change(grant, "given")

    def _put_in_force(self, grant: _Grant) -> None:
        if grant.state != "ended":
            self._change(grant, "in_force")

    def _end(self, grant: _Grant) -> None:
        self._change(grant, "ended")

    def _change(self, grant: _Grant, state: str) -> None:
        grant.state = state
        self._sink.emit((self._agenda.now, "access_changed", 0, 0, "", grant.model.who, grant.model.to, state))


class Fences:
    """Remembers the highest token seen for each target and scope, and judges each write by it.

    >>> fences = Fences()
    >>> [fences.accepts("highest_token", "plate 7", "copy#1", token, lambda token: True) for token in (33, 34, 33)]
    [True, True, False]
    """

    __slots__ = ("_highest",)

    def __init__(self) -> None:
        self._highest: dict[tuple[str, str, str], int] = {}

    def accepts(
        self,
        mode: str,
        target: str,
        scope: str,
        token: int,
        lease_is_valid: Callable[[int], bool],
        system: str = "",
    ) -> bool:
        """Say whether a write is accepted at the instant at which it lands; an accepted one is remembered.

        Args:
            mode: ``no`` (every write is accepted), ``highest_token`` or ``asks_broker``, as the system is fenced.
            target: what is written to.
            scope: what shares one row of tokens on that target.
            token: the token with which the write was sent.
            lease_is_valid: what the broker says of a token now; called in the mode ``asks_broker`` only.
            system: the system that holds the target; two systems know nothing of each other's tokens.

        Raises:
            DefectError: for any other mode.
        """
        if mode == "no":
            return True
        if mode == "asks_broker":
            return lease_is_valid(token)
        if mode != "highest_token":
            raise DefectError(f"a system is fenced {mode!r}: write no, highest_token or asks_broker")
        place = (system, target, scope)
        if token < self._highest.get(place, token):
            return False
        self._highest[place] = token
        return True


class Effects:
    """Lands effects, each with the token with which it was sent; a fence is applied at the instant it lands.

    Args:
        context: the event queue and the sink.
        broker: says whether a token is still good.
        fenced: by system how it is fenced.
    """

    __slots__ = ("_agenda", "_broker", "_emit", "_fenced", "_fences", "_there")

    def __init__(self, context: RunContext, broker: Broker, fenced: Mapping[str, str]) -> None:
        self._agenda, self._emit = context.agenda, context.emit
        self._broker = broker
        self._fenced = fenced
        self._fences = Fences()
        self._there: set[tuple[str, str, str]] = set()  # only ever asked whether it holds something

    def is_there(self, job: Job, step: Step) -> bool:
        """Say whether the effect of a step is on its target already, left by the same work."""
        return (job.name, str(step[0].model.effect), target_of(job, step)) in self._there

    def found(self, attempt: Attempt, step: Step) -> None:
        """A part looked first and found its effect there."""
        self._tell("effect_found", attempt, str(step[0].model.effect), target_of(attempt.job, step))

    def land(self, attempt: Attempt, step: Step) -> bool:
        """Land the effect of a step; False if the system that holds its target refuses the token."""
        part = step[0]
        target = target_of(attempt.job, step)
        return self.leave(attempt, str(part.model.effect), target, part.target_system, part.model.repeatable)

    def leave(
        self, attempt: Attempt, effect: str, target: str, holder: str, repeatable: bool | Literal["checks_first"]
    ) -> bool:
        """Leave an effect on a target; False if the system that holds it refuses the token."""
        job = attempt.job
        mode = self._fenced.get(holder, "no")
        if mode != "no" and not self._fences.accepts(mode, target, job.scope, attempt.token, self._is_valid, holder):
            self._tell("effect_refused", attempt, effect, target, "token_is_stale")
            return False
        self._there.add((job.name, effect, target))
        self._tell("effect_landed", attempt, effect, target, repeatable)
        return True

    def _is_valid(self, token: int) -> bool:
        return self._broker.is_up and self._broker.lease_of(token) is not None

    def _tell(self, kind: str, attempt: Attempt, effect: str, target: str, *more: object) -> None:
        row = (self._agenda.now, kind, attempt.event, attempt.job.number, attempt.worker.name)
        self._emit((*row, attempt.number, attempt.token, effect, target, *more))
