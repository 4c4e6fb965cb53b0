"""Brings the jobs of arrival entries when they are due; keeps them during broker outages and sends them afterwards.

One class for each way of arriving, which schedules one entry of the agenda ahead, and calls ``come(ordinal, nominal,
line, cause)`` when a job is due. Arrivals cover [from, until), cut at the horizon. Gap k of an entry, which leads to
its job k (or follows it, for ``again_after``), is drawn by the key (entry, k).

While the broker is down nobody can submit: who submits keeps the job and sends it at the restart, after the messages
of that instant, everything in the order in which it was due. Only occurrences of a recurrence are *missed*. What a job
is, ``plan`` says; what becomes of occurrences, ``nights``; which entry arrives in which way, ``arrival_processes``.
"""

from array import array
from collections.abc import Callable, MutableSequence
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple, Protocol

from emulator.broker.jobs import Job
from emulator.errors import Problem, ScenarioError
from emulator.record.events import Sink
from emulator.scenario import models
from emulator.timeline.agenda import Agenda
from emulator.world.draws import Distribution, Draws, OneUniform, Purpose
from emulator.world.nights import Nights, Recurring
from emulator.world.plan import Planner, Sources

if TYPE_CHECKING:
    from emulator.scenario.traces import Arrival as Line
    from emulator.scenario.traces import Lines

__all__ = [
    "Arrivals",
    "AtOnce",
    "Come",
    "Coming",
    "Entry",
    "FiniteSource",
    "Gaps",
    "OnDays",
    "Traced",
    "WayOf",
    "Window",
]

Come = Callable[[int, int, "Line | None", int], None]
"""Takes (ordinal, tick at which it is due, line of the trace, cause)."""

_ENDLESS: Final = 2**62
_ARRIVAL_GAP: Final = int(Purpose.ARRIVAL_GAP)


class Window(NamedTuple):
    """When the jobs of an entry come, [begins, ends), and how many at most; None for any number."""

    begins: int
    ends: int
    at_most: int | None = None


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
        window: when they come, and how many at most.
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
        window: Window,
        first_at_once: bool = False,
    ) -> None:
        self._agenda, self._draws, self._come = agenda, draws, come
        self._law, self._entity, self._first_at_once = law, entity, first_at_once
        self._uniform = draws.uniform
        self._law_at = law.made() if isinstance(law, OneUniform) else None
        self._begins, self._ends, count = window
        self._count = _ENDLESS if count is None else count
        self._ordinal = 1  # of the job that comes next
        self._due = self._begins  # its tick, also if that lies beyond the window: a surge may bring it back
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
        if following <= self._count and self._due < self._ends:  # as in _schedule, without a call
            self._agenda.at(self._due, self._fire, plan)


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
        window: Window,
    ) -> None:
        self._agenda, self._draws, self._come, self._law, self._entity = agenda, draws, come, law, entity
        self._begins, self._ends, count = window
        self._count = count or 0
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

    __slots__ = ("_agenda", "_come", "_ends", "_order", "_place", "due")

    def __init__(self, agenda: Agenda, come: Come, due: list[int], comes: list[int] | None = None) -> None:
        self._agenda, self._come, self.due = agenda, come, due
        at = due if comes is None else comes
        self._order = sorted(range(len(due)), key=at.__getitem__) if comes is not None else range(len(due))
        self._ends = at
        self._place = 0

    def start(self) -> None:
        self._schedule()

    def has_more(self) -> bool:
        return self._place < len(self.due)

    def sure_until(self) -> int:
        if self._place >= len(self.due):
            return _ENDLESS
        if self._ends is self.due:
            return self.due[self._place]
        return min(self.due[one] for one in self._order[self._place :])

    def _schedule(self) -> None:
        if self._place < len(self.due):
            self._agenda.at(self._ends[self._order[self._place]], self._fire)

    def _fire(self, _: None) -> None:
        one = self._order[self._place]
        self._place += 1
        self._come(one + 1, self.due[one], None, 0)
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


class WayOf(Protocol):
    """Makes the way in which an entry arrives, which calls ``come``; ``trace`` is the file of its trace, if it has one.

    Raises ValueError for a recurrence that comes far too often.
    """

    def __call__(self, model: models.Arrival, come: Come, trace: Path, /) -> Coming: ...


class Entry:
    """One arrival entry: how its jobs come, what they are, and which of them are unfinished, where that matters."""

    __slots__ = (
        "coming",
        "name",
        "nights",
        "planner",
        "recurring",
        "source",
        "submit",
        "unfinished",
        "wants_endings",
        "was_due",
    )

    def __init__(
        self,
        name: str,
        planner: Planner,
        wants_endings: bool,
        was_due: Callable[[int], None],
        submit: Callable[[int, Job], int],
        nights: Nights | None,
    ) -> None:
        self.name = name
        self.submit = submit
        self.nights = nights
        self.planner = planner
        self.source = planner.plain_source()  # None if its jobs differ in more than their number
        self.was_due = was_due
        self.wants_endings = wants_endings
        self.unfinished: set[int] = set()  # never iterated over
        self.coming: Coming | None = None
        self.recurring: Recurring | None = None


class _Kept(NamedTuple):
    """A job that could not be submitted; ``missed`` if the broker was down when it was due."""

    entry: Entry
    job: Job
    cause: int
    missed: bool


class Arrivals:
    """All arrival entries of a scenario.

    Args:
        scenario: the scenario.
        folder: where traces are.
        way_of: makes the way in which an entry arrives.
        agenda, sink: of the world.
        submit: takes (cause, job) and gives the job's number; 0 if it was refused, an earlier job's number if it was a
            repeated submission.
        sources: makes jobs; it knows the nights of entries of which all jobs of a night are waited for.

    Attributes:
        entry_names: in file order.
        recurring: the entries whose jobs are occurrences of a recurrence.
        wants_endings: the entries whose jobs' ends are to be told to ``job_finished``.
        occurrences: by entry, the ticks at which its jobs were due, by their number; filled as they come, and for
            recurrences in advance.

    Raises:
        ScenarioError: when two entries have one name, or a recurrence comes more than 600,000 times.
    """

    def __init__(
        self,
        scenario: models.Scenario,
        folder: Path,
        way_of: WayOf,
        agenda: Agenda,
        sink: Sink,
        submit: Callable[[int, Job], int],
        sources: Sources,
    ) -> None:
        self._agenda, self._sink, self._submit, self._way_of = agenda, sink, submit, way_of
        self._sources, self._nights = sources, sources.nights
        self._down = False
        self._kept: list[_Kept] = []
        self._last_number = 0
        self._entries: dict[str, Entry] = {}
        self.occurrences: dict[str, MutableSequence[int]] = {}
        for place, model in enumerate(scenario.arrivals):
            self._add(place, model, scenario, folder)
        self.entry_names = tuple(self._entries)
        self.recurring = frozenset(name for name, entry in self._entries.items() if entry.recurring is not None)
        self.wants_endings = frozenset(name for name, entry in self._entries.items() if entry.wants_endings)

    def start(self) -> None:
        """Schedule the first job of every entry, in file order."""
        for entry in self._entries.values():
            if entry.coming is not None:
                entry.coming.start()
        if self._nights is not None:
            self._nights.start(self._coming_of)

    def _coming_of(self, name: str) -> Coming:
        coming = self._entries[name].coming
        assert coming is not None  # every entry has been made ready
        return coming

    def has_more(self) -> bool:
        """Say whether any entry still has jobs to come, those that an outage keeps included."""
        comings = [entry.coming for entry in self._entries.values()]
        return bool(self._kept) or any(coming is not None and coming.has_more() for coming in comings)

    # -- what others tell ---------------------------------------------------------------------------------------------

    def job_finished(self, cause: int, entry: str, ordinal: int) -> None:
        """A job of an entry in ``wants_endings`` has ended; jobs resubmitted in its place are ignored."""
        found = self._entries[entry]
        if ordinal not in found.unfinished:
            return
        found.unfinished.discard(ordinal)
        if isinstance(found.coming, FiniteSource):
            found.coming.ended(cause, ordinal, taken=True)
        elif found.recurring is not None and not self._down:
            found.recurring.go_on(cause)

    def broker_went_down(self) -> None:
        """From now on nothing can be submitted."""
        self._down = True

    def broker_came_up(self, cause: int) -> None:
        """The broker is back: what was kept is sent at this instant, after the messages that reach the broker."""
        self._down = False
        self._agenda.at(self._agenda.now, self._catch_up, cause)
        if self._nights is not None:
            self._nights.broker_came_up(cause)

    def set_factor(self, entry: str, factor: float) -> bool:
        """From now on jobs of an entry come ``factor`` times as fast (1: as usual again), which always hits.

        Of the gap under way, what remains of it is divided; its draw stays.

        Raises:
            ValueError: for an entry whose jobs have no rate.
        """
        coming = self._entries[entry].coming
        if not isinstance(coming, Gaps):
            raise ValueError(f"the arrival entry {entry!r} has no rate: only per_hour, every and gaps have")
        coming.set_factor(factor)
        return True

    # -- what comes ---------------------------------------------------------------------------------------------------

    def _come(self, entry: Entry, ordinal: int, nominal: int, line: "Line | None", cause: int) -> None:
        recurring = entry.recurring
        if recurring is None:
            entry.was_due(nominal)
        if entry.nights is not None:
            entry.nights.due(entry.name, nominal)
        source = entry.source if line is None else None
        job = Job(source, ordinal, nominal) if source is not None else entry.planner.job(ordinal, nominal, line)
        if self._down or self._kept:  # after a restart, what was kept goes first
            self._kept.append(_Kept(entry, job, cause, self._down))
        elif recurring is not None:
            recurring.come(cause, job)
        elif not self.wants_endings:  # nobody asks which number was the last
            entry.submit(cause, job)
        else:
            self._send(entry, cause, job)

    def _catch_up(self, cause: int) -> None:
        if self._down:  # it went down again at the same instant
            return
        kept, self._kept = self._kept, []
        made_up: dict[str, frozenset[int]] = {}
        for entry in self._entries.values():
            if entry.recurring is not None:
                entry.recurring.go_on(cause)
                missed = (one.job for one in kept if one.entry is entry and one.missed)
                made_up[entry.name] = entry.recurring.to_make_up(cause, missed)
        for entry, job, own_cause, missed_it in kept:
            led_here = cause if missed_it else own_cause
            if entry.recurring is None:
                self._send(entry, led_here, job)
            elif not missed_it or job.ordinal in made_up[entry.name]:
                entry.recurring.come(led_here, job)

    def _hand_in(self, cause: int, job: Job) -> int:
        """Submit a job of an entry that is watched."""
        number = self._submit(cause, job)
        self._dropped(cause, job)
        return number

    def _dropped(self, cause: int, job: Job) -> None:
        """Nothing more is to be submitted of a job that was due."""
        if (nights := self._entries[job.source.arrival].nights) is not None:
            nights.settled(cause, job.source.arrival, job.nominal)

    def _send(self, entry: Entry, cause: int, job: Job) -> None:
        if not entry.wants_endings:
            number = entry.submit(cause, job)
            if number > self._last_number:
                self._last_number = number
            return
        entry.unfinished.add(job.ordinal)
        number = entry.submit(cause, job)
        if number > self._last_number:
            self._last_number = number
            return
        entry.unfinished.discard(job.ordinal)  # refused, or known already: no job of this number will ever end
        if isinstance(entry.coming, FiniteSource):
            entry.coming.ended(cause, job.ordinal, taken=False)

    # -- making ready -------------------------------------------------------------------------------------------------

    def _add(self, place: int, model: models.Arrival, scenario: models.Scenario, folder: Path) -> None:
        name, path = model.label, f"arrivals.{place}"
        if name in self._entries:
            message = f"this entry would be called {name!r}, and so is one before: give it another `name`"
            raise ScenarioError([Problem(scenario.title, 0, 0, path, message, "wrong-value")])
        recurs = model.recurs is not None
        wants_endings = model.again_after is not None or (recurs and model.if_still_running != "both")
        trace = folder / (model.trace or "")
        due = array("q")  # as many as there are jobs: eight bytes each
        self.occurrences[name] = due
        nights = self._nights if self._nights is not None and name in self._nights else None
        submit = self._submit if nights is None else self._hand_in
        planner = Planner(name, model, self._sources, trace)
        entry = Entry(name, planner, wants_endings, due.append, submit, nights)
        self._entries[name] = entry
        if recurs:
            send = partial(self._send, entry)
            entry.recurring = Recurring(model, self._agenda, self._sink, entry.unfinished, send, self._dropped)
        try:
            entry.coming = coming = self._way_of(model, partial(self._come, entry), trace)
        except ValueError as error:  # a recurrence that comes far too often
            raise ScenarioError([Problem(scenario.title, 0, 0, path, str(error), "wrong-value")]) from None
        if recurs and isinstance(coming, OnDays):
            self.occurrences[name] = coming.due
        if nights is not None and model.ends is not None:
            nights.closes(name, model.ends)
