"""Stories of every scenario, held against the events: what they name is there, causes reach a root, waits are true.

Three short scenarios are looked at in every run, the others with the slow tests.
"""

from collections.abc import Iterator
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

import pytest

from emulator.experiment.night import NightResult, run_night
from emulator.measure.story.facts import Piece, Rows, Story, settings_of
from emulator.measure.story.job import job_story, waits_of, worker_story
from emulator.measure.story.requirement import requirement_story
from emulator.measure.story.surroundings import Surroundings
from emulator.record.events import Row
from emulator.scenario.load import load
from emulator.show.story.writing import sentences

SCENARIOS = Path(__file__).parents[2] / "scenarios"
FILES = sorted(file.name for file in SCENARIOS.glob("*.yaml"))
QUICK = ("handed-out-twice.yaml", "rerun-while-zombie-returns.yaml", "zombie-writes-first.yaml")
every_scenario = pytest.mark.parametrize(
    "name", [pytest.param(name, marks=() if name in QUICK else pytest.mark.slow) for name in FILES]
)

ROOTS = {"submitted", "submission_refused", "submission_repeated", "occurrence_skipped"} | {
    "action_taken", "action_refused", "fault_began", "fault_missed", "run_began",
}  # fmt: skip
"""Arrivals, actions, faults, and the start of the run."""


@lru_cache(maxsize=2)
def night(name: str) -> tuple[NightResult, Surroundings, tuple[Row, ...]]:
    """Run a scenario, and keep its events."""
    result = run_night(load(SCENARIOS / name), keep_events=True)
    rows = tuple(result.rows or ())
    return result, Surroundings(Rows(rows), settings_of(result.loaded.scenario), result.loaded.scenario.lasts), rows


def chosen(rows: tuple[Row, ...]) -> list[int]:
    """Choose jobs: those with something unusual (100 at most), and some of the others."""
    unusual: dict[int, None] = {}
    jobs: dict[int, None] = {}
    for row in rows:
        if row[3]:
            jobs[row[3]] = None
            bad = row[1] in ("stale_refused", "effect_refused", "requeued", "hold_ended", "effect_found")
            if bad or (row[1] == "finished" and row[5] == "failed"):
                unusual[row[3]] = None
    return list(dict.fromkeys([*list(unusual)[:100], *list(jobs)[:: max(1, len(jobs) // 10)]]))


def stories(name: str) -> Iterator[Story]:
    """Tell of the chosen jobs, of every worker, and of every requirement of a scenario."""
    result, around, rows = night(name)
    for job in chosen(rows):
        yield job_story(around, job)
    for worker in around.settings.workers:
        yield worker_story(around, worker)
    for number, (asked, judged) in enumerate(zip(result.loaded.scenario.must_hold, result.judged, strict=True), 1):
        yield requirement_story(around, result.night, asked, judged, number, judged.requirement)


@every_scenario
def test_every_sentence_names_events_and_its_causes_reach_a_root(name: str) -> None:
    """The events that a sentence names exist; each chain of causes goes back to an arrival, action, fault or start."""
    result, around, rows = night(name)
    wrong = []
    told = 0
    for story in stories(name):
        for one in sentences(story, result.loaded.clock, around.causes.chain):
            told += 1
            numbers = [*one.events, *(event for chain in one.causes for event in chain)]
            if not one.events or not all(1 <= number <= len(rows) for number in numbers):
                wrong.append((story.name, one.text, "names no event, or one that is not there"))
            for chain in one.causes:
                backwards = all(before < after for after, before in pairwise(chain))
                if rows[chain[-1] - 1][1] not in ROOTS or not backwards:
                    wrong.append((story.name, one.text, f"its causes end at {rows[chain[-1] - 1]}"))
    assert told > 0
    assert wrong == []


@every_scenario
def test_what_a_sentence_about_a_job_names_concerns_that_job(name: str) -> None:
    """Every event of a job's sentence is of the job, of a job of its family, or of a worker that it was handed to."""
    _, around, rows = night(name)
    wrong = []
    for job in chosen(rows):
        workers = {row[4] for row in rows if row[3] == job and row[4]}
        family = set(around.family(job))
        for fact in job_story(around, job).facts:
            for number in fact.events:
                row = rows[number - 1]
                if row[3] not in family and row[4] not in workers:
                    wrong.append((job, fact.what, row))
    assert wrong == []


def idle_able(around: Surroundings, rows: tuple[Row, ...], queue: str) -> list[tuple[int, int]]:
    """Count, by plain replay, the workers of a queue that are on, can be reached, and have a free slot.

    Gives (tick, how many from then on). A slot is taken from the hand-out (if work under it began) until the work
    stopped, or until the outcome handed in was answered.
    """
    serving = [one for one in around.settings.workers.values() if queue in one.queues]
    begun = {(row[4], row[6]) for row in rows if row[1] == "work_began"}
    state = dict.fromkeys((one.name for one in serving), "off")
    slots: dict[str, set[int]] = {one.name: set() for one in serving}
    handing: dict[int, tuple[str, int]] = {}
    found: list[tuple[int, int]] = []
    for number, row in enumerate(rows, 1):
        at, kind, cause, worker = row[0], row[1], row[2], row[4]
        if worker in state:
            if kind == "worker_changed":
                state[worker] = row[5]
                if row[5] == "off":
                    slots[worker].clear()
            elif (kind == "handed_out" and (worker, row[6]) in begun) or kind == "work_began":
                slots[worker].add(row[6])
            elif kind == "work_stopped":
                if rows[cause - 1][1] == "work_began" and "own clock" not in row[7]:
                    handing[number] = worker, row[6]
                else:
                    slots[worker].discard(row[6])
            elif kind == "attempt_ended" or (kind == "stale_refused" and row[6] == "outcome"):
                who, token = handing.get(cause, ("", 0))
                if who:
                    slots[who].discard(token)
        idle = sum(state[one.name] in ("idle", "busy") and len(slots[one.name]) < one.slots for one in serving)
        if found and found[-1][0] == at:
            found[-1] = at, idle
        else:
            found.append((at, idle))
    return found


def claimed(around: Surroundings, rows: tuple[Row, ...]) -> Iterator[tuple[int, str, Piece]]:
    """Give (job, key, piece) of every stretch of waiting that the chosen jobs' stories explain."""
    for job in chosen(rows):
        for fact in job_story(around, job).facts:
            if fact.what == "waited":
                for piece in fact.values["pieces"]:
                    yield job, fact.values["key"], piece


@every_scenario
def test_why_a_job_waited_is_true_at_each_instant(name: str) -> None:
    """While all are said to be busy no able worker is idle; while one is said to be idle there is one; and so on."""
    _, around, rows = night(name)
    wrong = []
    counts: dict[str, list[tuple[int, int]]] = {}
    for job, _, piece in claimed(around, rows):
        if any(row[1] == "equipment_changed" for row in rows):
            continue  # who is able changes: the counts below do not look at that
        if piece.queue not in counts:
            counts[piece.queue] = idle_able(around, rows, piece.queue)
        seen = [(at, idle) for at, idle in counts[piece.queue] if at < piece.end]
        inside = [idle for at, idle in seen if at >= piece.begin] + [idle for at, idle in seen if at <= piece.begin][
            -1:
        ]
        if piece.reason == "all busy" and any(inside):
            wrong.append((job, piece, "an able worker is idle"))
        if piece.reason == "one idle" and not all(inside):
            wrong.append((job, piece, "no able worker is idle"))
        if piece.reason == "broker_was_down":
            events = [rows[number - 1] for number in piece.events]
            if events[0][1] != "broker_down" or events[0][0] > piece.begin:
                wrong.append((job, piece, "the broker is up"))
    assert wrong == []


@every_scenario
def test_the_pieces_of_a_wait_cover_it(name: str) -> None:
    """Each stretch of waiting is explained from its beginning to its end, without a gap and without overlap."""
    _, around, rows = night(name)
    for job in chosen(rows):
        waits = [fact for fact in job_story(around, job).facts if fact.what == "waited"]
        stretches = waits_of(around.job(job), around.until)
        assert [(fact.values["begin"], fact.values["end"]) for fact in waits] == [one[:2] for one in stretches]
        for fact in waits:
            pieces = fact.values["pieces"]
            edges = [fact.values["begin"], *(piece.end for piece in pieces)]
            assert [piece.begin for piece in pieces] == edges[:-1]
            assert edges[-1] == fact.values["end"]
