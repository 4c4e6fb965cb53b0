"""The records that the parts of the world share: a worker, its clock, its requests, and what each part is handed."""

from collections.abc import Callable
from typing import Any, Final, Literal

from emulator.broker.jobs import Attempt
from emulator.broker.rules import Hint, Outcome
from emulator.record.events import Row
from emulator.record.reasons import NONE, Because
from emulator.scenario.models import Link, Pool
from emulator.timeline.agenda import Agenda
from emulator.world.draws import Distribution, Draws, Purpose, entity_key
from emulator.world.sampling import sampling_of

__all__ = ["BOOTING", "OFF", "ON", "OWN_END", "Request", "RunContext", "Worker", "WorkerClock", "WorkerState"]

OFF: Final = "off"
BOOTING: Final = "booting"
ON: Final = "on"

OWN_END: Final = 1 << 60
"""Added to a token where a worker stops by its own clock: at one instant the broker's end of the lease goes first."""

_MILLION: Final = 1_000_000


WorkerState = Literal["off", "booting", "idle", "busy", "draining", "frozen", "cut_off"]
"""The state of a worker, as events and ``emu.worker(name).state`` tell it."""


class WorkerClock:
    """A worker's own clock: true time, an offset, and a drift in parts per million since ``since``."""

    __slots__ = ("drift", "offset", "since")

    def __init__(self, offset: int = 0, drift_ppm: float = 0.0, since: int = 0) -> None:
        self.offset = offset
        self.drift = round(drift_ppm)
        self.since = since

    def local(self, now: int) -> int:
        """Give what the clock shows at a true tick."""
        return now + self.offset + (now - self.since) * self.drift // _MILLION

    def true_length(self, length: int) -> int:
        """Give the true time in which the clock counts ``length``, rounded up to a tick."""
        return length if not self.drift else -(-length * _MILLION // (_MILLION + self.drift))

    def true_tick(self, local: int) -> int:
        """Give the first true tick at which the clock shows ``local`` or more."""
        ahead = local - self.offset - self.since
        return self.since + self.true_length(ahead) if ahead > 0 else local - self.offset


class Worker:
    """One worker: its program, its machine, its link to the broker.

    Attributes:
        free: how many of its slots no attempt takes.
        idle_since: the tick of the last change of what it works on: it began or ended an attempt, or was registered.
        waiting: it waits for work; poll_anchor, asked_at: from when on its requests are counted, and its last one.
        is_kept_off: a person has taken it out of service for a time; back_after: how long after it is off it is back in
            service, -1 if that is not so counted.
        group: who is like it in what it may have (``Alike``), as the dispatcher keeps them.
    """

    __slots__ = (
        "answered_beat",
        "asked_at",
        "asking",
        "attempts",
        "attempts_begun",
        "back_after",
        "beat_origin",
        "booted_at",
        "boots",
        "clock",
        "contact_wanted",
        "cut_back",
        "cut_out",
        "delay_back",
        "delay_out",
        "equipment",
        "error_share",
        "finishing",
        "first_beat",
        "free",
        "frozen_at",
        "gone",
        "group",
        "heartbeat",
        "heartbeat_loss",
        "holder",
        "idle_since",
        "incarnation",
        "index",
        "is_driven",
        "is_kept_off",
        "is_lossy",
        "is_plain",
        "is_slow",
        "is_steady",
        "jitter",
        "key",
        "link",
        "looks_at_end",
        "loss_from",
        "missed_beat",
        "model",
        "name",
        "number",
        "order",
        "poll",
        "poll_anchor",
        "pool",
        "power_state",
        "queues",
        "real_speed",
        "registered",
        "removed",
        "requests",
        "result_loss",
        "retires_after",
        "shutdown_at",
        "slots",
        "speed",
        "state",
        "waiting",
    )

    def __init__(self, name: str, index: int, pool: str, model: Pool, key: int) -> None:
        differs = model.per_worker.get(name)
        self.name = name
        self.index = index
        self.pool = pool
        self.model = model
        self.key = key
        self.queues: tuple[str, ...] = model.serves
        self.error_share = (differs.error_share if differs else None) or 0.0
        self.slots = self.free = (differs.slots if differs else None) or model.slots
        self.speed = (differs.speed if differs else None) or model.speed
        self.real_speed = self.speed  # work done in a unit of time just now: faults slow a worker down
        own = differs.equipped_with if differs and differs.equipped_with is not None else model.equipped_with
        self.equipment: frozenset[str] = frozenset(own)
        self.removed: dict[str, tuple[str, ...]] = {}
        skew = (differs.clock if differs else None) or model.clock
        self.clock = WorkerClock(-skew.offset if skew.behind else skew.offset, skew.drift_ppm)
        self.poll = model.poll.longest or 0  # until it is drawn, where it is
        self.heartbeat = self.clock.true_length(model.heartbeat)
        self.jitter = self.clock.true_length(model.heartbeat_jitter)
        self.link: Link = model.link
        self.delay_out = _or_none(sampling_of(model.link.delay_out))
        self.delay_back = _or_none(sampling_of(model.link.delay_back))
        self.is_slow = self.delay_out is not None or self.delay_back is not None
        self.is_lossy = bool(model.link.loss_out or model.link.loss_back)
        self.boots = sampling_of(model.boots_in)
        self.retires_after = model.retires_after
        self.state = OFF
        self.power_state = ""
        self.incarnation = 0
        self.registered = 0
        self.holder: Any = None  # the broker's record of its program, once that has registered
        self.attempts: list[Attempt] = []
        self.waiting = False
        self.poll_anchor = 0
        self.asked_at = -1
        self.idle_since = 0
        self.group: Any = None
        self.finishing = False
        self.gone = False
        self.is_kept_off = False
        self.back_after = -1
        self.frozen_at = -1
        self.cut_out = False
        self.cut_back = False
        self.heartbeat_loss = 0.0
        self.loss_from = 0
        self.result_loss = 0.0
        self.beat_origin = 0
        self.first_beat = 1  # those before it were sent, or fell due, by a clock that has been set since
        self.missed_beat = False  # one fell due while it stood still, by a clock that has been set since
        self.answered_beat = 0  # the newest heartbeat whose answer came
        self.booted_at = 0
        self.number = 0
        self.order = 0  # of its last message: among all that it has sent
        self.asking: Request | None = None  # its request for work, while that is not answered
        self.requests: list[object] = []  # what came, and what fell due, while it stands still
        self.contact_wanted = False
        self.attempts_begun = 0
        self.shutdown_at = -1
        self.is_plain = self.is_steady = self.looks_at_end = False
        self.is_driven = False  # by a program of somebody's own: the world asks for no work and sends no heartbeats
        self.look_at_link()

    def __str__(self) -> str:
        return self.name

    def look_at_link(self) -> None:
        """Note anew whether every message gets through at once, every heartbeat in its time, and a lease may end at
        another time for the worker than for the broker; called when the link, the loss of heartbeats or the clock has
        changed."""
        self.is_plain = not (self.is_slow or self.is_lossy or self.cut_out or self.cut_back)
        self.is_steady = self.is_plain and not self.jitter and not self.heartbeat_loss
        clock = self.clock
        self.looks_at_end = self.model.stops_at_lease_end or not self.is_steady or bool(clock.offset or clock.drift)

    @property
    def is_active(self) -> bool:
        """Say whether its program runs and is not frozen."""
        return self.state is ON and self.frozen_at < 0

    def place_of(self, incarnation: int) -> int:
        """Give the place of one of its programs among all programs: by worker, an earlier one first."""
        return self.index << 32 | incarnation

    def next_order(self) -> int:
        """Give the next message its place among all that the worker has sent."""
        self.order += 1
        return self.order

    def next_number(self) -> int:
        """Give the next number of a request of this incarnation."""
        self.number += 1
        return self.number


def _or_none(law: Distribution | None) -> Distribution | None:
    """Leave out a delay that is always 0."""
    return None if law is None or law.quantile(0.999) == 0 else law


class Request:
    """One request of a worker, until it is answered."""

    __slots__ = (
        "answered",
        "arrived",
        "attempt",
        "first_sent",
        "free",
        "granted",
        "incarnation",
        "is_decided",
        "number",
        "order",
        "outcome",
        "sent",
        "tries",
        "wanted",
        "what",
        "worker",
    )

    def __init__(self, what: str, worker: Worker, attempt: Attempt | None = None) -> None:
        self.what = what
        self.worker = worker
        self.incarnation = worker.incarnation
        self.number = worker.next_number()
        self.free = worker.free  # slots, as its worker says: what becomes free later, the broker does not know
        self.attempt = attempt
        self.outcome: tuple[Outcome, Because, Hint | None] = ("ok", NONE, None)
        self.answered = False
        self.granted: Any = None  # what a request for work was given: a repeat gets the same
        self.is_decided = False  # whether that is known
        self.sent = 0
        self.first_sent = 0
        self.order = 0  # of the latest try: its place among all messages of the worker
        self.arrived = 0  # the same of the try that has reached the broker
        self.tries = 0
        self.wanted = 0  # the place of its latest try that asked for new work

    def note_sent(self, now: int) -> None:
        """Count one more try, sent now."""
        self.sent = now
        self.order = self.worker.next_order()
        if not self.worker.finishing:
            self.wanted = self.order
        self.tries += 1
        if self.tries == 1:
            self.first_sent = now


class RunContext:
    """What every part of the world is handed, besides the broker and the peers that it names.

    Attributes:
        agenda: what is due, and the present tick.
        emit: takes an event and gives its number.
        draws: gives every random number, by its key.
        workers, pools: who works, by name.
    """

    __slots__ = ("agenda", "draws", "emit", "pools", "workers")

    def __init__(self, agenda: Agenda, emit: Callable[[Row], int], draws: Draws) -> None:
        self.agenda = agenda
        self.emit = emit
        self.draws = draws
        self.workers: dict[str, Worker] = {}
        self.pools: dict[str, list[Worker]] = {}

    def add_pool(self, pool: str, model: Pool) -> None:
        """Make the workers of a pool, each with a period of its own if that is drawn."""
        names, first = model.names(pool), len(self.workers)
        members = [
            Worker(name, place, pool, model, entity_key("worker", name)) for place, name in enumerate(names, first)
        ]
        if model.poll.constant is None and (law := sampling_of(model.poll)) is not None:
            for worker in members:
                worker.poll = law.sample(self.draws.row(int(Purpose.POLL_EVERY), worker.key))
        self.pools[pool] = members
        self.workers.update((worker.name, worker) for worker in members)
