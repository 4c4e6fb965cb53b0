"""When does the next job of an arrival entry come?

One class for each way of arriving. Each schedules one entry of the agenda ahead, and calls ``come(ordinal, nominal,
line, cause)`` when a job is due; what is then done with it is not known here. Arrivals cover [from, until), cut at the
horizon.

Gap k of an entry, which leads to its job k (or follows it, for ``again_after``), is drawn by the key (entry, k).
"""

from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Final, Protocol

from emulator.timeline.agenda import Agenda
from emulator.timeline.ticks import HOUR
from emulator.world.distribution import OneUniform
from emulator.world.draws import Draws, Purpose
from emulator.world.numerics import LONGEST, exactly
from emulator.world.sampling import Distribution, Exponential, Weibull

if TYPE_CHECKING:
    from emulator.scenario.traces import Arrival as Line
    from emulator.scenario.traces import Lines

__all__ = ["AtOnce", "Come", "Coming", "FiniteSource", "Gaps", "OnDays", "Traced", "poisson_gaps"]

Come = Callable[[int, int, "Line | None", int], None]
"""Takes (ordinal, tick at which it is due, line of the trace, cause)."""

_ENDLESS: Final = 2**62
_ARRIVAL_GAP: Final = int(Purpose.ARRIVAL_GAP)


class Coming(Protocol):
    """A way of arriving."""

    def start(self) -> None:
        """Schedule the first job."""
        ...

    def has_more(self) -> bool:
        """Say whether a job is still to come, as things stand."""
        ...

    def sure_until(self) -> int:
        """Give a tick before which no further job comes: of what is drawn only what has passed is known."""
        ...


def poisson_gaps(per_hour: float) -> Distribution:
    """Give the gaps of a Poisson process with a rate above 0 in jobs an hour; their mean is at most 2**52 ticks.

    >>> poisson_gaps(6)
    Exponential(mean=600000000)
    """
    mean = HOUR / Fraction(per_hour)
    if mean.denominator == 1 and mean <= LONGEST:
        return Exponential(int(mean))
    with exactly():  # an exponential of any mean is a Weibull of the shape 1, whose scale need not be whole
        return Weibull(1.0, min(Decimal(mean.numerator) / mean.denominator, Decimal(LONGEST)))


class AtOnce:
    """So many jobs at one instant, in order."""

    __slots__ = ("_agenda", "_at", "_come", "_count", "_has_come")

    def __init__(self, agenda: Agenda, come: Come, at: int, count: int) -> None:
        self._agenda, self._come, self._at, self._count = agenda, come, at, count
        self._has_come = False

    def start(self) -> None:
        self._agenda.at(self._at, self._fire)

    def has_more(self) -> bool:
        return not self._has_come

    def sure_until(self) -> int:
        return _ENDLESS if self._has_come else self._at

    def _fire(self, _: None) -> None:
        self._has_come = True
        for ordinal in range(1, self._count + 1):
            self._come(ordinal, self._at, None, 0)


class Gaps:
    """Jobs with gaps between them: drawn, or constant; a surge divides them by its factor.

    Args:
        law: the gaps.
        entity: the entry's key.
        begins, ends: the window.
        count: so many jobs at most, None for any number.
        first_at_once: the first job comes at ``begins``, not one gap after it.
    """

    __slots__ = (
        "_agenda",
        "_begins",
        "_carry",
        "_come",
        "_count",
        "_draws",
        "_due",
        "_ends",
        "_entity",
        "_factor",
        "_first_at_once",
        "_law",
        "_law_at",
        "_ordinal",
        "_plan",
        "_uniform",
    )

    def __init__(
        self,
        agenda: Agenda,
        draws: Draws,
        come: Come,
        law: Distribution,
        entity: int,
        begins: int,
        ends: int,
        count: int | None,
        first_at_once: bool,
    ) -> None:
        self._agenda, self._draws, self._come = agenda, draws, come
        self._law, self._entity, self._first_at_once = law, entity, first_at_once
        self._uniform = draws.uniform
        self._law_at = law.at if isinstance(law, OneUniform) else None
        self._begins, self._ends = begins, ends
        self._count = _ENDLESS if count is None else count
        self._ordinal = 1  # of the job that comes next
        self._due = begins  # its tick, also if that lies beyond the window: a surge may bring it back
        self._carry = Fraction(0)  # what the exact time lies after that tick
        self._factor: Fraction | None = None  # None is 1: comparing fractions at every job is dear
        self._plan = 0  # which of its plans holds: a surge makes the entry of the agenda void

    def start(self) -> None:
        if not self._first_at_once:
            self._add_gap()
        self._schedule()

    def set_factor(self, factor: float) -> None:
        """From now on the gaps are divided by this, which is above 0; of the gap under way, what remains of it is."""
        old, new = self._factor or Fraction(1), Fraction(factor)
        self._factor = None if new == 1 else new
        since = max(self._agenda.now, self._begins)
        if self._due > since:
            self._due = since + round((self._due - since + self._carry) * old / new)
        self._carry = Fraction(0)
        self._plan += 1
        self._schedule()

    def has_more(self) -> bool:
        return self._ordinal <= self._count and self._due < self._ends

    def sure_until(self) -> int:
        now = self._agenda.now
        return now if self._ordinal <= self._count and now < self._ends else _ENDLESS

    def stop(self) -> None:
        """Let no further job come."""
        self._count = 0

    def _add_gap(self) -> None:
        ordinal = self._ordinal
        if self._law_at is not None:
            gap = self._law_at(self._uniform(_ARRIVAL_GAP, self._entity, ordinal))
        else:
            gap = self._law.sample(self._draws.row(_ARRIVAL_GAP, self._entity, ordinal), ordinal)
        if self._factor is None:
            self._due += gap
        else:  # without what is carried over, gaps of a few ticks would all be rounded the same way
            exact = gap / self._factor + self._carry
            whole = round(exact)
            self._due += whole
            self._carry = exact - whole

    def _schedule(self) -> None:
        if self._ordinal <= self._count and self._due < self._ends:
            self._agenda.at(self._due, self._fire, self._plan)

    def _fire(self, plan: int) -> None:
        if plan != self._plan:
            return
        ordinal, due = self._ordinal, self._due
        self._ordinal = following = ordinal + 1
        if self._law_at is not None and self._factor is None:  # as in _add_gap, without a call
            self._due = due + self._law_at(self._uniform(_ARRIVAL_GAP, self._entity, following))
        else:
            self._add_gap()
        self._come(ordinal, due, None, 0)
        self._schedule()


class FiniteSource:
    """So many sources: each sends a job at the beginning, and the next so long after its last has ended."""

    __slots__ = ("_agenda", "_begins", "_come", "_count", "_draws", "_ends", "_entity", "_last", "_law")

    def __init__(
        self,
        agenda: Agenda,
        draws: Draws,
        come: Come,
        law: Distribution,
        entity: int,
        begins: int,
        ends: int,
        count: int,
    ) -> None:
        self._agenda, self._draws, self._come, self._law, self._entity = agenda, draws, come, law, entity
        self._begins, self._ends, self._count = begins, ends, count
        self._last = 0

    def start(self) -> None:
        if self._begins < self._ends:
            self._agenda.at(self._begins, self._fire_all)

    def has_more(self) -> bool:
        return self._begins < self._ends and self._agenda.now < self._ends

    def sure_until(self) -> int:
        return self._agenda.now if self.has_more() else _ENDLESS

    def ended(self, cause: int, ordinal: int, taken: bool) -> None:
        """A job of one source has ended, or was not taken at all: its next comes after gap number ``ordinal``."""
        gap = self._law.sample(self._draws.row(Purpose.ARRIVAL_GAP, self._entity, ordinal), ordinal)
        # Who is refused, and has no pause to make, would ask again at the same instant for ever.
        due = self._agenda.now + (gap if taken else max(gap, 1))
        if due < self._ends:
            self._agenda.at(due, self._fire, cause)

    def _fire_all(self, _: None) -> None:
        for _number in range(self._count):
            self._fire(0)

    def _fire(self, cause: int) -> None:
        self._last += 1
        self._come(self._last, self._agenda.now, None, cause)


class OnDays:
    """Jobs at known ticks: the occurrences of a recurrence, or of a time on several days.

    Args:
        due: when each is due, in order.
        comes: when each comes, at its due tick or later; None: all on time.
    """

    __slots__ = ("_agenda", "_come", "_due", "_ends", "_order", "_place")

    def __init__(self, agenda: Agenda, come: Come, due: list[int], comes: list[int] | None = None) -> None:
        self._agenda, self._come, self._due = agenda, come, due
        at = due if comes is None else comes
        self._order = sorted(range(len(due)), key=at.__getitem__) if comes is not None else range(len(due))
        self._ends = at
        self._place = 0

    def start(self) -> None:
        self._schedule()

    def has_more(self) -> bool:
        return self._place < len(self._due)

    def sure_until(self) -> int:
        if self._place >= len(self._due):
            return _ENDLESS
        if self._ends is self._due:
            return self._due[self._place]
        return min(self._due[one] for one in self._order[self._place :])

    def _schedule(self) -> None:
        if self._place < len(self._due):
            self._agenda.at(self._ends[self._order[self._place]], self._fire)

    def _fire(self, _: None) -> None:
        one = self._order[self._place]
        self._place += 1
        self._come(one + 1, self._due[one], None, 0)
        self._schedule()


class Traced:
    """The lines of a trace, read one ahead."""

    __slots__ = ("_agenda", "_come", "_count", "_ends", "_has_line", "_lines", "_next", "_ordinal")

    def __init__(self, agenda: Agenda, come: Come, lines: "Lines[Line]", ends: int, count: int | None) -> None:
        self._agenda, self._come, self._lines, self._ends = agenda, come, lines, ends
        self._count = _ENDLESS if count is None else count
        self._ordinal = 0
        self._has_line = True
        self._next = 0

    def start(self) -> None:
        self._schedule()

    def has_more(self) -> bool:
        return self._has_line

    def sure_until(self) -> int:
        return self._next if self._has_line else _ENDLESS

    def _schedule(self) -> None:
        line = next(self._lines, None) if self._ordinal < self._count else None
        self._has_line = line is not None and line.tick < self._ends
        if line is not None and self._has_line:
            self._next = line.tick
            self._agenda.at(line.tick, self._fire, line)
        else:
            self._lines.close()

    def _fire(self, line: "Line") -> None:
        self._ordinal += 1
        self._come(self._ordinal, line.tick, line, 0)
        self._schedule()
