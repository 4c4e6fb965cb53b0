"""Stories of requirements on every figure of the catalogue, and of jobs with many attempts, holds and gaps in a log."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from night_rows import KEYS, Stream

from emulator.experiment.night import run_night
from emulator.measure.catalogue import MEASURES
from emulator.measure.night import Night
from emulator.measure.requirements import judge
from emulator.measure.story.facts import Rows, settings_of
from emulator.measure.story.job import job_story
from emulator.measure.story.requirement import requirement_story
from emulator.measure.story.surroundings import Surroundings
from emulator.record.event_view import views
from emulator.record.events import Row
from emulator.record.history import job_of
from emulator.scenario.load import Loaded, load, load_text
from emulator.show.story.writing import lines, sentences

SCENARIOS = Path(__file__).parents[2] / "scenarios"
NIGHTS = ("zombie-writes-first", "surge-refused", "missed-run", "rerun-while-zombie-returns", "cap-too-short")

HELD = """\
title: Held
starts: 2026-06-12T21:00:00
zone: UTC
lasts: 2h
queues: {night: {lease: 90s, retry: {attempts_in_all: 14}}}
pools: {dome: {count: 1, serves: [night], heartbeat: 20s}}
routines:
  copy: {queue: night, parts: [{name: copy, takes: 10m}]}
  fail: {queue: night, priority: 1, parts: [{name: fail, takes: 1m, error_share: 1.0}]}
arrivals:
  - {routine: copy, name: copies, count: 2, at: "21:10"}
  - {routine: fail, name: fails, at: "21:40"}
  - {routine: copy, name: after, at: "21:12", after: {entry: lasts, number: 1}}
  - {routine: copy, name: lasts, at: "22:59"}
  - {routine: copy, name: kept, at: "21:30"}
actions:
  - {hold: "copies#2", at: "21:15", lasts: 10m}
  - {hold: "kept#1", at: "21:31"}
"""
"""A job that a person holds while it waits, one that nobody releases, one that waits for a job that never ends."""


def asked(**keys: object) -> Any:
    return SimpleNamespace(**{**dict.fromkeys(KEYS), **keys})


def around(loaded: Loaded) -> tuple[Any, Surroundings]:
    result = run_night(loaded, keep_events=True)
    return result, Surroundings(Rows(result.rows or ()), settings_of(loaded.scenario), loaded.scenario.lasts)


@pytest.mark.slow
@pytest.mark.parametrize("name", NIGHTS)
def test_every_figure_has_a_story(name: str) -> None:
    """A requirement on any figure, by any part it may be told by, names its verdict first, and events that exist."""
    loaded = load(SCENARIOS / f"{name}.yaml")
    result, surroundings = around(loaded)
    last = surroundings.source.last[0]
    queue, entry = next(iter(loaded.scenario.queues)), loaded.scenario.arrivals[0].label
    for measure in MEASURES.values():
        for filters in (
            {},
            {"queue": queue} if "queue" in measure.by else {},
            {"entry": entry} if "entry" in measure.by else {},
        ):
            requirement = asked(measure=measure.name, at_most=0 if measure.unit == "time" else 0.0, **filters)
            judged = judge(result.night, requirement, loaded.clock)
            story = requirement_story(surroundings, result.night, requirement, judged, 1, measure.name)
            told = sentences(story, loaded.clock, surroundings.causes.chain)
            assert told[0].text == judged.sentence
            assert all(one.events and all(1 <= event <= last for event in one.events) for one in told)


COUNTED = sorted(
    {"lost_leases", "lost_while_healthy", "attempts", "stale_refused", "failed", "effects_landed", "refused"}
)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "variant", "seed"), [("how-long-a-lease", "90 s", 3), *((name, "", 1) for name in NIGHTS)]
)
def test_a_story_tells_the_very_events_that_its_figure_counts(name: str, variant: str, seed: int) -> None:
    """As many as the figure says, those that are not told one by one counted: of the leases that were lost on the night
    with seed 3 some were those of dead workers, which a figure on healthy ones does not count."""
    loaded = load(SCENARIOS / f"{name}.yaml")
    result = run_night(loaded, keep_events=True, variant=variant, seed=seed)
    surroundings = Surroundings(Rows(result.rows or ()), settings_of(loaded.scenario), loaded.scenario.lasts)
    counts = {}
    for measure in COUNTED:
        requirement = asked(measure=measure, at_most=0.0)
        judged = judge(result.night, requirement, loaded.clock)
        story = requirement_story(surroundings, result.night, requirement, judged, 1, measure)
        told = sum(1 for fact in story.facts if fact.what == "counted")
        told += sum(fact.values["count"] for fact in story.facts if fact.what == "rest")
        counts[measure] = (told, judged.found.value)
    assert [measure for measure, (told, figure) in counts.items() if told != figure] == []
    assert name != "how-long-a-lease" or 0 < counts["lost_while_healthy"][0] < counts["lost_leases"][0]


def counted_rows(stream: Stream, night: Night, measure: str) -> list[Row]:
    """Give the events that the story of a requirement on a figure counts, one by one."""
    loaded = load(SCENARIOS / "no-cap.yaml")
    around = Surroundings(Rows(stream.rows), settings_of(loaded.scenario), 200)
    requirement = asked(measure=measure, at_most=0 if MEASURES[measure].unit == "time" else 0.0)
    judged = judge(night, requirement, loaded.clock)
    story = requirement_story(around, night, requirement, judged, 1, measure)
    return [fact.values["row"] for fact in story.facts if fact.what == "counted"]


def test_a_hand_out_that_was_given_back_is_no_attempt() -> None:
    """Taken at 5, given back at 6 and taken again at 7: one attempt, the one at 7."""
    stream = Stream()
    stream.submit(0, 1)
    stream.hand_out(5, 1, "dome-1", 1)
    stream.add(6, "handed_back", 1, "dome-1", "queued", 1, 1)
    stream.start(7, 1, "dome-1", 2)
    assert [row[0] for row in counted_rows(stream, stream.night(200), "attempts")] == [7]


def test_of_lost_leases_only_those_of_one_kind_are_told() -> None:
    """Two leases are lost: that of a worker that was frozen since 20, and that of a healthy one."""
    stream = Stream()
    for worker in ("dome-1", "dome-2"):
        stream.worker(0, worker, "idle")
    for job, worker in ((1, "dome-1"), (2, "dome-2")):
        stream.submit(0, job)
        stream.start(0, job, worker, job)
    stream.worker(20, "dome-1", "frozen")
    stream.end(90, 1, "dome-1", 1, "lease_lost")
    stream.end(95, 2, "dome-2", 2, "lease_lost")
    night = stream.night(200)
    told = {}
    for measure in ("lost_leases", "lost_while_healthy", "detection_delay_longest"):
        told[measure] = [row[4] for row in counted_rows(stream, night, measure)]
    assert told == {
        "lost_leases": ["dome-1", "dome-2"],
        "lost_while_healthy": ["dome-2"],
        "detection_delay_longest": ["dome-1"],
    }


def test_many_attempts_are_told_together() -> None:
    """Of fourteen attempts the first five and the last three are told one by one."""
    loaded = load_text(HELD, "held.yaml")
    _, surroundings = around(loaded)
    told = [text for _, _, text, _ in lines(job_story(surroundings, 5), loaded.clock)]
    assert [text for text in told if text.startswith("Attempts ")] == ["Attempts 6 to 11 are told together: 6 error."]
    ended = [text.split(" on ")[0] for text in told if " ended after " in text]
    assert ended == [f"Attempt {number}" for number in (1, 2, 3, 4, 5, 12, 13, 14)]


def test_holds_are_told() -> None:
    """A person's hold has its end; one that nobody releases is told so, and a wait for a job that does not end."""
    loaded = load_text(HELD, "held.yaml")
    _, surroundings = around(loaded)
    told = {job: [text for _, _, text, _ in lines(job_story(surroundings, job), loaded.clock)] for job in (2, 3, 4)}
    assert told[2][2] == "A person held it for 10 min, until 21:25:00."
    assert told[3][1] == "It was held from then on: lasts#1 had to end first."
    assert "A person held it, and nobody released it." in told[4]


def test_attempts_of_a_log_with_gaps() -> None:
    """Events under a token that no hand-out tells of are passed over; what was handed back ends its attempt."""
    rows = [
        (0, "work_began", 0, 1, "a", 1, 9),
        (0, "work_stopped", 0, 1, "a", 1, 9, "finished"),
        (0, "attempt_ended", 0, 1, "a", 1, 9, "ok", "", 0),
        (0, "handed_back", 0, 1, "a", "queued", 1, 9),
        (0, "effect_landed", 0, 1, "a", 1, 9, "x", "y", True),
        (1, "handed_out", 0, 1, "a", 1, 2, 90, 1),
        (2, "work_continued", 0, 1, "a", 2),
        (3, "handed_back", 0, 1, "a", "queued", 1, 2),
    ]
    found = job_of(views(rows)).attempts
    assert [(one.token, one.outcome, one.ended, one.work) for one in found] == [(2, "handed_back", 3, [])]
