"""``queuedrill story``: what happened to a job, a worker, a requirement; of whole, cut and wrong logs."""

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest
from small_place import SCENARIO, Ended

from emulator.cli.main import answer
from emulator.measure.story.facts import Rows, settings_of
from emulator.measure.story.job import job_story
from emulator.measure.story.surroundings import Surroundings
from emulator.record.log_reader import open_log
from emulator.record.logged_scenario import loaded_of
from emulator.report.storytelling import story_of_job
from emulator.show.layout import columns


@pytest.fixture
def story(faulty_log: Path, queuedrill: Callable[..., Ended]) -> Callable[..., Ended]:
    """Call ``story night.db`` with arguments."""
    return partial(queuedrill, "story", "night.db")


def test_a_story_is_told_in_sentences(story: Callable[..., Ended]) -> None:
    """A job whose worker lost power: every sentence, its clock time, the events behind it."""
    assert story("copies#1") == Ended(
        0,
        "The story of copies#1, job 1\n"
        "2026-06-12, America/Santiago (UTC-04:00)\n"
        "21:35:00 Submitted by copies (arrivals): queue night, routine copy. [5]\n"
        "21:35:00 dome-1 took it: attempt 1, token 1, a lease of 1 min 30 s until\n"
        "          21:36:30. [7, 8]\n"
        "21:36:40 The last heartbeat of dome-1 that got through renewed the lease, until\n"
        "          21:38:10. [12, 7]\n"
        "21:37:00 dome-1 lost its power (a fault), and its work on attempt 1 was gone.\n"
        "          [10, 11]\n"
        "21:38:10 The lease of dome-1 ran out and was lost (attempt 1): dome-1 had been\n"
        "          off since 21:37:00. [12, 11]\n"
        "21:38:10 It waited 3 min 50 s for a worker, until 21:42:00: dome-1, the only\n"
        "          worker that can take it, was not on or could not be reached. [13, 18]\n"
        "21:42:00 dome-1 took it: attempt 2, token 2, a lease of 1 min 30 s until\n"
        "          21:43:30. [18, 19]\n"
        "21:52:00 dome-1 handed in the outcome of attempt 2 after 10 min: ok; its\n"
        "          heartbeats had kept the lease. [21, 20]\n"
        "21:52:00 It was done, 17 min after submission, in 2 attempts. [22]\n",
        "",
    )


@pytest.mark.parametrize(
    "whose", [("2",), ("--worker", "dome-1"), ("--requirement", "1"), ("--requirement", "makespan")]
)
def test_json_names_events_and_causes(story: Callable[..., Ended], faulty_log: Path, whose: tuple[str, ...]) -> None:
    """Each sentence has events that exist, and chains of causes; the text form fits 80 columns."""
    told = json.loads(story(*whose, "--json").out)
    last, _ = open_log(faulty_log).last()
    assert (told["format"], told["run_finished"], told["zone"]) == ("queuedrill-story/2", True, "America/Santiago")
    numbers = [n for one in told["sentences"] for n in (*one["events"], *(n for chain in one["causes"] for n in chain))]
    assert all(one["events"] and one["causes"] for one in told["sentences"])
    assert numbers
    assert all(1 <= n <= last for n in numbers)
    assert max(columns(line) for line in story(*whose).out.splitlines()) <= 80


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (
            ("copis#1",),
            "night.db: there is no job 'copis#1': no job came from an entry 'copis': did you mean 'copies'?\n",
        ),
        (("9",), "night.db: there is no job 9: the jobs of this night are 1 to 2\n"),
        (("--worker", "dom-1"), "night.db: no event names a worker 'dom-1': did you mean 'dome-1'?\n"),
        (("--requirement", "makspan"), "night.db: there is no requirement on 'makspan': did you mean 'makespan'?\n"),
        (("--requirement", "2"), "night.db: there is no requirement 2: its scenario states 1, from 1 on\n"),
    ],
)
def test_what_is_not_there_is_said_with_the_nearest_name(
    story: Callable[..., Ended], asked: tuple[str, ...], said: str
) -> None:
    """An unknown job, worker or requirement: exit code 2, and one line that names the nearest."""
    assert story(*asked) == Ended(2, "", said)


def test_one_subject_at_a_time(story: Callable[..., Ended]) -> None:
    """Without a subject, or with two, the command says what to give."""
    assert [story(*given).code for given in ((), ("1", "--worker", "dome-1"))] == [2, 2]
    assert "Give one of: JOB, --worker NAME, --requirement N." in story().err


def test_a_log_that_was_cut_off_says_so(story: Callable[..., Ended], faulty_log: Path) -> None:
    """Of a run that was killed the story goes up to the last event, and says that no more is known."""
    with closing(sqlite3.connect(faulty_log)) as cut, cut:
        cut.execute("DROP TRIGGER IF EXISTS events_are_kept")
        for (name,) in cut.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            cut.execute(f"DROP TRIGGER {name}")
        cut.execute("DELETE FROM events WHERE n > 10")
        cut.execute("DELETE FROM meta WHERE key IN ('finished', 'events', 'digest')")
    out = story("1").out
    assert " ".join(out.split()).endswith(
        "21:37:00 It was unfinished at the last event that is known, 2 min after submission: running on dome-1. [7] "
        "The log ends at 21:37:00, before its run was finished: what came then is not known."
    )
    assert json.loads(story("1", "--json").out)["run_finished"] is False


def test_a_log_tells_what_its_events_tell(faulty_log: Path) -> None:
    """A story asked from a log, bit by bit, is the one that all of its events in memory give."""
    found = open_log(faulty_log)
    loaded = loaded_of(found)
    around = Surroundings(Rows(found.rows()), settings_of(loaded.scenario), loaded.scenario.lasts)
    assert [story_of_job(faulty_log, str(job)).story for job in (1, 2)] == [job_story(around, job) for job in (1, 2)]


def test_a_job_with_a_key_and_requirements_on_one_measure(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A busy key is told from the log; a measure that two requirements are on, or none, must be asked for otherwise."""
    twice = "must_hold: [{measure: makespan, at_most: 20m}, {measure: makespan, at_most: 1h}]"
    keyed = SCENARIO.replace("{queue: night,", "{queue: night, key: disk,").replace("count: 1,", "count: 2,")
    (place / "keyed.yaml").write_text(keyed.replace("must_hold: [{measure: makespan, at_most: 20m}]", twice))
    (place / "open.yaml").write_text(keyed.replace("must_hold: [{measure: makespan, at_most: 20m}]", ""))
    for name in ("keyed", "open"):
        answer(["run", "--quiet", "--log", f"{name}.db", f"{name}.yaml"])
    capsys.readouterr()
    assert answer(["story", "keyed.db", "2"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "It waited 10 min for a worker, until 21:45:00: another job with the key disk was running." in out
    codes = [
        answer(["story", "keyed.db", "--requirement", "makespan"]),
        answer(["story", "open.db", "--requirement", "1"]),
    ]
    assert codes == [2, 2]
    assert capsys.readouterr().err.splitlines() == [
        "keyed.db: 2 requirements are on makespan: give the number: 1 is makespan at most 20 min; 2 is makespan "
        "at most 1 h",
        "open.db: its scenario states no requirement",
    ]


@pytest.mark.parametrize("whose", [("copies#1",), ("--worker", "dome-1"), ("--requirement", "makespan")])
def test_a_scenario_tells_the_story_that_its_log_tells(
    story: Callable[..., Ended], queuedrill: Callable[..., Ended], whose: tuple[str, ...]
) -> None:
    """The same file and seed give the same night, so the story from the file is the one from the log, to the byte."""
    assert queuedrill("story", "faulty.yaml", *whose, "--seed", "1") == story(*whose)
    assert queuedrill("story", "faulty.yaml", *whose, "--json") == story(*whose, "--json")


def test_a_variant_of_a_scenario_has_a_story(queuedrill: Callable[..., Ended], place: Path) -> None:
    """With a second worker the job that waited ten minutes for the first one does not wait."""
    (place / "two.yaml").write_text(SCENARIO + "variants: {two: {pools.dome.count: 2}}\n")
    waits = "It waited 10 min for a worker"
    assert waits in " ".join(queuedrill("story", "two.yaml", "2").out.split())
    assert waits not in " ".join(queuedrill("story", "two.yaml", "2", "--variant", "two").out.split())


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (("fits.yaml", "copis#1"), "fits.yaml: there is no job 'copis#1': no job came from an entry 'copis': "),
        (("fits.yaml", "9"), "fits.yaml: there is no job 9: the jobs of this night are 1 to 2\n"),
        (("fits.yaml", "--worker", "dom-1"), "fits.yaml: no event names a worker 'dom-1': did you mean 'dome-1'?\n"),
        (("fits.yaml", "--requirement", "2"), "fits.yaml: there is no requirement 2: its scenario states 1, from 1 on"),
        (("fits.yaml", "1", "--variant", "none"), "fits.yaml: there is no variant 'none'"),
        (("wrong.yaml", "1"), "wrong.yaml:1:1: missing-key: lasts: `lasts` is missing"),
        (("none.yaml", "1"), "none.yaml: unreadable: cannot be read"),
    ],
)
def test_what_a_scenario_does_not_have_is_said(
    queuedrill: Callable[..., Ended], place: Path, asked: tuple[str, ...], said: str
) -> None:
    """As of a log: exit code 2, and what is wrong."""
    code, out, err = queuedrill("story", *asked)
    assert (code, out, err[: len(said)]) == (2, "", said)


def test_a_log_has_one_night(story: Callable[..., Ended]) -> None:
    """A seed or a variant is that of a scenario."""
    assert story("1", "--seed", "2").code == 2
    assert (
        "--seed, --variant, --change and --add choose a night of a scenario: night.db is no .yaml file."
        in story("1", "--seed", "2").err
    )
