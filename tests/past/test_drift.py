"""New nights beside past ones: what an alarm promises, what moved and since when."""

import json
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from past_exports import write_export

from emulator.cli.main import answer
from emulator.past.betting import LIMIT, wager
from emulator.past.draft import draft_of
from emulator.past.drift_files import drift_of_files
from emulator.past.drift_page import drift_json, drift_page
from emulator.past.drifting import Drift, find_drift
from emulator.past.figures import read_nights
from emulator.past.reading import learn_files

FIRST = date(2026, 3, 2)  # a Monday

Figures = dict[str, "np.ndarray[tuple[int], np.dtype[np.float64]]"]


def night_figures(
    seed: int, count: int = 90, leans: float = 0.0, slower: float = 1.0, more: float = 1.0, since: int = 60
) -> tuple[list[date], Figures]:
    """Nights whose demand and pace vary, with half the jobs at weekends; from one night on slower or with more jobs."""
    draws = np.random.default_rng(seed)
    noise = draws.normal(0, 1, (2, count))
    for at in range(1, count):
        noise[:, at] = leans * noise[:, at - 1] + (1 - leans**2) ** 0.5 * noise[:, at]
    demand, pace = np.exp(0.3 * noise[0]), np.exp(0.12 * noise[1])
    dates = [FIRST + timedelta(days=at) for at in range(count)]
    demand *= np.array([0.5 if day.weekday() >= 5 else 1.0 for day in dates])
    demand[since:] *= more
    pace[since:] *= slower
    jobs = draws.poisson(250 * demand) + 60.0
    logs = 5.5 + np.log(pace) + draws.normal(0, 0.4, count) / np.sqrt(jobs)
    return dates, {
        "accepted": jobs,
        "attempts_error": draws.poisson(0.05 * jobs).astype(float),
        "lost_leases": draws.poisson(0.5, count).astype(float),
        "wait_mean": 30 * (demand * pace) ** 2,
        "executed": jobs * np.exp(logs),
        "runs:scan": jobs,
        "log_run:scan": logs,
    }


def looked(dates: list[date], figures: Figures, learnt: int = 28) -> Drift:
    past = {name: it[:learnt] for name, it in figures.items()}
    return find_drift(dates[:learnt], past, dates[learnt:], {name: it[learnt:] for name, it in figures.items()})


def test_longer_work_is_found_and_told_from_more_of_it() -> None:
    """Runs that take a quarter longer from night 60 on are service; half as many jobs again are demand."""
    slower = looked(*night_figures(1, slower=1.25))
    assert slower.alarm is not None and (slower.alarm - FIRST).days - 60 <= 25
    first = slower.figures[0]
    assert (first.name, first.side, first.higher) == ("work", "service", True)
    assert first.since is not None and abs((first.since - FIRST).days - 60) <= 3
    assert first.after / first.before == pytest.approx(1.25, rel=0.1)
    assert (
        slower.sentence
        == f"Production has left the past nights since {first.since}, most in work for each job (higher)."
    )
    more = looked(*night_figures(1, more=2.0))
    assert more.alarm is not None
    assert {one.side for one in more.figures if one.capital[-1] >= LIMIT} == {"demand", "result"}


def test_undisturbed_nights_raise_no_alarm() -> None:
    """Of 12 undisturbed sequences none reaches the limit: with one in 1,000 at most, that has a chance of 0.988.

    A longer trial is ``python tests/past/trials_of_drift.py``.
    """
    found = [looked(*night_figures(seed)) for seed in range(12)]
    assert [one.alarm for one in found] == [None] * 12
    assert drift_json(found[0])["promised"] is (not found[0].leaning)


def test_another_mix_of_routines_is_no_longer_work() -> None:
    """Twice as many long tapes lengthen the mean run; each routine takes what it took, so no work is longer."""
    dates, figures = night_figures(5)
    tapes = np.where(np.arange(90) < 60, 20.0, 200.0)
    figures |= {"runs:tape": tapes, "log_run:tape": np.full(90, 8.0) + figures["log_run:scan"] - 5.5}
    figures["executed"] = figures["executed"] + tapes * np.exp(figures["log_run:tape"])
    found = looked(dates, figures)
    assert max(next(one for one in found.figures if one.name == "work").capital) < LIMIT
    plain = {name: it for name, it in figures.items() if ":" not in name}
    assert next(one for one in looked(dates, plain).figures if one.name == "work").capital[-1] >= LIMIT


def test_nights_that_lean_on_the_night_before_promise_nothing() -> None:
    """With a correlation of 0.8 the program says so, and raises no alarm of which it could promise anything."""
    found = looked(*night_figures(4, leans=0.8))
    assert {one.name for one in found.leaning} >= {"work"}
    assert (found.alarm, found.outcome) == (None, "unknown")
    assert "no alarm can be promised." in found.sentence
    assert "lean on the night before" in drift_page(found).as_text()


def test_too_few_nights_and_none_are_told() -> None:
    """Nine past nights are too few; without a new one there is nothing to compare."""
    dates, figures = night_figures(1, 20)
    assert looked(dates, figures, 9).sentence == "9 past nights are too few to tell: give at least 10."
    assert looked(dates, figures, 20).sentence == "No new night: nothing to compare."
    assert drift_page(looked(dates, figures, 9)).as_text() == "9 past nights are too few to tell: give at least 10.\n"


def test_a_bet_goes_on_after_its_alarm_and_leaves_out_nights_that_tell_nothing() -> None:
    """A night without the figure changes no stake; where nothing was won there is no night since when."""
    ranks = [0.5] * 20 + [0.98] * 20
    whole = wager(ranks, on=True)
    assert (whole.alarm, whole.since, whole.higher, len(whole.capital)) == (29, 20, True, 40)
    assert wager([*ranks[:30], None], on=True).capital[-1] == pytest.approx(wager(ranks[:30], on=True).capital[-1])
    assert (wager([]).since, wager([0.5] * 5).since) == (None, None)


@pytest.mark.slow
def test_the_command_reads_what_a_draft_left_beside_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nights of the history are skipped, slower ones after it are found, and the exit code says so."""
    monkeypatch.chdir(tmp_path)
    write_export(Path("april.csv"), 28)
    draft = draft_of(learn_files(["april.csv"], night="18:00+14h"))
    Path("draft.yaml").write_text(draft.text)
    Path("draft.nights.csv").write_text(draft.nights)
    write_export(Path("may.csv"), 58, slower_from=28)
    asked = ("drift", "draft.yaml", "may.csv", "--night", "18:00+14h")
    assert answer([*asked, "--quiet"]) == 1
    said = capsys.readouterr().out
    assert said == "Production has left the past nights since 2026-03-30, most in work for each job (higher).\n"
    assert answer([*asked, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["past_nights"], told["new_nights"][0], len(told["new_nights"])) == (28, "2026-03-30", 30)
    assert answer(asked) == 1
    shown = capsys.readouterr().out
    assert "30 new nights from 2026-03-30 to 2026-04-28, beside 28 past ones." in shown
    assert "Promise: of 1,000 sequences of nights" in " ".join(shown.split())
    assert answer(["drift", "draft.yaml", "april.csv", "--night", "18:00+14h", "--quiet"]) == 4
    assert capsys.readouterr().out == "No new night: nothing to compare.\n"
    write_export(Path("alike.csv"), 40)
    assert drift_of_files("draft.yaml", ["alike.csv"], night="18:00+14h").alarm is None
    Path("draft.nights.csv").write_text("date,kind,accepted\n2026-03-02,weekday,5\n")
    assert answer(asked) == 2
    assert capsys.readouterr().err == "draft.nights.csv: lacks figures of past nights: make it with sketch\n"
    assert [*read_nights("draft.nights.csv")[1]] == ["accepted"]
