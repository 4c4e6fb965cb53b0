"""A draft predicts nights that it has not seen: hits, scores, worst nights, and the page that shows them."""

import json
import os
from datetime import date, timedelta
from math import comb
from pathlib import Path

import numpy as np
import pytest
from browser import Browser
from browser import found as in_browser
from past_exports import write_export

from emulator.cli.main import answer
from emulator.errors import InputError
from emulator.past.correction import Correction, promise_corrected
from emulator.past.foretelling import FORETOLD, foretell
from emulator.past.hindcast import Band, FigureScore, Hindcast, Table, WorstNight, hindcast
from emulator.past.hindcast_document import hindcast_document
from emulator.past.hindcast_page import head_of_table, hindcast_json, hindcast_page, rows_of_table
from emulator.past.reading import read_history
from emulator.past.retelling import played_again
from emulator.past.scoring import part_inside, promise_kept

UNTIL = date(2026, 3, 16)
"""Two weeks after the first night of the exports that the tests make."""


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Hindcast:
    """A hindcast of twelve nights, learnt from fourteen; runs of the last three take half as long again."""
    path = write_export(tmp_path_factory.mktemp("past") / "plates.csv", 26, slower_from=23)
    nights = read_history([path], night="18:00+14h").nights
    assert nights is not None
    return hindcast(nights, UNTIL, files=["plates.csv"], plays=20, processes=1)


@pytest.mark.slow
def test_both_tables_judge_every_figure(found: Hindcast) -> None:
    """Blind and given the arrivals, each figure is counted in all twelve nights; what is given is no prediction."""
    blind, given = found.tables
    assert ([one.name for one in blind.figures], [one.name for one in given.figures]) == (
        [*FORETOLD],
        [name for name in FORETOLD if name != "accepted"],
    )
    assert {it.nights for one in (*blind.figures, *given.figures) for it in one.promises} == {12}
    by_name = {(table.way, one.name): one for table in found.tables for one in table.figures}
    assert by_name["given", "done"].score < 0.2 * by_name["blind", "done"].score
    assert found.learnt_from == (date(2026, 3, 2), date(2026, 3, 15), 14)
    assert [one.day for one in by_name["blind", "done"].bands] == [UNTIL + timedelta(days=at) for at in range(12)]
    assert (found.refits, found.unknown, found.follows) == (1, 0, 0.0)


@pytest.mark.slow
def test_slower_nights_are_outside_of_what_was_predicted_given_their_arrivals(found: Hindcast) -> None:
    """Given the arrivals, the work of each of the three slower nights lies above its interval of 80 %."""
    executed = next(one for one in found.tables[1].figures if one.name == "executed")
    assert [one.happened > one.ends[0][1] for one in executed.bands][-3:] == [True, True, True]


@pytest.mark.slow
def test_the_screen_and_the_json_tell_the_same(found: Hindcast) -> None:
    """The screen has both tables with the hits that do not contradict the promise; JSON has every band."""
    shown = hindcast_page(found).as_text()
    # Drafted is the binomial of 12 nights: P(X <= 6) = 0.019 and P(X <= 7) = 0.073 at 80 %, so 7 is the lowest.
    assert "  expected     8-12  10-12     7-12" in shown
    assert "Intervals are corrected by past misses" in " ".join(shown.split())
    assert "Given the arrivals: real submissions" in shown
    told = json.loads(json.dumps(hindcast_json(found)))
    assert told["outcome"] == found.outcome
    assert len(told["tables"][0]["figures"][0]["bands"]) == 12
    one_line = " ".join(shown.split())
    for night in found.worst:
        assert f"{night.day}: " in one_line
        assert f"The emulated night that came closest: {night.story}" in one_line


@pytest.mark.slow
def test_the_worst_nights_are_told_by_the_emulated_night_that_came_closest(found: Hindcast) -> None:
    """The last of the slower nights is among them, and its story is of a job that waited for a worker."""
    assert found.worst[0].day >= UNTIL + timedelta(days=9)
    assert "It waited " in found.worst[0].story
    assert found.worst[0].seen.startswith("5")


@pytest.mark.slow
def test_the_command_writes_a_page_and_ends_as_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nine later nights are too few (4); a page that is there is not replaced unasked (2); nor are dates guessed."""
    monkeypatch.chdir(tmp_path)
    write_export(Path("plates.csv"), 16)
    asked = ("hindcast", "plates.csv", "--night", "18:00+14h", "--processes", "1", "--nights", "20")
    code = answer([*asked, "--learn-until", "2026-03-15", "--page", "page.html", "--quiet", "--refit", "1"])
    assert (code, capsys.readouterr().out) == (4, "Too few nights to tell: 3 later nights; give 10 or more.\n")
    page = Path("page.html").read_text()
    assert "Learnt anew on 3 dates, each time from all nights before." in page
    assert "Intervals are corrected by past misses" in page
    wrong = {
        ("--learn-until", "2026-03-15", "--page", "page.html"): "page.html is there already",
        ("--learn-until", "yesterday"): "--learn-until yesterday: give a date",
        ("--learn-until", "2027-01-01"): "no night with a job began on 2027-01-01 or later",
        ("--learn-until", "2026-03-04"): "2 nights are too few to learn from",
        ("--learn-until", "2026-03-15", "--page", "plates.csv"): "plates.csv is what is read",
    }
    for arguments, told in wrong.items():
        assert answer([*asked, *arguments]) == 2
        assert told in capsys.readouterr().err


def test_a_value_among_equal_ones_counts_in_part() -> None:
    """Nine zeros in a sample of nine share all ranks: 80 % of them lie in the middle 80 %.

    A value between two of nine others has one rank of ten: the first and the last lie outside of the middle 80 %.
    """
    assert part_inside([0] * 9, 0, 0.8) == 0.8
    assert [part_inside(range(1, 10), value + 0.5, 0.8) for value in range(10)] == [0, *[1] * 8, 0]


@pytest.mark.slow
def test_a_night_of_a_prediction_is_played_again_as_it_was(tmp_path: Path) -> None:
    """Blind and given the arrivals, the second of three plays has the figures that stand second in the samples."""
    nights = read_history([write_export(tmp_path / "plates.csv", 15)], night="18:00+14h").nights
    assert nights is not None
    played = foretell(nights, UNTIL, plays=3, processes=1)
    assert played.given is not None
    for one in (played.blind[0], played.given[0]):
        again = played_again(one, 1)
        for name in ("accepted", "executed"):
            size = 1_000_000 if name == "executed" else 1  # ticks are microseconds
            assert again.figure(name).value / size == one.sample[name][1]


DAYS = [date(2026, 4, 1) + timedelta(days=at) for at in range(42)]


def scored(name: str = "makespan", hits: int = 33, worse: bool = False) -> FigureScore:
    """A figure with a promise of 80 % that so many of 42 nights kept."""
    promise, broken = promise_kept(0.8, hits, 42), promise_kept(0.8, hits, 42, together=16).contradicted
    bands = tuple(Band(day, 100.0 + at, 110.0, ((90.0, 120.0), (80.0, 130.0))) for at, day in enumerate(DAYS))
    promises = (promise, promise_kept(0.95, 40, 42))
    return FigureScore(name, promises, promises, broken, 0.85, 12.0, 0.8, None, worse, bands)


def judged(*figures: FigureScore, nights: int = 42, follows: float = 0.0, corrected: bool = True) -> Hindcast:
    """A hindcast with one table of these figures."""
    worst = (WorstNight(DAYS[3], "makespan", 9000.0, 90.0, 120.0, "A loss.", "plates#1: It waited."),)
    learnt = (date(2026, 3, 1), date(2026, 3, 31), 31)
    tables = (Table("blind", figures),)
    return Hindcast(("a.csv",), learnt, tuple(DAYS[:nights]), 100, tables, follows, worst, 1, 7, corrected)


def head_and_rows(table: Table) -> list[list[str]]:
    """The head of a table, and its rows."""
    return [head_of_table(corrected=False), *rows_of_table(table, corrected=False)]


@pytest.mark.parametrize(
    "hits, broken",
    [(33, False), (27, False), (39, False), (25, False), (22, True), (24, True), (42, True), (40, False)],
)
def test_a_table_contradicts_only_outside_the_range_for_all_its_intervals(hits: int, broken: bool) -> None:
    """The range of one interval of 80 % in 42 nights is 28 to 38 at 95 %; for 16 intervals together 25 to 40.

    Of the binomial law, the first number is the smallest with P(X <= it) of 0.05 / 32 = 0.0016 or more, and P(X >= 41)
    is 0.8 ** 42 + 42 * 0.2 * 0.8 ** 41 = 0.00098.
    """
    assert sum(comb(42, it) * 0.8**it * 0.2 ** (42 - it) for it in range(25)) < 0.0016
    assert sum(comb(42, it) * 0.8**it * 0.2 ** (42 - it) for it in range(26)) > 0.0016
    assert scored(hits=hits).broken is broken


def test_the_outcome_has_its_sentence() -> None:
    """Contradicted and worse are bad, few nights are open, all else is good."""
    assert judged(scored()).sentence == "42 nights that the draft has not seen do not contradict its intervals."
    bad = judged(scored(hits=20), scored("executed", worse=True))
    assert (bad.outcome, bad.sentence) == (
        "bad",
        "Blind: the draft's intervals of makespan have not kept their promise. "
        "Blind: past nights of the same kind predict executed better.",
    )
    assert judged(scored(), nights=9).outcome == "open"
    shown = " ".join(hindcast_page(judged(scored(hits=27), follows=0.5)).as_text().split())
    assert "Not predicted given the arrivals: 50% of submissions follow an end" in shown
    assert "7 later jobs are of routines that the draft does not have" in shown
    assert "2026-04-04: makespan 2 h 30 min, predicted 1 min 30 s to 2 min. A loss. The emulated night" in shown
    assert "that came closest: plates#1: It waited." in shown
    assert head_and_rows(judged(scored(hits=27)).tables[0])[2][-1] == "outside"


def test_the_page_says_the_same_with_and_without_the_picture() -> None:
    """Each night stands in a table too; a night outside a band has another mark and is told so."""
    page = hindcast_document(judged(scored()))
    assert page == hindcast_document(judged(scored()))
    assert page.count('<td class="line">inside</td>') == 21  # 100 to 120 of 100 to 141
    assert page.count('<td class="line">outside 80 %</td>') == 10  # to 130
    assert page.count('<td class="line">outside 95 %</td>') == 11
    assert "makespan: 21 of 42 nights inside the band of 80 %." in page
    assert "<script" not in page


def test_a_miss_widens_the_next_interval_and_a_hit_narrows_it() -> None:
    """A step is a quarter of the share of misses, 0.05: four misses take 80 % to 96 %, a hit takes it to 79 %.

    At 96 % of 99 values, one of fifty is left out at either end: two values. Four misses more leave out -0.12, and the
    interval is exp(0.6) = 1.822 times as wide as the range of the sample: 98 * 0.411 = 40.3 beyond either end.
    """
    sample = range(1, 100)
    correction = Correction(0.8)
    assert correction.interval(sample) == (10.0, 90.0)
    correction.learn(1.0)
    assert correction.level == pytest.approx(0.21)
    correction = Correction(0.8)
    for _ in range(4):
        correction.learn(0.0)
    assert correction.level == pytest.approx(0.04)
    assert correction.interval(sample) == (2.0, 98.0)
    assert [correction.inside(sample, value) for value in (1.5, 50, 99)] == [0.0, 1.0, 0.0]
    for _ in range(4):
        correction.learn(0.0)
    assert correction.interval(sample) == pytest.approx((1 - 40.3, 99 + 40.3), abs=0.1)
    assert [correction.inside(sample, value) for value in (-39, -40, 139, 140)] == [1.0, 0.0, 1.0, 0.0]


def test_corrected_intervals_keep_their_promise_whatever_was_drafted() -> None:
    """The bound of adaptive conformal inference: after n nights the share of misses is 0.2 within (0.8 + g) / (g n).

    With g = 0.05 and 400 nights that is 0.0425, be the sample ten times too narrow or ten times too wide.
    """
    rng = np.random.default_rng(5)
    for wrong in (0.1, 10.0):
        correction, hits = Correction(0.8), 0.0
        for value in rng.normal(size=400):
            inside = correction.inside(wrong * rng.normal(size=99), value)
            correction.learn(inside)
            hits += inside
        assert abs(hits / 400 - 0.8) <= 0.0425, wrong


def test_hits_of_corrected_intervals_are_expected_closer_together() -> None:
    """Of two nights, exact predictions hit 0, 1 or 2 with chances by hand; of 42, fewer numbers are left than binomial.

    Two misses have the chance 0.2 * 0.16 = 0.032: above 0.025, so 0 hits do not contradict. Three have 0.2 * 0.16 *
    0.12 = 0.004, and two or three 0.004 + 0.2 * 0.16 * 0.88 + 0.2 * 0.84 * 0.17 + 0.8 * 0.21 * 0.17 = 0.089.
    """
    assert [promise_corrected(0.8, 1, nights).low for nights in (2, 3)] == [0, 1]
    drafted, corrected = promise_kept(0.8, 33, 42), promise_corrected(0.8, 33, 42)
    assert drafted.low < corrected.low <= 33.6 <= corrected.high < drafted.high


def test_figures_of_nights_without_a_job_are_refused() -> None:
    """A hindcast needs later nights with a job."""
    from test_learning import nights

    with pytest.raises(InputError, match="no night with a job"):
        hindcast(nights(night=np.arange(10)), date(2026, 4, 12), plays=20, processes=1)


@pytest.mark.slow
@pytest.mark.skipif(
    in_browser() is None and not os.environ.get("QUEUEDRILL_NEEDS_BROWSER"),
    reason="there is no browser on this machine",
)
def test_the_page_opens_in_a_browser_with_its_picture(tmp_path: Path) -> None:
    """Broad and on a phone, light and dark: nothing is complained of or asked for, nothing is cut off, and every night
    of every figure has a mark and two bands in the one picture that is shown."""
    path = tmp_path / "hindcast.html"
    path.write_text(hindcast_document(judged(scored(), scored("executed", hits=20))), "utf-8")
    program = in_browser()
    assert program is not None, "QUEUEDRILL_NEEDS_BROWSER is set, and there is none: install Debian's chromium"
    with Browser(program, tmp_path / "browser") as browser:
        for width, dark in ((1200, False), (1200, True), (400, False), (400, True)):
            browser.open(path, width=width, dark=dark)
            assert browser.complaints() == []
            assert browser.run("document.documentElement.scrollWidth <= innerWidth") is True
            shown = "[...document.querySelectorAll('figure svg')].filter(it => it.getBoundingClientRect().width > 0)"
            assert browser.run(f"{shown}.length") == 1
            assert browser.run(f"{shown}[0].querySelectorAll('rect[fill-opacity]').length") == 3 + 2 * 2 * 42
            assert browser.run(f"{shown}[0].querySelectorAll('title').length") == 1 + 2 * 42
        assert browser.run("document.querySelector('h1').className") == "verdict fails long"
        if axe := os.environ.get("QUEUEDRILL_AXE"):
            browser.run(Path(axe).read_text("utf-8") + ";0")
            serious = "v => ['serious', 'critical'].includes(v.impact)"
            assert browser.run(f"axe.run().then(r => r.violations.filter({serious}).map(v => v.id))") == []
