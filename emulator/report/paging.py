"""Makes a page of a log, or of a night that was just run.

The heartbeats that renewed a lease stand in the events only where a run simulated them. For the others the night is
played once more with every heartbeat simulated: both modes agree on all other events, and this is checked here. If they
do not agree (the run was of a test's own code, or of another version), the page draws no heartbeats and says so.
"""

from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Final

from emulator.errors import LogError
from emulator.measure.story.facts import Rows, settings_of
from emulator.measure.story.job import job_story
from emulator.measure.story.surroundings import Surroundings
from emulator.record.event_view import CAUSE, JOB, KIND, view, views
from emulator.record.events import HEARTBEAT_KINDS, Row
from emulator.record.log_reader import fitting
from emulator.record.recorder import Recorder
from emulator.report.judged_log import JudgedLog, judged_log
from emulator.report.writing import write_whole
from emulator.scenario.load import AnyFolders, Loaded
from emulator.scenario.stated import source_counts
from emulator.show import meta as show
from emulator.show.page.document import Material, document
from emulator.show.settings import assumed
from emulator.show.story.writing import Paragraph, paragraphs, sentences
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

if TYPE_CHECKING:
    from emulator.experiment.night import NightResult  # which asks for its page here

__all__ = [
    "page_of_log",
    "page_of_night",
    "write_page",
]


_MOST_BEATS: Final = 150_000
_MOST_STORIES: Final = 1_000
"""So many jobs have their stories on the page, those first in which something went wrong; the command tells all."""
_UNUSUAL: Final = frozenset({"requeued", "stale_refused", "effect_refused", "held", "lease_forgotten"})

Beats = list[tuple[int, int, str]]


def page_of_log(path: str | Path, *, allow_folders: AnyFolders = ()) -> str:
    """Write the page of a log as HTML; the same log gives the same bytes.

    Raises:
        LogError: when the log cannot be read, or was changed since.
        ScenarioError: when this version of the program does not take its scenario any more.
    """
    found = judged_log(path, allow_folders=allow_folders)
    with fitting(path):
        return _page(found)


def _page(found: JudgedLog) -> str:
    about = found.log.meta
    sources = [told.source for told in found.loaded.provenance.values()]
    variant = f", variant '{about.variant}'" if about.variant else ""
    meta = show.RunMeta(
        title=found.loaded.title + variant,
        seed=about.seed,
        again=f"queuedrill run {about.scenario_name} --seed {about.seed}"
        + (f" --variant '{about.variant}'" if about.variant else "")
        + "".join(f" {change}" for change in about.changes),
        changes=tuple(map(str, about.changes)),
        sources=source_counts(found.loaded),
        guessed=sources.count("guess"),
        stated=len(sources),
        nothing_came=show.nothing_came_of(found.loaded.scenario.arrivals, found.night) if found.log.finished else (),
        versions={
            "program": about.program_version,
            "zone data": about.zone_data_version,
            "python": about.python_version,
        },
        breaks_off=found.breaks_off,
        also_true=found.also_true,
    )
    rows = list(found.log.numbered())
    beats = _beats(found.loaded, about.seed, [row for _, row in rows])
    requirements = found.loaded.scenario.must_hold
    told = _stories(found.loaded, [row for _, row in rows], finished=found.log.finished)
    return document(
        Material(
            found.night, found.judged, meta, rows, found.loaded.clock, requirements, beats, told, assumed(found.loaded)
        )
    )


def page_of_night(result: "NightResult") -> str:
    """Write the page of a night from its events, in memory or in its log.

    Raises:
        InputError: when the run kept neither.
    """
    rows = list(enumerate(result.every_row(), 1))
    beats = _beats(result.loaded, result.seed, [row for _, row in rows])
    requirements = result.loaded.scenario.must_hold
    told = _stories(result.loaded, [row for _, row in rows], finished=True)
    clock = result.loaded.clock
    return document(
        Material(
            result.night, result.judged, result.meta, rows, clock, requirements, beats, told, assumed(result.loaded)
        )
    )


def _stories(loaded: Loaded, rows: list[Row], *, finished: bool) -> dict[int, list[Paragraph]]:
    """Tell the stories of jobs, of those first in which something went wrong."""
    jobs = {row[JOB]: None for row in rows if row[KIND] == "submitted"}
    unusual = {row[JOB]: None for row in rows if row[JOB] in jobs and _went_wrong(row)}
    around = Surroundings(Rows(rows, finished=finished), settings_of(loaded.scenario), loaded.scenario.lasts)
    chosen = sorted([*unusual, *(job for job in jobs if job not in unusual)][:_MOST_STORIES])
    found = {}
    for job in chosen:
        story = job_story(around, job)
        told = sentences(story, loaded.clock, lambda _: ())  # a page shows no chains of causes
        found[job] = list(paragraphs(story, told, loaded.clock))
    return found


def _went_wrong(row: Row) -> bool:
    return row[KIND] in _UNUSUAL or (row[KIND] == "finished" and view(0, row).state == "failed")


def write_page(html: str, path: Path) -> None:
    """Write a page to a file; one that is there stays until the page is written.

    Raises:
        LogError: when that cannot be.
    """
    try:
        write_whole(path, html)
    except OSError as error:
        raise LogError(f"{path}: the page cannot be written: {error.strerror}") from None


def _beats(loaded: Loaded, seed: int, rows: list[Row]) -> Beats | None:
    """Give (tick, token, worker) of every heartbeat that renewed a lease; None where that cannot be known."""
    if any(row[KIND] in HEARTBEAT_KINDS for row in rows) or loaded.scenario.heartbeats == "simulated":
        return _renewals(rows)
    scenario = loaded.scenario
    if sum(pool.count * scenario.lasts // pool.heartbeat for pool in scenario.pools.values()) > _MOST_BEATS:
        return None
    recorder = Recorder()
    world = World(loaded, seed, Agenda(), recorder, heartbeats="simulated")
    world.start()
    world.run()
    world.close()
    others = (row for row in recorder.rows if row[KIND] not in HEARTBEAT_KINDS)
    same = all(a is not None and b is not None and _of(a) == _of(b) for a, b in zip_longest(rows, others))
    return _renewals(recorder.rows) if same else None


def _of(row: Row) -> Row:
    """Give a row without the number of its cause, which counts heartbeats too."""
    return (*row[:CAUSE], *row[CAUSE + 1 :])


def _renewals(rows: list[Row]) -> Beats:
    return [(event.at, event.token, event.worker) for event in views(rows) if event.kind == "lease_renewed"]
