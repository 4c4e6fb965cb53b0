"""What does one night leave in the hands of whoever ran it?"""

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from emulator.errors import InputError
from emulator.measure.catalogue import OF_HEARTBEATS, find
from emulator.measure.estimate import Figure
from emulator.measure.figure_names import FigureName
from emulator.measure.figures import Figures
from emulator.measure.night import Night
from emulator.measure.selection import Where
from emulator.measure.verdict import Judged
from emulator.record.events import Event, Row, read
from emulator.record.meta import RunMeta
from emulator.records import field, record
from emulator.scenario.load import Loaded
from emulator.show import meta as show
from emulator.show.layout import WIDTH, Page
from emulator.show.summary import as_json, summary

if TYPE_CHECKING:
    from emulator.measure.comparison.outcome import Outcome
    from emulator.record.log_reader import Log

__all__ = ["NightResult"]


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
        from emulator.experiment.night import play

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
        from emulator.experiment.paging import page_of_night

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
