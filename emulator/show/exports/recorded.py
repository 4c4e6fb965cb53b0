"""What is every export made from? A recorded night: its events, what they fold to, its verdicts, its clock."""

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from emulator.measure.night import Night
from emulator.measure.verdict import Judged
from emulator.record.event_view import views
from emulator.record.events import Event, Row, read
from emulator.record.history import History
from emulator.record.meta import RunMeta
from emulator.scenario.clock import Clock

__all__ = ["Recorded"]


@dataclass(frozen=True, slots=True)
class Recorded:
    """One night, as its log tells it.

    Attributes:
        title: of the scenario, with the variant that was run.
        about: what the run was made of.
        clock: the scenario's clock.
        rows: the events; the number of each is its place, counted from 1.
        night, judged: what they fold to, and the requirements. also_true: the facts of the lesson.
        finished: whether the run came to its end.
        parts: routine -> (name, whether it is done for each element of a list) of its parts, in order.
        breaks_off: where the log ends, in a sentence, if that is before the run was finished; else "".
        digest: the digest of the events of a finished run; "" for one that was not finished.
    """

    title: str
    about: RunMeta
    clock: Clock
    rows: Sequence[Row] = field(repr=False)
    night: Night = field(repr=False)
    judged: tuple[Judged, ...]
    finished: bool
    parts: Mapping[str, tuple[tuple[str, bool], ...]]
    also_true: tuple[Judged, ...] = ()
    breaks_off: str = ""
    digest: str = ""

    def events(self) -> Iterator[Event]:
        """Give the events in order."""
        return read(self.rows)

    def history(self) -> History:
        """Fold the events into their history."""
        night = History()
        night.take_all(views(self.rows))
        return night

    @property
    def key(self) -> str:
        """What tells this night from others, in 32 hex digits; two that differ in any event never have the same.

        It is made of the scenario and the files that it refers to, of the seed, the variant, the mode of heartbeats and
        what was set on the command line for the run, and of the digest of the events.
        """
        about = self.about
        chosen = [about.seed, about.variant, about.heartbeats, *([about.changes] if about.changes else [])]
        made_of = json.dumps([about.scenario_text, sorted(about.files.items()), *chosen, self.digest])
        return hashlib.sha256(made_of.encode()).hexdigest()[:32]

    def job(self, number: int) -> str:
        """Name a job, "" for none."""
        return self.night.name_of(number) if number else ""
