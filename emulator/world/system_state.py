"""How does one system stand: whom does it serve, who waits, is it up, how long does an answer take?"""

from collections import OrderedDict, deque
from fractions import Fraction

from emulator.scenario.models import System
from emulator.timeline.bucket import TokenBucket
from emulator.world.calls import Call
from emulator.world.distribution import Distribution
from emulator.world.draws import Draws, Purpose

__all__ = ["SystemState"]


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
