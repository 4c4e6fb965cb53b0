"""Compared figures: how they are named, that they are there, and what they read in a night."""

import pytest
from night_rows import asked, the_night

from emulator.errors import InputError
from emulator.measure.comparison.wanted import (
    Reading,
    Wanted,
    check_names,
    default_figures,
    needed,
    of_requirement,
    read,
    wanted,
)
from emulator.measure.figures import Where
from emulator.scenario.load import from_settings


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("wait_p90", Wanted("wait_p90")),
        ("wait_p90 for queue night", Wanted("wait_p90", Where(queue="night"))),
        (" wait_p90  for  queue night ", Wanted("wait_p90", Where(queue="night"))),
        ("failed for routine copy and pool dome", Wanted("failed", Where(routine="copy", pool="dome"))),
        ("failed for pool dome and routine copy", Wanted("failed", Where(routine="copy", pool="dome"))),
        ("failed for entry now and then", Wanted("failed", Where(entry="now and then"))),
    ],
)
def test_a_figure_is_named_in_the_words_of_requirements(text: str, expected: Wanted) -> None:
    found = wanted(text)
    assert found == expected
    assert wanted(found.text) == found
    assert (found.unit, found.measure.name) == (found.measure.unit, found.name)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("makespam", "there is no figure 'makespam': did you mean 'makespan'?"),
        (
            "makespan for qeue night",
            "'makespan for qeue night': 'qeue' is no part of a night: did you mean 'queue'?",
        ),
        (
            "faults_missed for night",
            "'faults_missed for night': 'night' is no part of a night: allowed are: effect, entry, pool, queue, "
            "routine, set_of, target",
        ),
        (
            "backlog_peak for pool dome",
            "'backlog_peak for pool dome': backlog_peak cannot be told by pool: it is told by routine, queue, "
            "entry only",
        ),
        (
            "faults_missed for queue night",
            "'faults_missed for queue night': faults_missed cannot be told by queue: it is told for the whole night "
            "only",
        ),
        (
            "makespan for queue a and queue b",
            "'makespan for queue a and queue b': queue is said twice: name one",
        ),
        ("makespan for queue", "'makespan for queue': which queue? write makespan for queue NAME"),
    ],
)
def test_what_names_no_figure_is_told_with_what_to_write(text: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        wanted(text)
    assert str(caught.value) == said


SCENARIO = from_settings(
    {
        "title": "One copy",
        "starts": "2026-06-12T21:30:00",
        "lasts": "1h",
        "queues": {"night": {"lease": "90s"}},
        "pools": {"dome": {"count": 1, "serves": ["night"]}},
        "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}]}},
        "arrivals": [{"name": "plates", "routine": "copy", "count": 1, "at": "21:35"}],
    }
).scenario


def test_names_that_the_scenario_has_pass() -> None:
    figure = wanted("failed for routine copy and queue night and entry plates and pool dome")
    assert figure.where.given() == {"routine": "copy", "queue": "night", "entry": "plates", "pool": "dome"}
    check_names([wanted("makespan"), figure], SCENARIO)


def test_a_name_that_the_scenario_lacks_is_told_with_the_nearest() -> None:
    with pytest.raises(InputError) as caught:
        check_names([wanted("failed for queue nigth")], SCENARIO)
    assert str(caught.value) == "'failed for queue nigth': there is no queue 'nigth': did you mean 'night'?"


def test_an_entry_that_only_jobs_have_passes_where_it_is_given() -> None:
    """The jobs that a test submits have entries that the scenario does not state; the others are still looked at."""
    check_names([wanted("failed for entry copy (submitted)")], SCENARIO, ["copy (submitted)", "copy (submitted)"])
    with pytest.raises(InputError) as caught:
        check_names([wanted("failed for entry plate")], SCENARIO, ["copy (submitted)"])
    assert str(caught.value) == "'failed for entry plate': there is no entry 'plate': did you mean 'plates'?"


def test_a_name_that_is_no_text_is_told() -> None:
    with pytest.raises(InputError) as caught:
        check_names([Wanted("failed", Where(pool=3))], SCENARIO)  # type: ignore[arg-type]
    assert str(caught.value) == "failed: 3 names no pool: give its name as a text"


def test_figures_of_requirements_come_first_and_none_twice() -> None:
    requirements = [
        asked(measure="wait_p90", at_most=5, queue="night"),
        asked(each_occurrence_of="sweeps", within=5),
        asked(measure="done_share", at_least=0.9),
        asked(measure="wait_p90", at_least=1, queue="night"),
    ]
    assert [figure.text for figure in default_figures(requirements)] == [
        "wait_p90 for queue night",
        "done_share",
        "makespan",
        "turnaround_p90",
        "lost_leases",
        "wasted_work",
        "unsafe_repeats",
    ]
    assert of_requirement(requirements[1]) is None


def test_what_must_be_read_of_each_night() -> None:
    requirements = {
        "as written": [asked(measure="failed", not_worse_by=1.0), asked(measure="done", at_least=1.0)],
        "patient": [asked(each_occurrence_of="sweeps", within=5)],
    }
    figures = needed(["overlap", "makespan"], ("makespan", "wasted_work"), requirements)
    assert [figure.text for figure in figures] == ["overlap", "makespan", "wasted_work", "failed"]


def test_readings_keep_more_than_and_nothing_at_all() -> None:
    """See ``the_night``: three jobs are unfinished, no sweep was ok."""
    figures = [wanted("makespan"), wanted("failed"), wanted("failed for routine sweep"), wanted("refused")]
    assert read(the_night(), [*figures, wanted("run_time_p90 for routine sweep")]) == {
        "makespan": Reading(1000, True),
        "failed": Reading(2),
        "failed for routine sweep": Reading(1),
        "refused": Reading(1),
        "run_time_p90 for routine sweep": Reading(None),
    }
