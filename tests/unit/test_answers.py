"""Answers to the questions of a scenario: what a night that failed to run makes of them."""

from dataclasses import replace

from quiet_night import changed

import emulator
from emulator.experiment.compare import answer_questions
from emulator.measure.comparison.questions import answers_of, outcome_of_answers
from emulator.show.comparison.questions import questions_document, questions_page, questions_sentence


def test_a_night_that_failed_to_run_is_no_good_answer() -> None:
    """It is named, and the whole does not come out as good, wherever it failed."""
    asked = [{"ask": "What if leases are longer?", "change": {"queues.night.lease": "5m"}}]
    loaded = emulator.from_settings(
        changed(questions=asked, lasts="3h", must_hold=[{"measure": "failed", "at_most": 1000}])
    )
    found = answer_questions(loaded, 1, processes=1)
    assert found.questions[0].answer == "fits"
    assert outcome_of_answers(found) == "good"
    lost = replace(found, questions=(replace(found.questions[0], answer="failed_to_run"),))
    assert outcome_of_answers(lost) == "bad"
    assert "failed to run" in questions_page(lost).as_text()
    page = questions_document(lost)
    assert '<span class="missed">failed to run</span>' in page
    assert "<dt>played</dt><dd>seed 1</dd>" in page.split("</header>")[0]
    assert "longer?</bdi>: <bdi>queues.night.lease 5m</bdi>" in page.split('id="settings"')[1]
    own = replace(found, as_written=replace(found.as_written, answer="failed_to_run"))
    assert outcome_of_answers(own) == "bad"
    assert questions_sentence(own).startswith("As written a night failed to run.")


def test_a_lost_night_makes_the_answer() -> None:
    """However the other nights went, a setting of which a night failed to run is not said to fit."""
    settings = changed(lasts="3h", must_hold=[{"measure": "failed", "at_most": 1000}])
    found = emulator.compare(settings, variants={"longer": {"queues.night.lease": "5m"}}, nights=1, processes=1)
    assert found.recommendation is not None
    standings = tuple(replace(one, lost=1) for one in found.recommendation.standings)
    comparison = replace(found, recommendation=replace(found.recommendation, standings=standings))
    assert answers_of(comparison, ["", ""]).questions[0].answer == "failed_to_run"
