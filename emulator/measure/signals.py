"""Samples the signals that somebody outside could have watched in a night, every five minutes, in one pass.

A signal is read from what a broker shows to anybody who asks it: what waits, what ended, when a worker was last heard
of. No signal knows what a worker really does, what is drawn, or what comes. A sample at a tick is taken at the end of
that instant, so that what comes and goes within one instant is never seen. Events come in order, and each is looked at
once; the silence of workers needs the events of simulated heartbeats. A night in which no fault struck is called
quiet.
"""

from array import array
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

from emulator.measure.estimate import Unit
from emulator.measure.words import number, value
from emulator.record.event_view import AT, CAUSE, KIND, EventView, view
from emulator.record.events import Row
from emulator.record.history import WAITING
from emulator.record.reasons import NOT_BY_PLAN, WITHDRAWN_BY_PERSON
from emulator.records import record
from emulator.timeline.ticks import HOUR, MINUTE

__all__ = [
    "STEP",
    "Kind",
    "Signal",
    "SignalFold",
    "WatchedNight",
    "any_fault_struck",
    "signals_of",
]


STEP: Final = 5 * MINUTE
"""Ticks between two samples; the first is taken one step after the start."""
_WINDOW: Final = HOUR
"""What is counted over time is counted in the hour up to the sample: after its beginning, up to and with the sample."""

Kind = Literal["backlog", "oldest_wait", "unfinished_per_done", "lost_leases", "retries", "longest_silence"]

_LABELS: Final[Mapping[Kind, str]] = MappingProxyType(
    {
        "backlog": "jobs waiting in queue {}",
        "oldest_wait": "age of the oldest waiting job in queue {}",
        "unfinished_per_done": "unfinished jobs for each job done in the last hour",
        "lost_leases": "leases lost in the last hour",
        "retries": "retries in the last hour",
        "longest_silence": "longest silence of a worker",
    }
)
_BY_QUEUE: Final = ("backlog", "oldest_wait")
_UNITS: Final[Mapping[Kind, float]] = MappingProxyType(
    {
        "backlog": 1,
        "oldest_wait": MINUTE,
        "unfinished_per_done": 0.1,
        "lost_leases": 1,
        "retries": 1,
        "longest_silence": MINUTE,
    }
)


@record
class Signal:
    """One signal: what is watched, and of which queue.

    Attributes:
        kind: what is watched. Of each, a high value is the bad one.
        queue: the queue; "" for what is watched of the whole night.
    """

    kind: Kind
    queue: str = ""

    @property
    def name(self) -> str:
        """How it is named on the command line and in files: ``backlog night``, ``retries``."""
        return f"{self.kind} {self.queue}" if self.queue else self.kind

    @property
    def label(self) -> str:
        """How it is called where people read: ``jobs waiting in queue night``."""
        return _LABELS[self.kind].format(self.queue)

    @property
    def unit(self) -> Unit:
        """What it is counted in."""
        return "count" if self.step == 1 else "time" if self.step == MINUTE else "ratio"

    @property
    def step(self) -> float:
        """The step in which its thresholds are told: one job, one minute (in ticks), or a tenth."""
        return _UNITS[self.kind]

    def write(self, amount: float) -> str:
        """Write a value of it: a number, a duration, or a quotient.

        >>> Signal("backlog", "night").write(12), Signal("oldest_wait", "night").write(90_000_000)
        ('12', '1 min 30 s')
        """
        return value(amount, "time") if self.unit == "time" else number(round(amount, 1))


def signals_of(queues: Iterable[str]) -> tuple[Signal, ...]:
    """Give every signal of a scenario with these queues.

    >>> [one.name for one in signals_of(["night"])][:3]
    ['backlog night', 'oldest_wait night', 'unfinished_per_done']
    """
    names = tuple(queues)
    own = [Signal(kind, name) for name in names for kind in ("backlog", "oldest_wait")]
    return (*own, *(Signal(kind) for kind in _LABELS if kind not in _BY_QUEUE))


@dataclass(frozen=True, slots=True)
class WatchedNight:
    """One night as somebody outside has watched it, and what became of it; it travels between processes.

    Attributes:
        seed: the night's seed.
        samples: the values of each signal, in the order of ``signals_of``.
        faults: every fault that struck, in the order of time: its tick, its kind, and its place in the scenario.
        missed_at: from when on the first missed requirement could no longer be met; None: none was missed.
        missed: that requirement in words; "" for none.
    """

    seed: int
    samples: "Sequence[array[float]]"
    faults: Sequence[tuple[int, str, str]] = ()
    missed_at: int | None = None
    missed: str = ""

    @property
    def is_quiet(self) -> bool:
        """Whether no fault struck."""
        return not self.faults


class SignalFold:
    """Folds rows of events into samples of every signal.

    A job waits while it is queued or requeued, and not held; its age counts from when it began to wait, so that a job
    that comes back after a lost lease is young again. A job is unfinished from its submission to its end. Where no job
    was done in the last hour, unfinished jobs are divided by one. A retry is a job put back after an attempt that
    counts. A lease that a person took away is not lost. A worker is silent since its last heartbeat that got through,
    or since it registered; one that signed off is not silent.

    Args:
        queues: the queues of the scenario, in the order of its file.
        horizon: the tick at which the run ends.

    Attributes:
        samples: signal -> its values, one for each step up to the horizon; complete when the fold is closed.

    >>> fold = SignalFold(["night"], 600_000_000)
    >>> fold.feed((60_000_000, "submitted", 0, 1, "", "queued", "copy", "night", "plates", 1, "", 0, "", 0))
    >>> fold.close()
    >>> fold.samples[Signal("oldest_wait", "night")].tolist()
    [240000000.0, 540000000.0]
    """

    def __init__(self, queues: Iterable[str], horizon: int) -> None:
        names = tuple(queues)
        self.samples: Final = {signal: array("d") for signal in signals_of(names)}
        self._horizon = horizon
        self._next = STEP
        self._waiting: dict[str, dict[int, int]] = {name: {} for name in names}  # in the order in which they came
        self._queue_of: dict[int, str] = {}  # of each job that is unfinished
        self._done: deque[int] = deque()
        self._lost: deque[int] = deque()
        self._retries: deque[int] = deque()
        self._heard: dict[str, int] = {}
        self._handlers: Final[Mapping[str, Callable[[EventView], None]]] = {
            "submitted": self._submitted,
            "held": self._moved,
            "hold_ended": self._moved,
            "handed_back": self._moved,
            "requeued": self._requeued,
            "handed_out": self._handed_out,
            "attempt_ended": self._attempt_ended,
            "finished": self._finished,
            "worker_registered": self._is_heard,
            "heartbeat_received": self._is_heard,
            "worker_signed_off": self._signed_off,
            "worker_changed": self._changed,
        }

    def feed(self, row: Row) -> None:
        """Take the next row of the stream; kinds that no signal needs are passed over."""
        while row[AT] > self._next:
            self._sample()
        handler = self._handlers.get(row[KIND])
        if handler is not None:
            handler(view(0, row))

    def close(self) -> None:
        """Take the samples that are left, up to the horizon."""
        while self._next <= self._horizon:
            self._sample()

    def _sample(self) -> None:
        """Take every sample of the next step: nothing more comes up to and with its tick."""
        at = self._next
        self._next = at + STEP
        samples = self.samples
        for queue, waiting in self._waiting.items():
            samples[Signal("backlog", queue)].append(len(waiting))
            samples[Signal("oldest_wait", queue)].append(at - next(iter(waiting.values())) if waiting else 0)
        done = _within(self._done, at)
        samples[Signal("unfinished_per_done")].append(len(self._queue_of) / max(1, done))
        samples[Signal("lost_leases")].append(_within(self._lost, at))
        samples[Signal("retries")].append(_within(self._retries, at))
        samples[Signal("longest_silence")].append(at - min(self._heard.values(), default=at))

    def _submitted(self, event: EventView) -> None:
        self._queue_of[event.job] = event.queue
        self._moved(event)

    def _moved(self, event: EventView) -> None:
        """Follow a job into a state: it waits in its queue, or it does not."""
        waiting = self._waiting[self._queue_of[event.job]]
        if event.state in WAITING:
            waiting.setdefault(event.job, event.at)
        else:
            waiting.pop(event.job, None)

    def _requeued(self, event: EventView) -> None:
        self._retries.append(event.at)
        self._moved(event)

    def _handed_out(self, event: EventView) -> None:
        self._waiting[self._queue_of[event.job]].pop(event.job, None)

    def _attempt_ended(self, event: EventView) -> None:
        if event.outcome == "lease_lost" and event.why != WITHDRAWN_BY_PERSON:
            self._lost.append(event.at)

    def _finished(self, event: EventView) -> None:
        self._waiting[self._queue_of.pop(event.job)].pop(event.job, None)
        if event.state == "done":
            self._done.append(event.at)

    def _is_heard(self, event: EventView) -> None:
        self._heard[event.worker] = event.at

    def _changed(self, event: EventView) -> None:
        if event.state == "off" and event.why not in NOT_BY_PLAN:
            self._signed_off(event)

    def _signed_off(self, event: EventView) -> None:
        self._heard.pop(event.worker, None)


def _within(ticks: deque[int], at: int) -> int:
    """Count what happened in the hour up to a tick; what lies before is forgotten."""
    while ticks and ticks[0] <= at - _WINDOW:
        ticks.popleft()
    return len(ticks)


def any_fault_struck(rows: Iterable[Row]) -> bool:
    """Say whether any fault hit something in a night, told from its events alone.

    A fault that is not there tonight (`share_of_nights`), that does not begin before the end, or that finds nothing to
    hit (a worker that is off) did not strike. What people do (actions) is no fault.

    Args:
        rows: all events of the night, in order.

    >>> any_fault_struck([(0, "run_began", 0, 0, "", 7)])
    False
    >>> any_fault_struck([(5, "fault_began", 0, 0, "dome-1", "freeze", "faults[0]", 1, "dome-1")])
    True
    """
    began = missed = 0
    for row in rows:
        if row[KIND] == "fault_began":
            began += 1
        elif row[KIND] == "fault_missed" and row[CAUSE]:  # its cause is the fault that began; without one it never did
            missed += 1
    return began > missed
