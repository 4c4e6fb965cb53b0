"""How does one system stand: whom does it serve, who waits, is it up, how long does an answer take?

A ``Call`` is one call to a system: who makes it, what it leaves behind, and where it stands.
"""

from collections import OrderedDict, deque
from collections.abc import Callable
from fractions import Fraction
from typing import Final

from emulator.scenario.models import System
from emulator.timeline.bucket import TokenBucket
from emulator.world.distribution import Distribution
from emulator.world.draws import Draws, Purpose

__all__ = ["ATTACHED", "ENDED", "IN_LINE", "IN_SERVICE", "Call", "SystemState"]

IN_LINE: Final = "in line"
IN_SERVICE: Final = "in service"
ATTACHED: Final = "attached"
ENDED: Final = "ended"

Land = Callable[[], bool | None]
Done = Callable[[str, int | None], None]


class Call:
    """One call that a part makes to a system.

    Attributes:
        job, attempt, token, worker: who calls, which is given as ``caller``.
        key: of its draws: made of the job's key, the attempt, the part and element, and which call of them it is.
        system, target: whom it calls, and what the effect is left on.
        effect, scope: which effect, and which family of jobs: an earlier call with the same target, effect and scope
            is the caller's own work. Left empty, the target alone decides.
        patience: ticks after which the caller gives up; None: as long as the system's own callers wait.
        error_share: errors that come on top of the system's own.
        lands: when the effect lands (``at_request``, ``at_end``, ``remotely``; None: there is none), by ``land()``.
            If ``land()`` gives False, a fence refused the write, and the answer is an error.
        done: what to call with the outcome and the hint when to come again. Whoever has died sets it to None.
        cause: number of the event that led to the call.
        event: number of the latest event about this call; 0 before the first.
        ordered: the answer that somebody has asked for; "" for the system's own.
        is_frozen, is_overdue: whether the caller stands still, and whether its patience has ended meanwhile.
        since: tick at which it was made; ``place``: where it stands now.
    """

    __slots__ = (
        "attached",
        "attempt",
        "cause",
        "done",
        "effect",
        "ends_at",
        "error_share",
        "event",
        "if_already_in_progress",
        "is_frozen",
        "is_overdue",
        "job",
        "key",
        "land",
        "lands",
        "left",
        "ordered",
        "patience",
        "place",
        "scope",
        "served_since",
        "since",
        "system",
        "target",
        "token",
        "worker",
    )

    def __init__(self, caller: tuple[int, int, int, str], key: int, system: str, done: Done | None = None) -> None:
        self.job, self.attempt, self.token, self.worker = caller
        self.key = key
        self.system = system
        self.done = done
        self.target = self.effect = self.scope = ""
        self.cause = 0
        self.patience: int | None = None
        self.if_already_in_progress = "error"
        self.lands: str | None = None
        self.land: Land | None = None
        self.error_share = 0.0
        self.event = 0
        self.ordered = ""
        self.since = 0
        self.place = IN_LINE
        # while it is served: work left at `served_since` (ticks as long as there is no brown-out), and its end
        self.left: Fraction | int = 0
        self.served_since = 0
        self.ends_at = -1
        self.is_frozen = False
        self.is_overdue = False
        self.attached: list[Call] = []

    @property
    def own(self) -> tuple[str, str, str]:
        """Name the piece of remote work that this call asks for."""
        return self.target, self.effect, self.scope

    def with_waiters(self) -> list["Call"]:
        """Give this call and those that wait for the same answer."""
        return [self, *(each for each in self.attached if each.place is ATTACHED)]


class SystemState:
    """One system: who waits at its door and in its line, whom it serves, and what has happened to it.

    Attributes:
        at_door: calls that wait for a token of the rate limit, in order; ``line``: those that wait for a slot.
        serving: calls in service; ``own``: the earliest call in line or in service for each remote piece of work.
        opens_at: tick at which the door is next looked at, -1 if none is due.
        is_down, outages: whether a fault took it down, and how many of its stated outages are under way.
        ordered: what somebody has asked that it answers next, each with the hint of a refusal.
        factor, error_share: the brown-out, and the share of errors in place of its own (None: its own).
    """

    __slots__ = ("at_door", "bucket", "error_share", "factor", "is_down", "law", "line", "model", "name", "opens_at",
                 "ordered", "outages", "own", "refuses_when_empty", "serving")  # fmt: skip

    def __init__(self, name: str, model: System, law: Distribution, now: int) -> None:
        self.name = name
        self.model = model
        self.law = law
        limit = model.limit
        self.bucket = TokenBucket(limit.burst, limit.allows, limit.each, now) if limit else None
        self.refuses_when_empty = limit is not None and limit.when_empty == "refuse"
        self.at_door: OrderedDict[Call, None] = OrderedDict()
        self.line: OrderedDict[Call, None] = OrderedDict()
        self.serving: OrderedDict[Call, None] = OrderedDict()
        self.own: dict[tuple[str, str, str], Call] = {}
        self.opens_at = -1
        self.is_down = False
        self.outages = 0
        self.factor = Fraction(1)
        self.error_share: float | None = None
        self.ordered: deque[tuple[str, int | None]] = deque()

    @property
    def is_out(self) -> bool:
        return self.is_down or self.outages > 0

    @property
    def is_full(self) -> bool:
        return self.model.slots is not None and len(self.serving) >= self.model.slots

    @property
    def has_full_line(self) -> bool:
        most = self.model.waiting_at_most
        return most is not None and len(self.at_door) + len(self.line) >= most

    def answer_time(self, call: Call, draws: Draws) -> int:
        """Draw how long the system works on a call, in ticks, without a brown-out."""
        return self.law.sample(draws.row(Purpose.SYSTEM_ANSWER, call.key))

    def answers_with_error(self, call: Call, draws: Draws) -> bool:
        """Draw whether the answer to a call is an error, by the share of errors as it is now."""
        share = self.model.error_share if self.error_share is None else self.error_share
        share += call.error_share - share * call.error_share
        return bool(share) and draws.uniform(Purpose.CALL_ERROR, call.key) < share

    @property
    def state(self) -> str:
        if self.is_out:
            return "down"
        if self.factor != 1:
            return "brown_out"
        return "up" if self.error_share is None else "errors"
