"""Runs one night, from a loaded scenario to judged requirements, and gives its result.

The law: how a night is run decides nothing of what happens in it. Without a log and at full speed the world's agenda
runs by itself; with a log or a pace it runs on the virtual-time loop, which stops the clock while a batch is written.
Either way it runs in slices, so that somebody can be told how far it is; the slices leave no trace in the events.
Events are folded as they come, and kept only when asked for.
"""

import os
from array import array
from collections.abc import Awaitable, Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

from emulator.broker.rules import RetryPolicy
from emulator.errors import InputError
from emulator.measure.catalogue import OF_HEARTBEATS, find
from emulator.measure.estimate import Figure
from emulator.measure.figures import Figures, Where
from emulator.measure.fold import NightFold
from emulator.measure.names import FigureName
from emulator.measure.night import Night
from emulator.measure.occurrences import Judged
from emulator.measure.requirements import judge_all
from emulator.record.buffer import EventBuffer
from emulator.record.events import Event, Row, Sink, read
from emulator.record.meta import RunMeta, files_of
from emulator.record.recorder import Both
from emulator.records import field, record
from emulator.scenario.arguments import FLAG, FUNCTION, NUMBER, TEXT, WHOLE, may_be, must_be
from emulator.scenario.load import Loaded, varied
from emulator.scenario.schedules import planned_on
from emulator.scenario.spelling import advise
from emulator.scenario.stated import Aim, aims, resolved, source_counts
from emulator.show import meta as show
from emulator.show.layout import WIDTH, Page
from emulator.show.summary import as_json, summary
from emulator.show.words import in_words
from emulator.timeline.agenda import Agenda
from emulator.timeline.ticks import SECOND
from emulator.world.tonight import offered_load
from emulator.world.world import World

if TYPE_CHECKING:
    from emulator.measure.comparison.shares import Outcome
    from emulator.record.log_reader import Log
    from emulator.record.log_writer import SqliteRecorder

__all__ = [
    "Drive",
    "Heartbeats",
    "NightResult",
    "Progress",
    "Settle",
    "Stated",
    "heartbeats_for",
    "judged_night",
    "play",
    "run_night",
    "stated_of",
]


@record
class NightResult:
    """One night, run and judged; made by ``emulator.run``.

    Attributes:
        loaded: the scenario that was run.
        about: what the run was made of: seed, versions, the text of the scenario.
        night: the folded events.
        judged: the requirements, in the scenario's order, each met, missed or not judged.
        meta: what the summary says beside the figures.
        rows: every event as it was written, if events were kept in memory; ``events()`` gives them as objects.
        log: the file with every event, if one was written.
    """

    loaded: Loaded = field(repr=False)
    about: RunMeta = field(repr=False)
    night: Night = field(repr=False)
    judged: tuple[Judged, ...]
    meta: show.RunMeta = field(repr=False)
    rows: Sequence[Row] | None = field(repr=False)
    log: Path | None
    _parts: dict[Where, Figures] = field(init=False, repr=False, default_factory=dict)
    """What was asked of the night, or of a part of it, before: figures share samples, which are made once."""

    __eq__ = object.__eq__
    __hash__ = object.__hash__

    @property
    def fits(self) -> bool | None:
        """Whether every requirement that could be judged is met; None when none could be."""
        return show.verdict(self.judged)[0]

    @property
    def sentence(self) -> str:
        """The verdict in one sentence, and one more where a fact under ``also_true`` is not true."""
        return " ".join(filter(None, (show.verdict(self.judged)[1], show.facts(self.also_true))))

    @property
    def also_true(self) -> tuple[Judged, ...]:
        """The facts of the lesson, in the scenario's order, each true of this night (met), not true, or not judged."""
        return self.meta.also_true

    @property
    def outcome(self) -> "Outcome":
        """How the night came out: good, bad (something is missed, or a fact is not true), open, or nothing_asked.

        It is open when requirements are stated, and the night has nothing to judge them by.
        """
        if self.fits is False or any(fact.met is False for fact in self.also_true):
            return "bad"
        if self.fits:
            return "good"
        return "open" if self.judged else "nothing_asked"

    @property
    def seed(self) -> int:
        """The seed of this night."""
        return self.about.seed

    def figure(
        self,
        name: FigureName,
        *,
        routine: str | None = None,
        queue: str | None = None,
        entry: str | None = None,
        pool: str | None = None,
        effect: str | None = None,
        target: str | None = None,
        set_of: str | None = None,
    ) -> Figure:
        """Read one figure of the catalogue, of the whole night or of a part of it: ``night.figure("wait_p90").value``.

        Raises:
            InputError: for a name that is not in the catalogue, or a part that the scenario does not have (the message
                gives the nearest). Also for a part that the figure cannot be filtered by.
        """
        where = Where(routine, queue, entry, pool, effect, target, set_of)
        if where.given():
            from emulator.measure.comparison.wanted import Wanted, check_names  # most figures are of the whole night

            entries = [kind.entry for kind in self.night.kinds]
            check_names([Wanted(find(name).name, where)], self.loaded.scenario, entries)
        if self.about.heartbeats == "computed" and find(name).name in OF_HEARTBEATS:
            return self._with_heartbeats(name, where)
        if where not in self._parts:
            self._parts[where] = Figures(self.night, where)
        return self._parts[where].get(name)

    def _with_heartbeats(self, name: str, where: Where) -> Figure:
        """Play the night once more with simulated heartbeats, which change nothing else, and read a figure of them."""

        night, _, _ = play(self.loaded, self.seed, {}, heartbeats="simulated")
        return Figures(night, where).get(name)

    def events(self) -> Iterator[Event]:
        """Give every event in order, from memory or from the log.

        Raises:
            InputError: when the run kept neither.
        """
        return read(self.rows) if self.rows is not None else self._log().events()

    def digest(self) -> str:
        """Give the SHA-256 of the events as JSON Lines: two runs with one digest are the same to the byte.

        Raises:
            InputError: when the run kept neither events nor a log.
        """
        from emulator.record.export import digest

        return digest(self.every_row())

    def every_row(self) -> Iterable[Row]:
        """Give every event as it was written, from memory or from the log.

        Raises:
            InputError: when the run kept neither.
        """
        return self.rows if self.rows is not None else self._log().rows()

    def summary(self, *, everything: bool = False, width: int = WIDTH) -> Page:
        """Write the summary: ``as_text()`` gives it as text, ``write(file)`` shows it.

        Args:
            everything: write all that is known of the night, not the first screen alone.
            width: how wide tables may be, in columns; sentences keep within 80.
        """
        return summary(self.night, self.judged, self.meta, everything=everything, width=width)

    def page(self) -> str:
        """Write the night as one HTML page that needs no network; the same night gives the same bytes.

        Raises:
            InputError: when the run kept neither events nor a log.
        """
        from emulator.report.paging import page_of_night

        return page_of_night(self)

    def as_json(self) -> dict[str, Any]:
        """Give the summary as plain data for ``json.dumps``."""
        return as_json(self.night, self.judged, self.meta)

    def _repr_html_(self) -> str:
        """Show it in a notebook: a small table and a picture."""
        from emulator.show.notebook import night_html

        return night_html(self.night, self.judged, self.meta.title, self.loaded.scenario.must_hold)

    def _log(self) -> "Log":
        if self.log is None:
            raise InputError("this run kept no events: run it with keep_events=True, or with log=PATH")
        from emulator.record.log_reader import open_log  # the reader needs SQLite, which most nights do without

        return open_log(self.log)


Heartbeats = Literal["computed", "simulated"]
"""Whether heartbeats are worked out, or each is an event of its own; all else is the same."""

Progress = Callable[[float], None]
"""Told the share of the night that is over, from 0 to 1; what it raises ends the run."""

Settle = Callable[[], Awaitable[None]]
"""Puts into the log what has happened so far; nothing, where there is none."""

Drive = Callable[[Settle], Awaitable[None]]
"""Lets the night pass on the running loop, which is in its manual pace, up to the last tick before its end."""

_SLICES: Final = 200
_READ_AT_ONCE: Final = 2048
"""Rows that are folded at a time: a few of them at a time cost more."""
_READ_SO_OFTEN: Final = 20
"""Times that the rows of a night are looked at which tells nobody how far it is, so that they take little memory."""
_WRITTEN_EVERY: Final = 0.25
"""Seconds of real time after which a paced night's events are in its log at the latest."""
_SEEDS: Final = 2**63
_HEARTBEATS: Final = ("computed", "simulated")


def run_night(
    loaded: Loaded,
    *,
    seed: int | None = None,
    variant: str = "",
    log: Path | None = None,
    overwrite: bool = False,
    pace: float | None = None,
    heartbeats: Heartbeats | None = None,
    keep_events: bool = False,
    also_to: Sink | None = None,
    progress: Progress | None = None,
    drive: Drive | None = None,
) -> NightResult:
    """Run one night of a scenario: the same scenario, seed and zone data give the same events.

    Args:
        loaded: the scenario.
        seed: from 0 to 2**63 - 1; by default the one that the scenario states.
        variant: the name of the scenario's variant to run; by default, or by ``as written``, the scenario itself.
        log: where to write the events, as a new file.
        overwrite: let the log take the place of an earlier log.
        pace: seconds of virtual time for each second of real time; by default as fast as possible.
        heartbeats: by default what the scenario states; simulated ones are events of their own.
        keep_events: keep every event in memory.
        also_to: one more sink for every event.
        progress: told the share that is over, some two hundred times.
        drive: lets the night pass, in place of a pace; nobody is told of progress then.

    Raises:
        InputError: for a seed, pace or variant out of range.
        LogError: when the log cannot be written.
        DefectError: when the emulator itself is wrong.
    """
    _check(seed, variant, pace, heartbeats)
    may_be(FUNCTION, progress=progress)
    must_be(FLAG, overwrite=overwrite, keep_events=keep_events)
    said = loaded
    if variant:
        from emulator.scenario.variants import chosen  # most nights are of the scenario itself

        variant = chosen(loaded, variant)
    if variant:
        loaded = varied(loaded, said.patches[variant], variant)
    scenario = loaded.scenario
    about = RunMeta(
        seed=scenario.seed if seed is None else int(seed),
        scenario_text=said.text or resolved(said),
        scenario_name=said.name,
        files=files_of(loaded),
        heartbeats=heartbeats or heartbeats_for(loaded),
        variant=variant,
        changes=said.changes if said.text else (),  # else the text that is written has them already
        bases=said.bases,
        scenario_folder="" if log is None else _from_log(log, said.folder),
    )
    run = _Run(loaded, about, keep_events, also_to, progress)
    if log is None and pace is None and drive is None:
        run.directly()
    else:
        import asyncio  # a night without a log at full speed needs neither asyncio nor SQLite

        from emulator.timeline.loop import VirtualLoop

        def make() -> VirtualLoop:  # with an end, so that nothing more runs while the log is being finished
            return VirtualLoop(run.agenda, pace="manual" if drive else pace or "fast", end=scenario.lasts)

        with asyncio.Runner(loop_factory=make) as runner:
            runner.run(run.on_loop(log, overwrite, pace, drive))
    return run.result(said, log)


def _from_log(log: Path, folder: Path) -> str:
    """Give the path of a folder from that of a log, which may be moved together with it."""
    return os.path.relpath(os.path.realpath(folder), os.path.realpath(log.parent))


def play(
    loaded: Loaded,
    seed: int,
    policies: Mapping[str, RetryPolicy],
    *,
    heartbeats: Heartbeats | None = None,
    also_to: Sink | None = None,
    stated: "Stated | None" = None,
) -> tuple[Night, int, bool]:
    """Play one night without a log or anything that only its own summary needs.

    Args:
        loaded: the scenario.
        seed: from 0 to 2**63 - 1.
        policies: the user's own retry policies, by queue.
        heartbeats: by default what the scenario states; simulated ones are events of their own.
        also_to: one more sink for every event.
        stated: what the scenario states of each of its nights, where that is known; else it is worked out.

    Returns:
        The night, how many events it had, and whether anything in it was drawn by chance (or may have been, by a policy
        of the user's own). If nothing was, every seed gives this night.
    """
    heartbeats = heartbeats or heartbeats_for(loaded)
    agenda, fold, rows = Agenda(), NightFold(loaded.scenario.lasts), EventBuffer()
    sink: Sink = rows if also_to is None else Both(also_to, rows)
    world = World(loaded, seed, agenda, sink, heartbeats=heartbeats, policies=policies)
    world.start()
    for end, _ in _slices(loaded.scenario.lasts, _READ_SO_OFTEN):
        agenda.run(before=(end, 0, 0, 0, 0))
        fold.feed_all(rows.read_on(_READ_AT_ONCE, keep=False))
    world.close()
    fold.feed_all(rows.read_on(keep=False))
    return _closed(fold, world, stated or stated_of(loaded)), fold.events, world.draws.drawn or bool(policies)


def heartbeats_for(loaded: Loaded, figures: Iterable[str] = ()) -> Heartbeats:
    """Say how to have heartbeats: as the scenario states, but simulated where a figure is asked for that needs them.

    Args:
        loaded: the scenario; what its requirements ask for counts.
        figures: the names of others.
    """
    scenario = loaded.scenario
    asked = {one.measure for one in (*scenario.must_hold, *scenario.also_true)}
    return "simulated" if OF_HEARTBEATS.intersection((*asked, *figures)) else scenario.heartbeats


def _slices(lasts: int, most: int) -> Iterator[tuple[int, float]]:
    """Give the end of each slice of a night, and the share of the night that is over then; no slice is empty."""
    count = min(most, lasts)
    for number in range(1, count + 1):
        yield lasts * number // count, number / count


class Stated(NamedTuple):
    """What a scenario states of each of its nights: no event tells it, and no seed changes it. See ``Night``."""

    offered_load: Mapping[str, float]
    planned_on: Mapping[str, int]
    aims: tuple[Aim, ...]


def stated_of(loaded: Loaded) -> Stated:
    """Work out what a scenario states of each of its nights; for many nights of it once.

    Raises:
        ScenarioError: for a line of a trace that is wrong.
    """
    scenario, clock = loaded.scenario, loaded.clock
    return Stated(offered_load(scenario, clock), planned_on(scenario, clock), aims(loaded))


def _closed(fold: NightFold, world: World, stated: Stated) -> Night:
    """End the fold, and add what the events do not tell."""
    return replace(
        fold.close(),
        pools=world.pools_of_workers(),
        slots=world.slots(),
        takes_slots=world.takes_slots(),
        occurrences={entry: array("q", ticks) for entry, ticks in world.occurrences.items()},
        **stated._asdict(),
    )


def _check(seed: int | None, variant: str, pace: float | None, heartbeats: str | None) -> None:
    may_be(WHOLE, seed=seed)
    may_be(TEXT, variant=variant)
    may_be(NUMBER, pace=pace)
    if heartbeats not in (None, *_HEARTBEATS):
        raise InputError(
            f"heartbeats: there is no way {heartbeats!r} to have them: {advise(str(heartbeats), _HEARTBEATS)}"
        )
    if seed is not None and not 0 <= seed < _SEEDS:
        raise InputError(f"the seed {seed} is out of range: give a whole number from 0 to {_SEEDS - 1}")
    if pace is not None and not 0 < pace < float("inf"):
        raise InputError(f"the pace {pace:g} is out of range: give seconds of virtual time a second, above 0")


class _Run:
    """One night under way."""

    def __init__(
        self, loaded: Loaded, about: RunMeta, keep_events: bool, also_to: Sink | None, progress: Progress | None
    ) -> None:
        self.agenda = Agenda()
        self._loaded = loaded
        self._about = about
        self._fold = NightFold(loaded.scenario.lasts)
        self._rows = EventBuffer()
        self._keep = keep_events
        self._sink: Sink = self._rows if also_to is None else Both(also_to, self._rows)
        self._told: Progress = progress or (lambda share: None)
        self._world: World | None = None

    def directly(self) -> None:
        """Run the agenda by itself."""
        world = self._start(self._sink)
        for end, share in self._slices():
            self.agenda.run(before=(end, 0, 0, 0, 0))
            self._progress(share)
        world.close()

    async def on_loop(self, log: Path | None, overwrite: bool, pace: float | None, drive: Drive | None) -> None:
        """Run the agenda on the running virtual-time loop, writing the events to a log if one is asked for."""
        if log is None:
            await self._pass(self._start(self._sink), None, None, drive)
            return
        from emulator.record.log_writer import SqliteRecorder

        async with await SqliteRecorder.create(log, self._about, overwrite=overwrite) as recorder:
            await self._pass(self._start(recorder.beside(self._sink)), recorder, pace, drive)
            await recorder.finish()

    async def _pass(
        self, world: World, recorder: "SqliteRecorder | None", pace: float | None, drive: Drive | None
    ) -> None:
        try:
            if drive is None:
                await self._slice_by_slice(recorder, pace)
            else:
                await drive(lambda: _settle(recorder))
        except BaseException:  # above all a cancellation: the night must not go on while its log is being closed
            self.agenda.entries.clear()
            raise
        world.close()

    async def _slice_by_slice(self, recorder: "SqliteRecorder | None", pace: float | None) -> None:
        from emulator.timeline.loop import VirtualLoop

        loop = VirtualLoop.of()
        longest = None
        if recorder is not None and pace is not None:
            longest = max(1, round(min(pace * _WRITTEN_EVERY * SECOND, self._loaded.scenario.lasts)))
        for end, share in self._slices(longest):
            await loop.advance(end - 1 - self.agenda.now)  # all that is due before `end`: ticks are whole
            if recorder is not None and recorder.failure is not None:
                raise recorder.failure
            if longest is not None:
                await _settle(recorder)
            self._progress(share)

    def _start(self, sink: Sink) -> World:
        about = self._about
        self._world = world = World(self._loaded, about.seed, self.agenda, sink, heartbeats=about.heartbeats)
        world.start()
        return world

    def _progress(self, share: float) -> None:
        """A slice of the night is over."""
        self._fold.feed_all(self._rows.read_on(_READ_AT_ONCE, keep=self._keep))
        self._told(share)

    def _slices(self, longest: int | None = None) -> Iterator[tuple[int, float]]:
        """Give the slices of the night, of which none is longer than so much."""
        lasts = self._loaded.scenario.lasts
        return _slices(lasts, max(_SLICES, lasts // longest if longest else 0))

    def result(self, said: Loaded, log: Path | None) -> NightResult:
        """Judge what happened."""
        world, about = self._world, self._about
        assert world is not None, "the night has been run"
        self.agenda.now = self._loaded.scenario.lasts  # nothing is left before it, whichever way it was reached
        file = said.name if said.text else ""
        again = _in_python(about)
        self._fold.feed_all(self._rows.read_on(keep=self._keep))
        rows = self._rows if self._keep else None
        return judged_night(self._loaded, about, self._fold, world, again, rows, log, file)


def judged_night(
    loaded: Loaded,
    about: RunMeta,
    fold: NightFold,
    world: World,
    again: str,
    rows: Sequence[Row] | None,
    log: Path | None,
    file: str = "",
    *,
    real_code: bool = False,
) -> NightResult:
    """Judge a night that is over.

    Args:
        real_code: whether code of the user's own took part, which may do otherwise the next time.
        again: what runs it once more; of a night from a ``file`` that commands can be about, its command.
    """
    night = _closed(fold, world, stated_of(loaded))
    sources = [told.source for told in loaded.provenance.values()]
    meta = show.RunMeta(
        title=loaded.title,
        seed=about.seed,
        again=again,
        file=file,
        variant=about.variant,
        allowed=tuple(map(str, loaded.folders.allowed)),
        clock=loaded.clock,
        sources=source_counts(loaded),
        guessed=sources.count("guess"),
        stated=len(sources),
        explanations={job: in_words(reasons) for job, reasons in world.explanations().items()},
        stuck=frozenset(world.stuck()),
        nothing_came=show.nothing_came_of(loaded.scenario.arrivals, night),
        also_true=judge_all(night, loaded.scenario.also_true, loaded.clock),
        versions={
            "program": about.program_version,
            "zone data": about.zone_data_version,
            "python": about.python_version,
        },
        changes=tuple(map(str, about.changes)),
        random=real_code or world.draws.drawn,
    )
    if file:
        meta = replace(meta, again=meta.command("run"))
    judged = judge_all(night, loaded.scenario.must_hold, loaded.clock)
    return NightResult(loaded, about, night, judged, meta, rows, log)


async def _settle(recorder: "SqliteRecorder | None") -> None:
    """Write what has happened so far, because somebody may be following the night."""
    if recorder is not None and recorder.failure is not None:
        raise recorder.failure
    if recorder is not None and recorder.pending:
        await recorder.flush()


def _in_python(about: RunMeta) -> str:
    variant = f", variant={about.variant!r}" if about.variant else ""
    return f"emulator.run(settings, seed={about.seed}{variant})"
