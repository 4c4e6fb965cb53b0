"""Knows what arrivals wait for: the last job of a night, the end of an occurrence, the end of any job.

A night begins at the clock time of the scenario's start (``Clock.night_of``). What is due in it is known of a
recurrence and of a trace as far as the run goes. Of any other way of arriving nobody knows that the last has come
before the time for it is over or ``count`` have: nothing here looks at a gap that was drawn and has not passed. All
jobs of an entry by ``at`` belong together.

An occurrence that comes while an earlier one still runs: ``both`` submits it all the same, ``skip`` drops it, ``wait``
holds it back until every earlier one has ended; those that wait go one after another. One that was missed: ``skip``
drops all, ``once`` makes up the last one that is not too late, ``each`` makes up all that are not too late; what is
made up then meets the first rule.
"""

from collections import deque
from collections.abc import Callable, Iterable
from typing import Final, Protocol

from emulator.broker.jobs import Job
from emulator.broker.waiters import After, Before
from emulator.record.events import Row, Sink, emitter
from emulator.record.kinds import ENDED_WELL, QUEUED
from emulator.scenario import models
from emulator.scenario.clock import Clock
from emulator.timeline.agenda import Agenda

__all__ = [
    "CompletionListener",
    "Nights",
    "Recurring",
    "Waits",
    "entries_waited_for",
    "waits_of",
    "wants_endings",
]


_NEVER: Final = -1


class _Coming(Protocol):
    def sure_until(self) -> int:
        """Give a tick before which no further job comes."""
        ...


class Waits:
    """What the jobs of one entry wait for."""

    __slots__ = ("_any_of", "_befores", "_nights")

    def __init__(self, model: models.Arrival, nights: "Nights | None") -> None:
        self._befores = model.befores
        self._any_of = isinstance(model.after, models.FirstOf)
        self._nights = nights

    def of(self, ordinal: int, nominal: int) -> After:
        """Say what the job with this number, due at ``nominal``, waits for."""
        return After(tuple(self._before(one, ordinal, nominal) for one in self._befores), self._any_of)

    def _before(self, one: models.Prerequisite, ordinal: int, nominal: int) -> Before:
        goes_on, follows = one.if_failed == "go_on", one.follows_resubmitted
        if one.jobs == "all" and self._nights is not None:
            return Before(one.entry, 0, self._nights.of(one.entry, nominal), goes_on, follows)
        return Before(one.entry, one.number or ordinal, 0, goes_on, follows)


def waits_of(model: models.Arrival, nights: "Nights | None" = None) -> Waits | None:
    """Say what the jobs of an entry wait for, None for nothing."""
    return Waits(model, nights) if model.after is not None else None


def entries_waited_for(scenario: models.Scenario) -> dict[str, bool]:
    """Name the entries that jobs wait for, and say of each whether all jobs of a night are waited for."""
    found: dict[str, bool] = {}
    for entry in scenario.arrivals:
        for one in entry.befores:
            found[one.entry] = found.get(one.entry, False) or one.jobs == "all"
    return found


def wants_endings(scenario: models.Scenario) -> bool:
    """Say whether any arrivals wait for jobs to end."""
    return any(
        entry.again_after is not None or (entry.recurs is not None and entry.if_still_running != "both")
        for entry in scenario.arrivals
    )


class _Watch:
    """One entry: the night that is under way, and how many of its jobs are due and not yet settled, by night."""

    __slots__ = ("coming", "fixed", "night", "pending")

    def __init__(self, fixed: int) -> None:
        self.coming: _Coming | None = None
        self.fixed = fixed
        self.night = max(fixed, 0)
        self.pending: dict[int, int] = {}


class Nights:
    """Watches the entries of which all jobs of a night are waited for.

    Args:
        scenario, clock: the scenario and its clock.
        agenda: of the world.
        complete: takes (cause, entry, night) when no more jobs of an entry come in a night; gives False if it has to be
            told again when the broker is back.
    """

    def __init__(
        self, scenario: models.Scenario, clock: Clock, agenda: Agenda, complete: Callable[[int, str, int], bool]
    ) -> None:
        self._clock, self._agenda, self._complete, self._lasts = clock, agenda, complete, scenario.lasts
        at = {entry.label: None if entry.days else entry.at for entry in scenario.arrivals}
        waited_for = entries_waited_for(scenario)
        self._watches = {
            name: _Watch(_NEVER if moment is None else clock.night_of(moment))
            for name, moment in at.items()
            if waited_for.get(name)
        }

    def __contains__(self, entry: str) -> bool:
        return entry in self._watches

    def of(self, entry: str, nominal: int) -> int:
        """Say to which night of an entry the jobs belong that are due at a tick."""
        fixed = self._watches[entry].fixed
        return self._clock.night_of(nominal) if fixed == _NEVER else fixed

    def start(self, comings: Callable[[str], _Coming]) -> None:
        """Begin with the first night."""
        for name, watch in self._watches.items():
            watch.coming = comings(name)
            self._watch_night(name, watch)

    def _watch_night(self, name: str, watch: _Watch) -> None:
        """Look at the beginning of a night, and at its end: by then all of its jobs have come."""
        for tick in (self._clock.night_begins(watch.night), self._clock.night_begins(watch.night + 1)):
            if self._agenda.now <= tick < self._lasts:
                self._agenda.at(tick, self._look, (name, 0))

    def closes(self, name: str, tick: int) -> None:
        """The time in which jobs of an entry may come is over at a tick."""
        if name in self._watches and tick < self._lasts:
            self._agenda.at(tick, self._look, (name, 0))

    def due(self, name: str, nominal: int) -> None:
        """A job is due: it is to be submitted, or dropped."""
        pending, night = self._watches[name].pending, self.of(name, nominal)
        pending[night] = pending.get(night, 0) + 1

    def settled(self, cause: int, name: str, nominal: int) -> None:
        """A job that was due has been submitted, refused or dropped."""
        self._watches[name].pending[self.of(name, nominal)] -= 1
        self._agenda.at(self._agenda.now, self._look, (name, cause))

    def broker_came_up(self, cause: int) -> None:
        """The broker can be told again."""
        for name in self._watches:
            self._agenda.at(self._agenda.now, self._look, (name, cause))

    def _look(self, what: tuple[str, int]) -> None:
        name, cause = what
        watch = self._watches[name]
        assert watch.coming is not None
        if watch.pending.get(watch.night) or self._agenda.now < self._clock.night_begins(watch.night):
            return
        if watch.fixed != _NEVER and watch.night != watch.fixed:
            return  # it has had its only night
        if watch.coming.sure_until() < self._clock.night_begins(watch.night + 1):
            return
        if self._complete(cause, name, watch.night):
            watch.pending.pop(watch.night, None)
            watch.night += 1
            self._watch_night(name, watch)


class Recurring:
    """The rules of one entry that recurs.

    Args:
        unfinished: the numbers of its jobs that have been taken and have not ended; somebody else keeps it.
        send: submits a job, given its cause.
        dropped: is told of a job that is not submitted at all, given its cause.
    """

    __slots__ = ("_agenda", "_dropped", "_model", "_send", "_sink", "_unfinished", "_waiting")

    def __init__(
        self,
        model: models.Arrival,
        agenda: Agenda,
        sink: Sink,
        unfinished: set[int],
        send: Callable[[int, Job], None],
        dropped: Callable[[int, Job], None],
    ) -> None:
        self._model, self._agenda, self._sink = model, agenda, sink
        self._unfinished, self._send, self._dropped = unfinished, send, dropped
        self._waiting: deque[Job] = deque()

    def come(self, cause: int, job: Job) -> None:
        """An occurrence is due, or is made up."""
        rule = self._model.if_still_running
        if rule == "skip" and self._unfinished:
            self._skip(cause, job, "still_running")
        elif rule == "wait":
            self._waiting.append(job)
            self.go_on(cause)
        else:
            self._send(cause, job)

    def go_on(self, cause: int) -> None:
        """Submit what waits, as long as nothing earlier is unfinished: one job, more if the queue refuses it."""
        while self._waiting and not self._unfinished:
            self._send(cause, self._waiting.popleft())

    def to_make_up(self, cause: int, missed: Iterable[Job]) -> frozenset[int]:
        """Give the numbers of the missed occurrences, which come in order, that are made up; skip the others."""
        rule, latest = self._model.if_missed, self._model.late_at_most
        now, found = self._agenda.now, list(missed)
        in_time = [job.ordinal for job in found if latest is None or now - job.nominal <= latest]
        made_up = frozenset({"skip": [], "once": in_time[-1:], "each": in_time}[rule])
        for job in found:
            if job.ordinal not in made_up:
                too_late = rule != "skip" and job.ordinal not in in_time
                self._skip(cause, job, "broker_was_down_too_long" if too_late else "broker_was_down")
        return made_up

    def _skip(self, cause: int, job: Job, why: str) -> None:
        self._sink.emit((self._agenda.now, "occurrence_skipped", cause, 0, "", job.source.arrival, job.ordinal, why))
        self._dropped(cause, job)


class CompletionListener:
    """Passes events on, and tells of each job of the wanted entries that has ended, whatever ended it."""

    __slots__ = ("_agenda", "_call", "_emit", "_labels", "_wanted")

    takes_compound: Final = True

    def __init__(self, sink: Sink, agenda: Agenda) -> None:
        self._emit = emitter(sink)
        self._agenda = agenda
        self._wanted: frozenset[str] = frozenset()
        self._labels: dict[int, tuple[str, int]] = {}
        self._call: Callable[[int, str, int], None] | None = None

    def tell(self, wanted: frozenset[str], call: Callable[[int, str, int], None]) -> None:
        """Call ``call(cause, entry, ordinal)`` after each ending of a job in one of the wanted entries."""
        self._wanted = wanted
        self._call = call

    def emit(self, row: Row, events: int = 1, /) -> int:
        """Pass one row on and give its number: for a compound one, that of its last event."""
        number = self._emit(row, events)
        kind = row[1]
        if kind == QUEUED:
            if row[5][2] in self._wanted:
                self._labels[row[3]] = (row[5][2], row[6])
        elif kind == "submitted":
            if row[8] in self._wanted:
                self._labels[row[3]] = (row[8], row[9])
        elif kind == ENDED_WELL or kind == "finished":
            label = self._labels.pop(row[3], None)
            if label is not None:
                self._agenda.at(row[0], self._tell, (number, *label))
        return number

    def _tell(self, what: tuple[int, str, int]) -> None:
        if self._call is not None:
            self._call(*what)
