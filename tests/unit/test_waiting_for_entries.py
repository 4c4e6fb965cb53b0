"""What waits for entries of which little comes, and what is told of it: explanations, stories, verdicts on order."""

from typing import Any

from emulator.experiment.night import run_night
from emulator.measure.comparison.sizing import Search, conclude_sizing
from emulator.measure.story.facts import Rows, settings_of
from emulator.measure.story.job import job_story
from emulator.measure.story.requirement import requirement_story
from emulator.measure.story.surroundings import Surroundings
from emulator.record.recorder import Recorder
from emulator.scenario.load import from_settings
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

MINUTE = 60_000_000


def night(*arrivals: dict[str, Any], **more: Any) -> dict[str, Any]:
    """Work of 20 min (``copy``), of 5 min (``wipe``), and of 10 min that always fails (``break``), on two workers."""
    return {
        "title": "Waiting",
        "starts": "2026-06-12T22:00:00",
        "lasts": "2h",
        "queues": {"night": {}},
        "pools": {"dome": {"count": 2, "serves": ["night"], "heartbeat": "20s"}},
        "routines": {
            "copy": {"queue": "night", "parts": [{"name": "copy", "takes": "20m"}]},
            "wipe": {"queue": "night", "parts": [{"name": "wipe", "takes": "5m"}]},
            "break": {"queue": "night", "parts": [{"name": "fail", "takes": "10m", "permanent_error_share": 1}]},
        },
        "arrivals": list(arrivals),
        **more,
    }


def played(settings: dict[str, Any]) -> tuple[World, list[Any]]:
    recorder, agenda = Recorder(), Agenda()
    world = World(from_settings(settings), 1, agenda, recorder)
    world.start()
    world.run()
    world.close()
    return world, recorder.rows


ALL = {"entry": "copies", "jobs": "all"}
CLEAN = {"name": "clean", "routine": "wipe", "at": "+0s", "after": ALL}


def test_a_job_waits_for_an_entry_of_which_none_has_come() -> None:
    """The copies come after the run's end: what is unmet is that more may come."""
    world, rows = played(night({"name": "copies", "routine": "copy", "at": "+3h"}, CLEAN))
    assert [row[1] for row in rows if row[3] == 1] == ["submitted"]
    assert set(world.explanations()) == {1}


def test_a_job_that_fails_as_it_comes_is_in_its_group_and_over() -> None:
    """The second entry waits for one that has failed, so it fails as it comes; who waits for all of it fails too."""
    broken = {"name": "broken", "routine": "break", "at": "+0s"}
    late = {"name": "copies", "routine": "copy", "at": "+30m", "after": {"entry": "broken"}}
    _, rows = played(night(broken, late, CLEAN))
    assert [(row[0] // MINUTE, row[5]) for row in rows if row[1] == "finished"] == [
        (10, "failed"),
        (30, "failed"),
        (30, "failed"),
    ]


def test_a_resubmitted_job_of_another_entry_joins_no_group() -> None:
    """The job that is run again belongs to no entry that somebody waits for: the clean-up still goes at 20 min."""
    other = {"name": "other", "routine": "break", "at": "+0s"}
    copies = {"name": "copies", "routine": "copy", "at": "+0s"}
    again = [{"run_again": "other#1", "at": "+15m"}]
    _, rows = played(night(copies, other, CLEAN, actions=again))
    jobs = {row[3] for row in rows if row[1] == "submitted" and row[8] == "clean"}
    assert [row[0] // MINUTE for row in rows if row[1] == "handed_out" and row[3] in jobs] == [20]


def test_stories_tell_what_a_job_waited_for() -> None:
    """All of an entry that ends within the run, all of one that does not, and two things at once."""
    copies = {"name": "copies", "routine": "copy", "at": "+0s"}
    endless = {**copies, "at": "+110m"}
    both = {**CLEAN, "after": [{"entry": "copies"}, {"entry": "more"}]}
    more = {"name": "more", "routine": "copy", "at": "+110m"}
    none = {"name": "copies", "routine": "copy", "per_hour": 1e-6, "until": "+30m"}
    for arrivals in ((copies, CLEAN), (endless, CLEAN), (copies, more, both), (none, CLEAN)):
        loaded = from_settings(night(*arrivals))
        result = run_night(loaded, keep_events=True)
        around = Surroundings(Rows(result.rows or ()), settings_of(loaded.scenario), loaded.scenario.lasts)
        [job] = {row[3] for row in result.rows or () if row[1] == "submitted" and row[8] == "clean"}
        waited = [fact.values for fact in job_story(around, job).facts if "last_of" in fact.values]
        assert waited


def test_a_job_that_never_started_broke_no_order() -> None:
    """It is late for its clock time all the same; the story tells the one that started too early, and no other."""
    asked = {"entry": "clean", "starts_after_end_of": "copies", "started_by": "22:01"}
    settings = night(
        {"name": "copies", "routine": "copy", "at": "+0s", "count": 1},
        {"name": "clean", "routine": "wipe", "at": "+0s", "count": 9},
        {"name": "clean 2", "routine": "wipe", "at": "+119m", "count": 9},
        must_hold=[asked, {**asked, "entry": "clean 2", "started_by": "23:59"}],
    )
    loaded = from_settings(settings)
    result = run_night(loaded, keep_events=True)
    assert [judged.met for judged in result.judged] == [False, False]
    around = Surroundings(Rows(result.rows or ()), settings_of(loaded.scenario), loaded.scenario.lasts)
    early = []
    for number, (asked_for, judged) in enumerate(zip(loaded.scenario.must_hold, result.judged, strict=True), 1):
        story = requirement_story(around, result.night, asked_for, judged, number, "order")
        early.append([fact.values["name"] for fact in story.facts if fact.what == "order"])
    assert early == [["clean#1", "clean#2", "clean#3", "clean#4"], []]  # at 0, 5, 10 and 15 min; the copy ends at 20


def test_a_search_is_put_together_without_more_than_it_needs() -> None:
    """Every value holds: smaller ones may do too, unless all fare alike; where none holds and all fare alike, too."""
    known: dict[str, Any] = {"title": "Plates", "file": "", "paths": ("pools.dome.count",), "share": 0.5}
    known |= {"confidence": 0.95, "first_seed": 1, "nights": 40}
    nights = [(seed, True) for seed in range(40)]
    worse = [(seed, seed > 2) for seed in range(40)]
    alike = conclude_sizing(Search(**known, values=[1, 2], held=[nights, nights]))
    assert alike.sentence == (
        "Take any: every pools.dome.count that was tried keeps the requirements, in 40 of 40 nights with each. "
        "In this range it does not matter."
    )
    apart = conclude_sizing(Search(**known, values=[1, 2], held=[worse, nights]))
    assert "Smaller values were not tried and may do too" in apart.sentence
    never = [(seed, False) for seed in range(40)]
    useless = conclude_sizing(Search(**known, values=[1, 2], held=[never, never]))
    assert useless.sentence == (
        "No pools.dome.count that was tried is shown to keep the requirements, and none is better than another. "
        "With each, 0 of 40 nights keep them (50 % asked, 95 % sure)."
    )
    rare = [(seed, seed < 3) for seed in range(40)]
    closest = conclude_sizing(Search(**known, values=[1, 2], held=[never, rare]))
    assert closest.sentence == (
        "No pools.dome.count that was tried is shown to keep the requirements: 2 comes closest. "
        "3 of 40 nights keep them, at least 1 % of all (50 % asked, 95 % sure)."
    )
    demand = conclude_sizing(Search(**known, values=[1, 2], held=[worse, nights], choose=False))
    assert demand.sentence.endswith("To learn how much still fits, look for the largest instead.")
    fewer = conclude_sizing(Search(**known, values=[1, 2], held=[nights, never], choose=False))
    assert (fewer.monotone, "not always better" in fewer.sentence) == (False, False)
    alone = conclude_sizing(Search(**known | {"nights": 1}, values=[1, 2], held=[never[:1], never[:1]]))
    assert "With each, 0 of 1 night keeps them" in alone.sentence
    assert (apart.tried[0].requirements, apart.tried[0].worker_hours) == ((), None)
