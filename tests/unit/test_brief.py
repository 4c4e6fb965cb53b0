"""What a brief tells a board: figures of nights that were played, what the scenario states, and what it does not."""

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from crowded_brief import CUT, QUIET, crowded, made

from emulator.errors import InputError
from emulator.measure.signals import any_fault_struck
from emulator.outlook.brief_page import MOST_WORDS, answer_sentence, brief_document, brief_json, words_of_page
from emulator.record.recorder import Recorder
from emulator.scenario.load import from_settings
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

GOLDEN = Path(__file__).parents[1] / "golden" / "brief.html"


def test_where_nothing_is_drawn_all_nights_are_one_observation() -> None:
    """Six copies of ten minutes by one machine take an hour, in every night: no interval is told of that."""
    found = made(5)
    assert (found.answer, found.kept, found.judged, found.interval, found.random) == ("fits", 5, 5, None, False)
    every, makespan = found.requirements
    assert (every.label, every.held, every.judged) == ("every plate is copied", 5, 5)
    assert makespan.label == "makespan at most 1 h 30 min"
    assert makespan.figure is not None
    assert (makespan.figure.least, makespan.figure.most, makespan.figure.unvaried) == (3600e6, 3600e6, True)
    assert answer_sentence(found) == (
        "Yes, on what is assumed below; nothing in it is drawn, so all nights are one observation."
    )
    page = words_of_page(brief_document(found))
    assert "makespan at most 1 h 30 min 5 of 5 1 h: not varied between nights" in page


def test_nights_with_the_fault_are_those_that_miss() -> None:
    """A machine that never comes back leaves five plates; so the nights that miss are those in which the fault struck,
    counted here by the events of each night played by itself."""
    found = made(faults=[CUT])
    loaded, struck = from_settings({**QUIET, "faults": [CUT]}), 0
    for seed in range(1, 41):
        recorder = Recorder()
        world = World(loaded, seed, Agenda(), recorder)
        world.start()
        world.run()
        world.close()
        struck += any_fault_struck(recorder.rows)
    assert 10 < struck < 30
    assert (found.answer, found.kept, found.judged) == ("does_not_fit", 40 - struck, 40)
    assert found.requirements[0].held == 40 - struck
    figure = found.requirements[0].figure
    assert figure is not None
    assert (figure.least, figure.most, figure.unvaried) == (0.0, 1.0, False)
    assert answer_sentence(found) == (
        f"No, on what is assumed below: everything was met in {40 - struck} of 40 rehearsed nights; "
        "missed: every plate is copied."
    )


@pytest.mark.slow
def test_a_share_of_nights_is_told_with_its_interval() -> None:
    """40 of 40 nights: the exact interval begins at 0.05 ** (1 / 40) / 2, two-sided 0.025 ** (1 / 40) = 0.9119."""
    drawn = {"routines": {"copy": {"queue": "night", "parts": [{"name": "read", "takes": {"between": ["9m", "11m"]}}]}}}
    found = made(**drawn)
    assert found.interval is not None
    assert found.interval.low == pytest.approx(0.025 ** (1 / 40))
    assert answer_sentence(found) == (
        "Yes, on what is assumed below: everything was met in 40 of 40 rehearsed nights, which shows at least 91 of "
        "100 nights of just this kind (95 % confidence)."
    )
    page = words_of_page(brief_document(found))
    assert "every plate is copied 40 of 40 (91.1 to 100 %) 100 %: not varied between nights" in page
    few = made(10, **drawn)
    assert (few.answer, few.outcome) == ("too_few_nights", "open")
    assert "too few to decide" in answer_sentence(few)


def test_facts_of_the_story_stand_apart() -> None:
    """Six jobs are accepted in every night, and no lease is lost in any: neither is among what must hold."""
    found = made(4)
    assert [(one.label, one.true, one.judged) for one in found.facts] == [
        ("jobs accepted exactly 6", 4, 4),
        ("leases lost at least 1", 0, 4),
    ]
    assert [one.requirement for one in found.requirements] == [
        "done_share at least 100 %",
        "makespan at most 1 h 30 min",
    ]
    assert found.answer == "fits"
    told = (
        "What merely tells the story jobs accepted exactly 6: true in 4 of 4 nights; leases lost at least 1: true in 0"
    )
    assert told in words_of_page(brief_document(found))


QUESTIONS = [
    {"ask": "Twelve plates come?", "change": {"arrivals.plates.count": 12}},
    {"ask": "A second machine helps?", "change": {"pools.dome.count": 2}},
]


def test_each_question_is_answered() -> None:
    """Twelve plates take two hours, half an hour more than is allowed; two machines need half an hour for six."""
    found = made(4, questions=QUESTIONS)
    seen = [(one.ask, one.answer, one.kept, one.fails) for one in found.what_ifs]
    assert seen == [
        ("Twelve plates come?", "does_not_fit", 0, ("makespan at most 1 h 30 min",)),
        ("A second machine helps?", "fits", 4, ()),
    ]
    assert [one.makespan and one.makespan.most for one in found.what_ifs] == [7200e6, 1800e6]
    assert found.commands == (
        "queuedrill brief settings --nights 4 --seed 1 --json",
        "queuedrill run settings --nights 4 --seed 1 --questions",
    )
    page = words_of_page(brief_document(found))
    assert "Twelve plates come? no 0 2 h makespan at most 1 h 30 min A second machine helps? yes 4 30 min Way" in page


def test_assumptions_come_guesses_first_with_age_and_with_the_verdicts_that_they_flip() -> None:
    """With twenty minutes a copy six take two hours: that end of the guess flips the verdict on the makespan."""
    takes = {"value": "10m", "from": "guess", "plausible": ["5m", "20m"], "on": "2026-06-02", "n": 3}
    routines = {"copy": {"queue": "night", "parts": [{"name": "read", "takes": takes}]}}
    found = made(4, routines=routines)
    first, second, *rest = found.assumptions
    assert (first.name, first.value, first.source) == ("routine copy: parts, read, takes", "10m", "guess")
    assert (first.on, first.age_days, first.n) == ("2026-06-02", 10, 3)
    assert first.flips == ("makespan at most 1 h 30 min: another verdict with 20 min",)
    assert {one.source for one in (second, *rest[:-1])} == {"source not stated"}
    last = found.assumptions[-1]
    assert (last.name, last.value, last.source, last.age_days) == ("queue night: lease", "60s", "agreed", 42)
    assert found.guess_nights == 4
    page = words_of_page(brief_document(found))
    assert "1 guess would change a verdict (4 nights an end)." in page
    assert "routine copy: parts, read, takes 10m guess 2026-06-02 (10 d old), 3 observations yes: makespan" in page
    assert found.commands[2] == "queuedrill guesses settings --nights 4 --seed 1"


def test_guesses_of_a_scenario_that_requires_nothing_are_not_tried() -> None:
    lease = {"night": {"lease": {"value": "60s", "from": "guess"}}}
    found = made(2, queues=lease, must_hold=[], also_true=[])
    assert (found.answer, found.outcome, found.guess_nights) == ("nothing_asked", "nothing_asked", 0)
    assert found.guesses_not_tried == "nothing is required that they could change"
    page = words_of_page(brief_document(found))
    assert "Guesses were not tried: nothing is required that they could change." in page
    assert "Not judged: the scenario requires nothing that its nights could show." in page


def test_requirements_and_facts_of_every_kind_are_told() -> None:
    """In 35 minutes three of six copies are done: the makespan is cut off; what is asked of an entry has no figure."""
    found = made(
        3,
        lasts="35m",
        must_hold=[
            {"entry": "plates", "started_by": "21:40", "say": "all have begun early"},
            {"measure": "done", "exactly": 3},
            {"measure": "utilisation", "at_least": 0.9, "at_most": 1.0},
            {"measure": "makespan", "at_most": "10m"},
            {"measure": "detection_delay_longest", "at_most": "1m"},
        ],
        also_true=[
            {"entry": "plates", "finished_by": "23:59"},
            {"measure": "makespan", "at_least": "1h"},
            {"measure": "makespan", "at_least": "10m"},
            {"measure": "detection_delay_longest", "at_most": "1m"},
        ],
    )
    page = words_of_page(brief_document(found))
    assert "all have begun early 0 of 3 -" in page
    assert "done exactly 3 3 of 3 3: not varied between nights" in page
    assert "makespan at most 10 min 0 of 3 more than 35 min (half: more than 35 min)" in page
    assert "nothing to judge -" in page
    assert [(one.true, one.judged) for one in found.facts] == [(0, 0), (0, 0), (3, 3), (0, 0)]
    assert "every job of plates finished by 23:59: told by run alone" in page


def test_guesses_that_cannot_be_tried_say_why(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object, **__: object) -> None:
        raise InputError("201 guesses are too many to try")

    monkeypatch.setattr("emulator.outlook.brief.guesses", refused)
    found = made(2, queues={"night": {"lease": {"value": "60s", "from": "guess"}}})
    assert (found.guess_nights, found.guesses_not_tried) == (0, "201 guesses are too many to try")
    page = words_of_page(brief_document(found))
    assert "Guesses were not tried: 201 guesses are too many to try." in page
    assert "queue night: lease 60s guess not tried" in page


def test_what_was_not_looked_at_is_told_from_what_is_not_stated() -> None:
    found = made(1)
    assert found.not_looked_at == (
        "workers: loss of power, standing still, a cut link, slow work, lost heartbeats, lost outcomes, wrong clocks",
        "an outage of the broker",
        "jobs that fail by themselves",
        "more or fewer jobs than stated",
        "what people do during the night",
        "a night in which the clocks change",
        "other users of the systems",
        "whether what was written can be read back",
    )
    assert found.not_varied == ("the number of jobs: 6 of plates",)
    looked = made(
        1,
        starts="2026-04-04T21:30:00",  # the clocks in Chile go back at the end of that day
        systems={"archive": {"answers_in": "10s", "error_share": 0.1}},
        routines={
            "copy": {
                "queue": "night",
                "parts": [{"name": "read", "takes": "10m", "error_share": 0.01}, {"name": "write", "calls": "archive"}],
            }
        },
        faults=[
            {**CUT, "back_after": "5m"},
            {"freeze": {"pool": "dome", "some": 1}, "at": "+20m", "late_by": {"between": ["0s", "1h"]}, "lasts": "1m"},
            {"broker_outage": True, "gaps": {"mean": "1h", "law": "exponential"}, "lasts": {"between": ["1m", "2m"]}},
            {"slow_down": "dome", "at": "+1h", "to": {"between": [0.5, 1]}},
        ],
        questions=[
            {"ask": "More?", "change": {"arrivals.plates.count": 7}},
            {"ask": "Held?", "change": {"actions": {"add": [{"hold_queue": "night", "at": "+1h", "lasts": "1m"}]}}},
        ],
        brief={"not_looked_at": ["the archive's own backup"]},
    )
    assert looked.not_looked_at == (
        "the archive's own backup",
        "workers: a cut link, lost heartbeats, lost outcomes, wrong clocks",
        "archive: outages, slow answers",
        "access that is missing or ends",
        "other users of the systems",
        "whether what was written can be read back",
    )
    assert looked.not_varied == (
        "dome-1 loses power: when, how long and whom",
        "1 of dome freezes: that it happens and how long",
        "the broker answers nothing: that it happens",
        "dome works at another speed: that it happens, when and whom",
        "the number of jobs: 6 of plates",
    )


STATED = {
    "question": "May six plates be copied by one machine?",
    "purpose": "The other machine is to be repaired.",
    "scope": "One machine less for one night.",
    "impact": "The morning shift would wait.",
    "way_back": "Switch the other machine on again.",
    "risk_owner": "head of the night shift",
    "review": "2026-07-01",
}


def test_what_is_not_stated_says_so() -> None:
    bare, told = words_of_page(brief_document(made(1))), words_of_page(brief_document(made(1, brief=STATED)))
    assert bare.startswith("Brief for a decision Does the night meet its requirements? (question not stated)")
    assert "purpose not stated scope not stated impact not stated" in bare
    assert "way back not stated owner of the remaining risk not stated review not stated" in bare
    assert "not stated" not in told.replace("source not stated", "")
    for words in STATED.values():
        assert words in told


def test_all_of_it_is_in_json() -> None:
    found = made(2, questions=QUESTIONS, brief=STATED)
    said = json.loads(json.dumps(brief_json(found)))
    assert said["verdict"] == answer_sentence(found)
    assert said["stated"] == STATED
    assert [one["ask"] for one in said["what_ifs"]] == [one["ask"] for one in QUESTIONS]
    assert len(said["assumptions"]) == len(found.assumptions)


@pytest.mark.slow
def test_what_does_not_fit_is_cut_and_counted() -> None:
    """At most 500 words; of each list what is shown and what is said to be left out are all of it."""
    found = crowded()
    page = brief_document(found)
    said = words_of_page(page)
    assert 400 < len(said.split()) <= MOST_WORDS
    asked = len([one for one in found.what_ifs if one.ask.strip() in said])
    left = int(re.search(r"(\d+) more questions?: --json", said)[1])  # type: ignore[index]  # it must be there
    assert asked + left == 8
    held = len([one for one in found.requirements if f'<th scope="row">{one.label}</th>' in page])
    assert held + int(re.search(r"(\d+) more requirements?: --json", said)[1]) == 20  # type: ignore[index]
    assert re.search(r"\d+ more words: --json", said)


@pytest.mark.slow
def test_a_page_without_spaces_is_kept_short_too() -> None:
    """Names of a hundred letters are one word each, but take as much room as ten."""
    found = replace(crowded(), not_looked_at=tuple("z" * 119 for _ in range(60)))
    assert len(words_of_page(brief_document(found))) <= 4_600


@pytest.mark.parametrize("nights", [0, 1_000_001])
def test_a_number_of_nights_out_of_range_is_refused(nights: int) -> None:
    with pytest.raises(InputError, match=f"{nights} nights are out of range: give a number from 1 to 1,000,000"):
        made(nights)


@pytest.mark.slow
def test_the_page_is_the_golden_one() -> None:
    """A pin: the body of the page of a small night with a question, a guess and a fault in half of all nights."""
    takes = {"value": {"between": ["9m", "11m"]}, "from": "measured", "on": "2026-05-20", "n": 41}
    found = made(
        40,
        routines={"copy": {"queue": "night", "parts": [{"name": "read", "takes": takes}]}},
        faults=[{**CUT, "back_after": {"value": "5m", "from": "guess", "plausible": ["1m", "1h"]}}],
        questions=QUESTIONS,
        brief=STATED,
    )
    found = replace(found, versions={"program": "0", "zone data": "0", "python": "0"})
    assert brief_document(found).partition("<body>")[2] == GOLDEN.read_text("utf-8")
