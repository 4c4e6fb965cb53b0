"""What do the people and programs do that submit jobs: each entry's jobs as they come, kept over an outage?

``comings`` says when jobs come, ``planned`` what they are, ``recurring`` what becomes of occurrences; here is what they
share. While the broker is down nobody can submit: who submits keeps the job and sends it at the restart, after the
messages of that instant, everything in the order in which it was due. Only occurrences of a recurrence are *missed*.
"""

from array import array
from collections.abc import Callable, MutableSequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from emulator.broker.jobs import Job
from emulator.errors import Problem, ScenarioError
from emulator.record.events import Row, Sink
from emulator.scenario import models
from emulator.scenario.clock import Clock
from emulator.scenario.schedules import days_of, on_days, rates_over
from emulator.timeline.agenda import Agenda
from emulator.world.batches import Batches, sizes
from emulator.world.comings import AtOnce, Come, Coming, FiniteSource, Gaps, OnDays, Traced, poisson_gaps
from emulator.world.distribution import Distribution
from emulator.world.draws import Draws, Purpose, entity_key
from emulator.world.nights import Nights
from emulator.world.planned import Planner, Sources
from emulator.world.profiles import ByTheClock
from emulator.world.recurring import Recurring
from emulator.world.sampling import Constant
from emulator.world.sampling_of import sampling_of

if TYPE_CHECKING:
    from emulator.scenario.traces import Arrival as Line

__all__ = ["Arrivals", "CompletionListener"]


class _Entry:
    """One arrival entry: how its jobs come, what they are, and which of them are unfinished, where that matters."""

    __slots__ = ("coming", "name", "nights", "planner", "recurring", "submit", "unfinished", "wants_endings", "was_due")

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
        self.was_due = was_due
        self.wants_endings = wants_endings
        self.unfinished: set[int] = set()  # never iterated over
        self.coming: Coming | None = None
        self.recurring: Recurring | None = None


class _Kept(NamedTuple):
    """A job that could not be submitted; ``missed`` if the broker was down when it was due."""

    entry: _Entry
    job: Job
    cause: int
    missed: bool


class Arrivals:
    """All arrival entries of a scenario.

    Args:
        scenario, clock: the scenario, and the clock on its wall.
        folder: where traces are.
        agenda, draws, sink: of the world.
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
        clock: Clock,
        folder: Path,
        agenda: Agenda,
        draws: Draws,
        sink: Sink,
        submit: Callable[[int, Job], int],
        sources: Sources,
    ) -> None:
        self._agenda, self._draws, self._sink, self._submit = agenda, draws, sink, submit
        self._clock, self._lasts = clock, scenario.lasts
        self._sources, self._nights = sources, sources.nights
        self._down = False
        self._kept: list[_Kept] = []
        self._last_number = 0
        self._entries: dict[str, _Entry] = {}
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

    def set_factor(self, entry: str, factor: float) -> None:
        """From now on jobs of an entry come ``factor`` times as fast (1: as usual again).

        Of the gap under way, what remains of it is divided; its draw stays.

        Raises:
            ValueError: for an entry whose jobs have no rate.
        """
        coming = self._entries[entry].coming
        if not isinstance(coming, Gaps):
            raise ValueError(f"the arrival entry {entry!r} has no rate: only per_hour, every and gaps have")
        coming.set_factor(factor)

    # -- what comes ---------------------------------------------------------------------------------------------------

    def _come(self, entry: _Entry, ordinal: int, nominal: int, line: "Line | None", cause: int) -> None:
        recurring = entry.recurring
        if recurring is None:
            entry.was_due(nominal)
        if entry.nights is not None:
            entry.nights.due(entry.name, nominal)
        job = entry.planner.job(ordinal, nominal, line)
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

    def _send(self, entry: _Entry, cause: int, job: Job) -> None:
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
            raise ScenarioError([Problem(scenario.title, 0, 0, path, message)])
        recurs = model.recurs is not None
        wants_endings = model.again_after is not None or (recurs and model.if_still_running != "both")
        trace = folder / (model.trace or "")
        due = self.occurrences[name] = array("q")  # as many as there are jobs: eight bytes each
        nights = self._nights if self._nights is not None and name in self._nights else None
        submit = self._submit if nights is None else self._hand_in
        planner = Planner(name, model, self._sources, trace)
        entry = _Entry(name, planner, wants_endings, due.append, submit, nights)
        self._entries[name] = entry
        if recurs:
            send = partial(self._send, entry)
            entry.recurring = Recurring(model, self._agenda, self._sink, entry.unfinished, send, self._dropped)
        try:
            entry.coming = self._coming(entry, model, trace)
        except ValueError as error:  # a recurrence that comes far too often
            raise ScenarioError([Problem(scenario.title, 0, 0, path, str(error))]) from None
        if nights is not None and model.ends is not None:
            nights.closes(name, model.ends)

    def _coming(self, entry: _Entry, model: models.Arrival, trace: Path) -> Coming:
        agenda, count = self._agenda, model.count
        come: Come = partial(self._come, entry)
        ends = self._lasts if model.ends is None else min(model.ends, self._lasts)
        keep = on_days(model.days, self._clock)
        if model.at is not None and model.days:
            ticks = days_of(model.at, model.days, self._clock, self._lasts, model.at_changes)
            return OnDays(agenda, come, [tick for tick in ticks for _ in range(1 if count is None else count)])
        if model.at is not None:
            return AtOnce(agenda, come, model.at, 1 if count is None else count)
        if model.trace is not None:
            from emulator.scenario.traces import read_arrivals  # most jobs come neither by a trace nor by a rule

            if keep is not None:
                come, count = Batches(come, lambda number: 1, keep, count), None
            return Traced(agenda, come, read_arrivals(trace, self._clock), ends, count)
        if model.recurs is not None:
            from emulator.scenario.recurrence import occurrences

            found = occurrences(
                model.recurs,
                self._clock,
                ends,
                from_tick=model.begins,
                excluded=model.excludes,
                at_changes=model.at_changes,
            )
            due = [one.nominal_tick for one in found if keep is None or keep(one.nominal_tick)]
            return self._recurrence(entry, model, come, due)
        entity = entity_key("arrival", entry.name)
        if model.again_after is not None:
            law = _law(model.again_after)
            return FiniteSource(agenda, self._draws, come, law, entity, model.begins, ends, count or 0)
        if keep is None and model.batch == 1:
            return self._gaps(model, come, entity, ends, count)
        batches = Batches(come, sizes(model.batch, self._draws, entity), keep, count)
        coming = self._gaps(model, batches, entity, ends, None)
        batches.stop = coming.stop
        return coming

    def _recurrence(self, entry: _Entry, model: models.Arrival, come: Come, due: list[int]) -> OnDays:
        """Bring the jobs of each occurrence: as many as its batch has, as late as it is."""
        entity = entity_key("arrival", entry.name)
        late, draws = model.late_by, self._draws
        comes = due
        if late is not None:
            law = _law(late)
            comes = [
                tick + law.sample(draws.row(Purpose.LATENESS, entity, number)) for number, tick in enumerate(due, 1)
            ]
        if model.batch != 1:
            size = sizes(model.batch, draws, entity)
            many = [size(number) for number in range(1, len(due) + 1)]
            due = [tick for tick, times in zip(due, many, strict=True) for _ in range(times)]
            comes = [tick for tick, times in zip(comes, many, strict=True) for _ in range(times)]
        due, comes = due[: model.count], comes[: model.count]
        self.occurrences[entry.name] = due
        return OnDays(self._agenda, come, due, None if late is None else comes)

    def _gaps(self, model: models.Arrival, come: Come, entity: int, ends: int, count: int | None) -> Gaps:
        if isinstance(model.per_hour, models.Rates):
            rates = rates_over(model.per_hour, self._clock, self._lasts)
            return ByTheClock(self._agenda, self._draws, come, rates, entity, model.begins, ends, count)
        law: Distribution
        if model.every is not None:
            law = Constant(model.every)
        elif model.per_hour is not None:
            law = poisson_gaps(model.per_hour)
        else:
            law = _law(model.gaps)
        regular = model.every is not None
        return Gaps(self._agenda, self._draws, come, law, entity, model.begins, ends, count, regular)


def _law(model: models.Distribution | None) -> Distribution:
    law = None if model is None else sampling_of(model)
    assert law is not None, "the loader lets only what a part takes come from a trace"
    return law


class CompletionListener:
    """Passes events on, and tells of each job of the wanted entries that has ended, whatever ended it."""

    __slots__ = ("_agenda", "_call", "_labels", "_sink", "_wanted")

    def __init__(self, sink: Sink, agenda: Agenda) -> None:
        self._sink = sink
        self._agenda = agenda
        self._wanted: frozenset[str] = frozenset()
        self._labels: dict[int, tuple[str, int]] = {}
        self._call: Callable[[int, str, int], None] | None = None

    def tell(self, wanted: frozenset[str], call: Callable[[int, str, int], None]) -> None:
        """Call ``call(cause, entry, ordinal)`` after each ending of a job in one of the wanted entries."""
        self._wanted = wanted
        self._call = call

    def emit(self, row: Row) -> int:
        """Pass one row on and give its number."""
        number = self._sink.emit(row)
        kind = row[1]
        if kind == "submitted":
            if row[8] in self._wanted:
                self._labels[row[3]] = (row[8], row[9])
        elif kind == "finished":
            label = self._labels.pop(row[3], None)
            if label is not None:
                self._agenda.at(row[0], self._tell, (number, *label))
        return number

    def _tell(self, what: tuple[int, str, int]) -> None:
        if self._call is not None:
            self._call(*what)
