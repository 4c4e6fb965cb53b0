"""A table of thresholds of a small scenario, really played: what it says on each way out, and what is refused."""

import csv
import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from scipy.stats import betabinom
from watched_small import SMALL

from emulator.cli.main import answer
from emulator.errors import InputError
from emulator.experiment.settings import setting_of
from emulator.experiment.watched_nights import open_watch, watch_night
from emulator.measure.signals import Signal, any_fault_struck
from emulator.outlook.found import Growth
from emulator.outlook.threshold_words import (
    answer_words,
    as_csv,
    as_json,
    growth_words,
    help_words,
    promise,
    signal_words,
    thresholds_page,
    verdict,
)
from emulator.outlook.thresholds import Thresholds, TooFewNights, thresholds
from emulator.outlook.thresholds_document import thresholds_document
from emulator.record.recorder import Recorder
from emulator.scenario.load import Loaded, load_text
from emulator.timeline.ticks import HOUR, MINUTE

GOLDEN = Path(__file__).parent.parent / "golden"
FIVE = Fraction(1, 20)

Call = Callable[..., tuple[int, str, str]]


def loaded(text: str = SMALL) -> Loaded:
    return load_text(text, name="strips.yaml")


@pytest.fixture(scope="module")
def made() -> Thresholds:
    """The table of 205 nights, which is all that the tests of this file need to be played."""
    found = thresholds(loaded(), share=FIVE, nights=205, more_work=10, processes=1)
    assert isinstance(found, Thresholds)
    return replace(found, versions={"program": "0"})


@pytest.fixture
def call(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Call:
    """Call the program in a folder with the small scenario."""
    (tmp_path / "strips.yaml").write_text(SMALL)
    monkeypatch.chdir(tmp_path)

    def called(*arguments: str) -> tuple[int, str, str]:
        code = answer(["thresholds", *arguments])
        out, err = capsys.readouterr()
        return code, out, err

    return called


@pytest.mark.slow
def test_the_screen_stays_as_it_is(made: Thresholds) -> None:
    """A pin, copied from a run and read by eye."""
    assert thresholds_page(made).as_text() == (GOLDEN / "thresholds.txt").read_text("utf-8")


@pytest.mark.slow
def test_the_page_stays_as_it_is(made: Thresholds) -> None:
    """A pin, copied from a run and read by eye: the page without what all pages share; twice the same bytes."""
    page = thresholds_document(made)
    assert page == thresholds_document(made)
    assert plain(page) == (GOLDEN / "thresholds.html").read_text("utf-8")


def plain(page: str) -> str:
    """Take the style sheet out of a page, and the head and the settings, which have tests of their own."""
    page = re.sub(r'<dl class="head">[^\0]*?</dl>', "", page)
    page = re.sub(r'<section id="settings">[^\0]*?</section>', "", page)
    return re.sub(r"<style>[^\0]*?</style>", "<style></style>", re.sub("sha256-[^']*", "sha256-", page))


@pytest.mark.slow
def test_false_alarms_and_finds_are_as_promised(made: Thresholds) -> None:
    """False alarms lie below the 99.9th of a hundred of the beta-binomial law, and nine of ten bad nights are found.

    The limit is itself one of the scores of n nights, of rank k, so the share above it is drawn from a beta law with
    n + 1 - k and k. ``tests/tried_thresholds.py`` tries the same over thousands of nights.
    """
    quiet, limit, in_time = made.found.quiet, made.table.limit, made.found.in_time
    most = betabinom(quiet.of, limit.nights + 1 - limit.rank, limit.rank).ppf(0.999)
    assert (quiet.count <= most, most < quiet.of / 5) == (True, True)
    assert in_time.of >= 10 and 10 * in_time.count >= 9 * in_time.of


@pytest.mark.slow
def test_what_is_not_there_has_no_heading(made: Thresholds) -> None:
    """Without a bad night, a growth or a question the screen and the page leave those parts out."""
    sets = replace(made.sets, report=[one for one in made.sets.report if one.missed_at is None])
    bare = replace(made, sets=sets, found=replace(made.found, causes=()), growth=None, helps=())
    shown = thresholds_page(bare).as_text()
    assert [part for part in ("first fault", "More work", "What would help") if part in shown] == []
    page = thresholds_document(bare)
    assert [part for part in ('id="more-work"', 'id="help"', "by the fault that struck first") if part in page] == []
    assert 'id="more-work"' in thresholds_document(made)
    not_tried = replace(made, growth=Growth((), ("strips",), grows=False))
    assert "no entry has a count or a rate to raise" in thresholds_document(not_tried)


@pytest.mark.slow
def test_the_page_has_no_script_and_names_are_harmless(made: Thresholds) -> None:
    """Whatever a scenario calls its queues and faults, nothing of it becomes part of the page."""
    bad = "</style><script>harm=1</script>"
    names = dict.fromkeys(made.fault_names, bad)
    shapes = [
        replace(shape, signal=Signal(shape.signal.kind, bad * bool(shape.signal.queue))) for shape in made.table.shapes
    ]
    table = replace(
        made.table,
        shapes=shapes,
        thresholds={
            new.signal: made.table.thresholds[old.signal] for new, old in zip(shapes, made.table.shapes, strict=True)
        },
    )
    signals = [replace(one, signal=shape.signal) for one, shape in zip(made.found.signals, shapes, strict=True)]
    causes = [replace(one, cause=bad) for one in made.found.causes]
    hostile = replace(
        made, title=bad, table=table, fault_names=names, found=replace(made.found, signals=signals, causes=causes)
    )
    assert "<script" not in thresholds_document(hostile)


@pytest.mark.slow
def test_many_signals_stand_in_several_tables(made: Thresholds) -> None:
    """Six in each, so that no line is wider than a terminal."""
    shapes = [
        replace(shape, signal=Signal(shape.signal.kind, f"q{n}")) for n in range(2) for shape in made.table.shapes
    ]
    thresholds = {shape.signal: (1_000.0,) * 3 for shape in shapes}
    table = replace(made.table, shapes=shapes, thresholds=thresholds)
    signals = [replace(made.found.signals[0], signal=shape.signal) for shape in shapes]
    shown = thresholds_page(replace(made, table=table, found=replace(made.found, signals=signals))).as_text()
    assert [line.split() for line in shown.splitlines() if line.startswith("  from")] == [
        ["from", *"ABCDEF"],
        ["from", *"GHIJKL"],
    ]


@pytest.mark.slow
def test_every_signal_and_hour_is_a_row(made: Thresholds) -> None:
    """Times are in seconds, and the alarm is at or above the threshold."""
    rows = list(csv.DictReader(io.StringIO(as_csv(made))))
    assert len(rows) == len(made.table.signals) * 3
    [row] = [row for row in rows if row["signal"] == "longest_silence" and row["from_seconds"] == "3600.0"]
    silence = made.table.thresholds[Signal("longest_silence")][1]
    assert row == {
        "signal": "longest_silence",
        "queue": "",
        "unit": "seconds",
        "alarm": "at_or_above",
        "from": "2026-06-12T23:00:00-04:00",
        "until": "2026-06-13T00:00:00-04:00",
        "from_seconds": "3600.0",
        "until_seconds": "7200.0",
        "threshold": str(silence / 1_000_000),
        "sampled_every_seconds": "300.0",
    }


@pytest.mark.slow
def test_the_plain_data_says_what_the_table_says(made: Thresholds) -> None:
    told = json.loads(json.dumps(as_json(made)))
    assert told["verdict"] == verdict(made)
    assert told["sure"] == "95 %"
    assert [one["name"] for one in told["signals"]] == [signal.name for signal in made.table.signals]
    assert [one["thresholds"] for one in told["signals"]] == [list(its) for its in made.table.thresholds.values()]
    assert told["found"]["in_time"]["alarms"] == made.found.in_time.count
    assert told["nights"]["played"] == made.played
    assert [one["ask"] for one in told["helps"]] == [one.ask for one in made.helps]


@pytest.mark.slow
def test_what_only_the_world_decides_is_no_help(made: Thresholds) -> None:
    """Twice as many strips is nothing that people choose; a hold has hours, a third scanner is there from the start."""
    hold, third = made.helps
    assert [hold.ask, third.ask] == [
        "What if previews are held from half past ten on?",
        "What if there is a third scanner?",
    ]
    assert ([one.clock for one in hold.moved], third.moved, third.until) == (["22:00", "23:00", "00:00"], (), None)
    assert hold.until is not None and 2 * hold.until.saved >= max(one.saved for one in hold.moved)
    assert help_words(third).endswith("bad nights, if it is so from the start of the night")


@pytest.mark.slow
def test_sets_share_no_night_and_all_are_used(made: Thresholds) -> None:
    sets = made.sets
    seeds = [one.seed for its in (sets.shape, sets.calibration, sets.choice, sets.report) for one in its]
    assert sorted(seeds) == list(range(made.first_seed, made.first_seed + 205))
    assert all(one.is_quiet for one in (*sets.shape, *sets.calibration))
    assert not any(one.is_quiet for one in sets.choice)


@pytest.mark.slow
def test_words_say_what_is_not_known(made: Thresholds) -> None:
    """Without a requirement no night is bad; without a bad night nothing is known of signals."""
    nothing = replace(made.found, in_time=replace(made.found.in_time, count=0, of=0))
    assert answer_words(replace(made, asked=False)).startswith("The scenario states no requirement")
    assert answer_words(replace(made, found=nothing)).endswith("what it finds is not known.")
    [first, *_] = made.found.signals
    assert signal_words(replace(first, found=0, quiet=0), 0) == "not known"
    assert signal_words(replace(first, found=0, quiet=2), 5) == "useless: it finds nothing; 2 false alarms"
    loose = replace(made.table, limit=replace(made.table.limit, nights=58, sure=False))
    assert promise(replace(made, table=loose)) == (
        "An alarm comes in at most 5 % of quiet nights, on average only: 58 quiet nights gave the limit, and 95 % sure "
        "takes 59."
    )
    assert growth_words(replace(made, growth=None)) == ""


@pytest.mark.slow
def test_a_night_is_watched_as_it_is_run() -> None:
    """The miss, the faults and whether any struck are those of the same night run by itself."""
    scenario = loaded()
    struck = 0
    for seed in range(1, 9):
        one = watch_night(setting_of(scenario, "as written"), seed)
        recorder = Recorder()
        from emulator.experiment.night import run_night

        night = run_night(scenario, seed=seed, also_to=recorder)
        assert (one.missed_at is None, one.is_quiet) == (night.fits, not any_fault_struck(recorder.rows))
        assert {len(its) for its in one.samples} == {36}
        if one.missed_at is not None:
            assert (one.missed_at, one.missed) == (HOUR + 51 * MINUTE, "makespan at most 1 h 40 min for queue strips")
        struck += not one.is_quiet
    assert struck


@pytest.mark.slow
def test_several_processes_give_the_same_nights() -> None:
    setting = setting_of(loaded(), "as written")
    told: list[int] = []
    with open_watch(2) as watch:
        several = watch.nights(setting, range(5, 15), told.append)
        assert watch.played == sum(told) == 10
    with open_watch(1) as watch:
        assert watch.nights(setting, range(5, 15)) == several


@pytest.mark.slow
def test_too_few_nights_are_told_with_the_number_to_run() -> None:
    """Of 20 nights 2 of 5 quiet ones would give the limit; for 10 % it takes 9 on average."""
    told: list[float] = []
    found = thresholds(loaded(), share=Fraction(1, 10), nights=20, processes=1, progress=told.append)
    assert isinstance(found, TooFewNights)
    assert (len(told), told[-1]) == (20, 0.5)  # as many again were expected with more work
    assert (found.played, found.needed, found.calibration) == (20, 9, (found.quiet * 2 + 2) // 5)
    assert found.nights >= 29 * 5 / 2  # 29 are 95 % sure of 10 %, and not every night is quiet


def refused(text: str = SMALL, **options: Any) -> str:
    with pytest.raises(InputError) as caught:
        thresholds(loaded(text), **{"nights": 10, "processes": 1, **options})
    return str(caught.value)


@pytest.mark.slow
def test_wrong_input_is_told_before_or_after_the_nights() -> None:
    always = SMALL.replace("share_of_nights: 0.25", "share_of_nights: 1")
    assert refused(nights=9) == "9 nights are out of range: give a number from 10 to 100,000"
    assert refused(SMALL.replace("lasts: 3h", "lasts: 8d")).endswith("for nights that last from 5 min to 7 d")
    assert (
        refused(signals=["backlog strip"])
        == "strips.yaml: there is no signal 'backlog strip': did you mean 'backlog strips'?"
    )
    assert refused(signals=[]) == "no signal is named: name at least one, or leave it out"
    assert refused(more_work=-1) == "-1 quiet nights with more work are out of range: give a number from 0 to 100,000"
    assert refused(always) == (
        "strips.yaml: a fault struck in each of the 10 nights, and thresholds are made from nights without one: say "
        "with `share_of_nights` in which share of nights each fault is there"
    )


def test_the_command_refuses_what_is_wrong_and_overwrites_nothing(call: Call) -> None:
    Path("there.html").write_text("mine")
    assert call("strips.yaml", "-o", "there.html") == (
        2,
        "",
        "there.html: there is a file already: give --overwrite, or another name\n",
    )
    assert Path("there.html").read_text() == "mine"
    assert call("strips.yaml", "--false-alarms", "half")[::2] == (2, "'half' is no share of nights: write 1% or 0.01\n")
    assert call("strips.yaml", "--csv", "strips.yaml")[0] == 2
    code, out, err = call("nowhere.yaml")
    assert (code, out, err.startswith("nowhere.yaml: ")) == (2, "", True)


@pytest.mark.slow
def test_the_command_writes_what_is_asked_for(call: Call) -> None:
    """Signals by name, a page, rows, one line of JSON; the promise alone with --quiet; 4 where nights are too few."""
    few = ("strips.yaml", "--false-alarms", "20%", "--nights", "60", "--more-work", "0", "--processes", "1")
    code, out, err = call(
        *few, "--signals", "retries, longest_silence", "--json", "-o", "a.html", "--csv", "a.csv", "--overwrite"
    )
    told = json.loads(out)
    assert (code, err, [one["name"] for one in told["signals"]]) == (0, "", ["retries", "longest_silence"])
    assert (told["more_work"], told["file"]) == (None, "strips.yaml")
    assert told["command"] == (
        "queuedrill thresholds strips.yaml --false-alarms 20% --nights 60 --seed 1 --signals retries "
        "--signals longest_silence"
    )
    assert Path("a.html").read_text().startswith("<!doctype html>") and Path("a.csv").read_text().startswith("signal,")
    code, out, err = call(*few, "--quiet", "--change", "faults=[]")
    assert (code, err, len(out.splitlines())) == (0, "", 1)
    assert out.startswith("An alarm comes in at most 20 % of quiet nights") and "is not known" in out
    code, out, err = call("strips.yaml", "--nights", "10", "--processes", "1")
    assert (code, err, out[:41]) == (4, "", "Too few nights: 10 nights had 7 quiet one")
    code, out, _ = call("strips.yaml", "--nights", "10", "--processes", "1", "--json")
    assert (code, json.loads(out)["calibration_needed"]) == (4, 99)
