"""Writes a night as one HTML file: the verdict first, then the requirements, then the picture and the rest.

Data stand in blocks that are no scripts. All names are escaped or written as text by the script. The same input gives
the same bytes: no clock, no host, no path of this machine.
"""

import base64
import json
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from emulator.measure.night import Night
from emulator.measure.occurrences import Asked, Judged
from emulator.measure.words import why_in_words
from emulator.record.event_view import JOB, KIND
from emulator.record.events import DETAILS, WITH_VALUES, Row, reason_of
from emulator.scenario.clock import Clock
from emulator.scenario.stated import Assumed
from emulator.show import meta as show
from emulator.show.html import file
from emulator.show.page.data import columns
from emulator.show.page.sections import sections
from emulator.show.settings import offsets
from emulator.show.story.writing import Paragraph
from emulator.show.words import BY_DETAIL, EVENTS

__all__ = ["Material", "document"]

_MOST_EVENTS: Final = 400_000
"""With more, the page keeps the events of the jobs that it names, and says so."""


@dataclass(frozen=True, slots=True)
class Material:
    """What a page is made of.

    Attributes:
        night, judged: the folded events and the judged requirements.
        meta: what is said of the run beside its figures.
        rows: numbered rows, in order.
        clock: of the scenario.
        requirements: of the scenario.
        beats: (tick, token, worker) of the heartbeats that renewed a lease; None: not known.
        assumed: what the night rests on; None where nobody has told.
        stories: job -> the paragraphs of its story; of others their events are listed.
    """

    night: Night
    judged: tuple[Judged, ...]
    meta: show.RunMeta
    rows: Sequence[tuple[int, Row]]
    clock: Clock
    requirements: Sequence[Asked]
    beats: Iterable[tuple[int, int, str]] | None = field(default=None)
    stories: Mapping[int, Sequence[Paragraph]] = field(default_factory=dict)
    assumed: Assumed | None = None


def document(of: Material) -> str:
    """Write the whole page.

    Returns:
        The text of an HTML file, to be written as UTF-8.
    """
    found = columns(of.rows, of.night.horizon, of.night.pools, of.beats or ())
    body, named = sections(of)
    whole = len(of.rows) <= _MOST_EVENTS
    data = {
        **found.as_data(),
        "offsets": offsets(of.clock, of.night.horizon),
        "epoch": _epoch(of.clock),
        "words": dict(EVENTS),
        "byDetail": {kind: list(names) for kind, names in BY_DETAIL.items()},
        "details": {kind: [*names, "in_words"] if "why" in names else list(names) for kind, names in DETAILS.items()},
        "beatsKnown": of.beats is not None,
        "wholeEvents": whole,
    }
    return file(
        of.meta.title,
        body,
        data=f'<script type="text/plain" id="columns">{_packed(data)}</script>\n',
        scripts=("columns.js", "axis.js", "page.js"),
        later=f'<script type="text/plain" id="events">{_packed(_events(of.rows, whole, named))}</script>\n'
        f'<script type="text/plain" id="stories">{_packed(_stories(of.stories))}</script>\n',
    )


def _events(rows: Iterable[tuple[int, Row]], whole: bool, named: frozenset[int]) -> list[list[Any]]:
    """Give the events that stories are told from: of jobs, and of everything when there are not too many."""
    return [
        [
            number,
            *row[: 5 + len(DETAILS[row[KIND]])],
            *([why_in_words(*reason_of(row))] if row[KIND] in WITH_VALUES else []),
        ]
        for number, row in rows
        if row[JOB] and (whole or row[JOB] in named)
    ]


def _stories(stories: Mapping[int, Sequence[Paragraph]]) -> list[list[Any]]:
    """Give stories as lists: the job, then its paragraphs."""
    return [[job, list(map(list, told))] for job, told in stories.items()]


def _packed(data: Any) -> str:
    """Pack data as JSON, raw deflate and base64: nothing in a name can end the block that it stands in.

    Nor can a name turn what stands around it: JSON itself would leave marks of direction as they are.
    """
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"))
    if not text.isprintable():
        text = "".join(character if character.isprintable() else " " for character in text)
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    packed = packer.compress(text.encode("utf-8", "replace")) + packer.flush()
    return base64.b64encode(packed).decode("ascii")


def _epoch(clock: Clock) -> int:
    """Give tick 0 in seconds of universal time since 1970."""
    return int(clock.local(0).timestamp())
