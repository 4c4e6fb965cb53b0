"""Drives a broker in tests as the world does: alarms in the order of the agenda, ends before messages."""

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any, NamedTuple

from emulator.broker.broker import Broker
from emulator.broker.jobs import Attempt, Job, Source, rare
from emulator.broker.rules import QueueRules
from emulator.broker.waiters import After, Before
from emulator.broker.workers import HeartbeatReply, Message
from emulator.record.recorder import Recorder
from emulator.timeline.agenda import ENDS, MESSAGES, REST, Agenda

_ENDING = ("time_limit", "total limit", "start")


class Grant(NamedTuple):
    """What a worker is told as it is given an attempt: it may work on the job in [granted, until)."""

    job: int
    attempt: int
    token: int
    granted: int
    until: int


def granted(attempt: Attempt) -> Grant:
    """Give what a worker is told of an attempt."""
    return Grant(attempt.job.number, attempt.number, attempt.token, attempt.granted, attempt.until)


def new_job(
    queue: str = "night",
    ordinal: int = 1,
    entry: str = "plates",
    *,
    routine: str = "plate-copy",
    key: str = "",
    priority: int = 0,
    requires: tuple[str, ...] = (),
    expected: int = 0,
    terms: Any = None,
    **more: Any,
) -> Job:
    """Make a job of a queue; ``more`` is what only some jobs need."""
    source = Source(SimpleNamespace(name=routine, queue=queue, requires=requires), entry, terms)
    source.key, source.priority, source.expected = key, priority, expected
    job = Job(source, ordinal)
    for name, value in more.items():
        setattr(rare(job), name, value)
    return job


class Driver:
    """A broker with an agenda; the calls are messages and requests at the present instant."""

    def __init__(self, *queues: QueueRules, u: float = 0.5, **options: Any) -> None:
        self.agenda = Agenda()
        self.recorder = Recorder()
        self.now = 0
        self.u = u
        self.drawn: list[tuple[int, int]] = []
        self.rung: list[str] = []
        self.broker = Broker(queues or [QueueRules("night")], self.recorder, self, self.uniform, **options)
        self.queues = tuple(rules.name for rules in queues) or ("night",)
        self.numbers: dict[str, int] = {}
        self.incarnations: dict[str, int] = {}
        self.ordinal = 0

    def uniform(self, job: Job, attempt: int) -> float:
        self.drawn.append((job.number, attempt))
        return self.u

    # -- the alarms that the broker asks for ---------------------------------------------------------------------------

    def ring(self, at: int, what: str, job: int, token: int) -> None:
        self.rung.append(what)
        rank = ENDS if what in _ENDING else REST
        keys = (job, token) if rank == ENDS else (0, 0)
        self.agenda.at(at, lambda _: self._due(what, job, token), None, rank, *keys)

    def lease(self, attempt: Attempt) -> None:
        job, token = attempt.job.number, attempt.token
        self.agenda.at(attempt.until, lambda _: self._due("lease", job, token), None, ENDS, job, token)

    def silence(self, at: int, worker: str, incarnation: int) -> None:
        self.agenda.at(at, lambda _: self.broker.silence_due(self.agenda.now, worker, incarnation), None, ENDS)

    def _due(self, what: str, job: int, token: int) -> None:
        self.broker.due(self.agenda.now, 0, what, job, token)

    # -- time ----------------------------------------------------------------------------------------------------------

    def at(self, now: int) -> "Driver":
        """Go to the messages of an instant: what ends then has ended, what takes its turn among the rest has not."""
        self.agenda.run(before=(now, MESSAGES, 0, 0, 0))
        self.now = now
        return self

    def after(self, now: int) -> "Driver":
        """Go to the end of an instant."""
        self.agenda.run(before=(now + 1, 0, 0, 0, 0))
        self.now = now
        return self

    # -- calls ---------------------------------------------------------------------------------------------------------

    def submit(self, queue: str = "", **more: Any) -> int:
        self.ordinal += 1
        ordinal = more.pop("ordinal", self.ordinal)
        if_failed, follows = more.pop("if_failed", "fail"), more.pop("follows_resubmitted", False)
        if type(more.get("after")) is tuple:  # one job, by its entry and number
            more["after"] = After((Before(*more["after"], goes_on=if_failed == "go_on", follows=follows),))
        return self.broker.submit(self.now, 0, new_job(queue or self.queues[0], ordinal, **more))

    def register(self, worker: str = "dome-1", silence: int | None = None) -> int:
        number = self.incarnations[worker] = self.incarnations.get(worker, 0) + 1
        self.broker.register(self.now, 0, worker, number, silence)
        return number

    def number(self, worker: str) -> int:
        number = self.numbers[worker] = self.numbers.get(worker, 0) + 1
        return number

    def _known(self, worker: str) -> int:
        if worker not in self.incarnations:
            self.register(worker)
        return self.incarnations[worker]

    def message(self, number: int, order: int = 0, worker: str = "dome-1", incarnation: int = 1) -> Message:
        """Give what the broker is told of a message: whose it is, and which."""
        return self.broker.holder(worker, incarnation), number, order

    def _next(self, worker: str) -> Message:
        return self.message(incarnation=self._known(worker), number=self.number(worker), worker=worker)

    def take(
        self,
        worker: str = "dome-1",
        queues: Sequence[str] = (),
        equipment: Sequence[str] = (),
        time_left: int | None = None,
    ) -> Grant | None:
        served = tuple(queues) or self.queues
        attempt = self.broker.take(self.now, self._next(worker), served, frozenset(equipment), time_left)
        return None if attempt is None else granted(attempt)

    def taken(self, *args: Any, **more: Any) -> Grant:
        grant = self.take(*args, **more)
        assert grant is not None
        return grant

    def heartbeat(self, *tokens: int, worker: str = "dome-1") -> HeartbeatReply:
        return self.broker.heartbeat(self.now, 0, self._next(worker), tokens)

    def hand_in(self, token: int, outcome: Any = "ok", worker: str = "dome-1", **more: Any) -> bool:
        return self.broker.hand_in(self.now, 0, self._next(worker), token, outcome, **more)

    # -- looking -------------------------------------------------------------------------------------------------------

    def rows(self, *kinds: str, since: int = 0) -> list[tuple[Any, ...]]:
        """Give (at, kind, job, worker, details...) of the events of these kinds after a number of events."""
        return [(row[0], row[1], *row[3:]) for row in self.recorder.rows[since:] if not kinds or row[1] in kinds]

    def state(self, job: int) -> str:
        return self.broker.state_of(job).value

    def ends(self, *jobs: int) -> list[tuple[str, str]]:
        return [(self.state(job), self.broker.sub_state(job)) for job in jobs]
