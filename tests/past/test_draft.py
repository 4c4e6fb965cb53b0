"""What is drafted from past nights whose truth is known, and that it is a scenario."""

import re
from copy import copy
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from past_exports import write_export

import emulator
from emulator.past.commented import Stated, flow, names_of, plain_of, span_text, stated_in, yaml_lines
from emulator.past.draft import Draft, draft_of
from emulator.past.durations import Retries
from emulator.past.learning import Learnt
from emulator.past.reading import learn_files
from emulator.past.timetables import Planned
from emulator.past.workers import Losses, Polling, Pool
from emulator.scenario.load import from_settings, load_text
from emulator.world.draws import Draws
from emulator.world.tonight import factors_of

pytestmark = pytest.mark.slow  # the nights that all tests here draft from take a second to make and to learn


@pytest.fixture(scope="module")
def learnt(tmp_path_factory: pytest.TempPathFactory) -> Learnt:
    return learn_files([write_export(tmp_path_factory.mktemp("past") / "a.csv")], night="18:00+14h")


@pytest.fixture(scope="module")
def draft(learnt: Learnt) -> Draft:
    return draft_of(learnt)


def test_the_text_and_the_settings_of_a_draft_are_one_scenario(draft: Draft) -> None:
    assert load_text(draft.text, "draft.yaml").scenario == from_settings(draft.settings).scenario


def test_a_draft_holds_what_the_nights_were_made_with(draft: Draft) -> None:
    got = draft.settings
    assert (got["starts"], got["lasts"]) == ("2026-03-30T18:00:00", "14h15m")  # a job of 14 h ran on for minutes
    assert [(it["name"], it["recurs"]) for it in got["arrivals"] if "recurs" in it] == [
        ("index-2000-every-day", "FREQ=DAILY;BYHOUR=20;BYMINUTE=0"),
        ("tape-2330-weekdays", "FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR;BYHOUR=23;BYMINUTE=30"),
    ]
    by_name = {it["name"]: it for it in got["arrivals"]}
    tape, copy = by_name["tape-2330-weekdays"], by_name["copy-at-random"]
    assert tape["batch"] == 2
    assert copy["varies_with"] == "demand"
    rates = copy["per_hour"]["every_day"]
    assert [*rates] == ["00:00", "08:00", "18:00"]
    assert [*rates.values()] == [pytest.approx(3, rel=0.2), 0.0, pytest.approx(6, rel=0.2)]
    assert got["pools"]["dome"]["count"] == 2
    assert got["pools"]["dome"]["per_worker"]["dome-2"]["speed"] == pytest.approx(0.5, rel=0.05)
    assert got["queues"]["night"]["retry"]["first"] == "2m"
    part = got["routines"]["copy"]["parts"][0]
    assert part["error_share"] == pytest.approx(0.1, abs=0.02)


def test_guesses_come_first_and_each_value_says_where_it_is_from(draft: Draft) -> None:
    head = draft.text.splitlines()[2:6]
    assert head[0] == f"# Guesses, {len(draft.guesses)}: measure these, or ask those who know."
    assert set(draft.guesses) == {"queues.night.lease", "pools.dome.poll", "pools.dome.heartbeat"}
    assert load_text(draft.text, "draft.yaml").said[("queues", "night", "lease")].source == "guess"
    assert "# No loss was seen" in draft.text.replace("# - ", "# ")
    told = " ".join(line.strip(" #") for line in draft.text.splitlines())
    for of in ("runs", "jobs", "gaps between a failure and the next attempt"):
        assert re.search(rf"from \d+ {of} [^:]*from 2026-03-02 to 2026-03-29.{{1,80}} (95 % interval|90 % )", told), of


def test_a_draft_for_another_night_starts_then_and_plays(learnt: Learnt) -> None:
    other = draft_of(learnt, starts=date(2026, 4, 4))
    assert other.settings["starts"] == "2026-04-04T18:00:00"
    assert all(it.met for it in emulator.run(other.settings).judged)


def test_plain_data_and_lines_of_commented_values() -> None:
    data = {
        "a": {"b": Stated("90s", "guess", "a guess")},
        "list": [{"name": "x", "c": Stated(2, "measured", "two", 5)}],
    }
    assert plain_of(data) == {"a": {"b": "90s"}, "list": [{"name": "x", "c": 2}]}
    assert [path for path, _ in stated_in(data)] == ["a.b", "list.x.c"]
    assert list(yaml_lines(data)) == [
        *("a:", "  # a guess", "  b: {value: 90s, from: guess}"),
        *("list:", "  - name: x", "    # two", "    c: {value: 2, from: measured, n: 5}"),
    ]
    assert list(yaml_lines({"d": Stated(1, "", "asked")})) == ["# asked", "d: 1"]
    assert flow(["on", "America/Santiago", 3.0, "a: b"]) == '["on", America/Santiago, 3, "a: b"]'


@pytest.mark.parametrize(
    ("seconds", "text"), [(0.0, "0s"), (0.0421, "0.042s"), (9.876, "9.88s"), (87.51, "87.5s"), (243.4, "4m3s")]
)
def test_times_are_written_with_three_digits_that_count(seconds: float, text: str) -> None:
    assert span_text(seconds) == text


def test_a_closed_loop_is_told_and_drafted_as_one(tmp_path: Path) -> None:
    """Three sources, each of which sends its next job within a second after its last has ended."""
    night = {
        "title": "Three people at their desks",
        "starts": "2026-03-02T18:00:00",
        "lasts": "P7D",
        "queues": {"night": {"lease": "90s"}},
        "pools": {"dome": {"count": 2, "serves": ["night"], "heartbeat": "20s"}},
        "routines": {
            "copy": {"queue": "night", "drawn": "each_attempt", "parts": [
                {"name": "work", "takes": {"median": "10m", "p95": "40m"}},
            ]}
        },
        "arrivals": [{"routine": "copy", "again_after": {"between": ["0s", "1s"]}, "count": 3}],
    }  # fmt: skip
    emulator.run(night, log=tmp_path / "week.qdlog")
    (tmp_path / "week.csv").write_text(emulator.export(tmp_path / "week.qdlog", "attempts-csv"))
    draft = draft_of(learn_files([tmp_path / "week.csv"], night="18:00+14h"))
    assert (
        "of the jobs were submitted as soon as one ended, beyond chance: drafted as again_after." in draft.warnings[0]
    )
    [entry] = draft.settings["arrivals"]
    assert (entry["again_after"], entry["count"]) == ({"between": ["0s", "2s"]}, 3)
    assert draft.guesses["arrivals.copy-at-random.again_after"].startswith("a guess: whoever waits")
    assert emulator.run(draft.settings).figure("done").value


def test_a_schedule_that_misses_some_nights_may_bring_nothing(tmp_path: Path) -> None:
    """The index is left out on each seventh night, always another day of the week: 4 of 28."""
    with open(write_export(tmp_path / "all.csv"), encoding="utf-8") as file:
        lines = file.read().splitlines()
    left = {f"{day:02d}.03.2026" for day in (2, 10, 18, 26)}
    kept = [line for line in lines if not (";index;" in line and line.split(";")[2].split()[0] in left)]
    assert len(lines) - len(kept) == 4
    (tmp_path / "some.csv").write_text("\n".join(kept) + "\n")
    draft = draft_of(learn_files([tmp_path / "some.csv"], night="18:00+14h"))
    [index] = [it for it in draft.settings["arrivals"] if it["routine"] == "index"]
    assert index["batch"] == {"one_of": [0, 1], "weights": [4, 24]}
    assert load_text(draft.text, "draft.yaml").scenario.arrivals


def drafted(learnt: Learnt, **other: Any) -> dict[str, Any]:
    """Draft from nights of which something is otherwise; the draft must be a scenario."""
    draft = draft_of(replace(learnt, **other), history="sha256:0123456789ab")
    assert load_text(draft.text, "draft.yaml").scenario.title
    return draft.settings


def test_a_pause_that_grows_is_drafted_as_one_that_does(learnt: Learnt) -> None:
    retry = drafted(learnt, retries=Retries(4, 2, (61.0, 120.0), 40, 500.0))["queues"]["night"]["retry"]
    assert retry == {"attempts_in_all": 4, "pause": "exponential", "grows_by": 2.0, "first": "60s"}


@pytest.mark.parametrize(("back", "text"), [(1200.0, "20m"), (float("nan"), "20m"), (600.0, "10m")])
def test_losses_become_faults_of_each_pool(learnt: Learnt, back: float, text: str) -> None:
    """Four losses in 100 hours at work lie 25 hours apart."""
    [fault] = drafted(learnt, losses=Losses(4, 100.0, back))["faults"]
    gaps = {"mean": "1d1h", "law": "exponential"}
    assert fault == {"power_off": "dome", "name": "losses-of-dome", "gaps": gaps, "back_after": text}


def test_when_a_lost_worker_is_back_says_how_far_that_is_known(learnt: Learnt) -> None:
    text = draft_of(replace(learnt, losses=Losses(4, 100.0, 1200.0, 1500.0))).text
    assert "back_after: {value: 20m, from: estimated, on: 2026-03-29, n: 4, plausible: [0s, 25m]}" in text
    assert "25m from a lost attempt's begin to its worker's next (median), which is an upper limit;" in text


def test_pools_of_another_shift_with_slots_and_routines_of_their_own(learnt: Learnt) -> None:
    """The copies run on dome-1, all else on dome-2 alone: two queues."""
    names = learnt.nights.attempts.routines
    one, two = (learnt.nights.attempts.workers.index(f"dome-{number}") for number in (1, 2))
    copies = frozenset({names.index("copy")})
    pools = [
        Pool("north", (one,), 7200.0, 2, copies, 28),
        Pool("south", (two,), 0.0, 1, frozenset(range(len(names))) - copies, 28, 36_000.0),
    ]
    got = drafted(learnt, pools=pools, polling=Polling(30.0, 100))
    north, south = got["pools"]["north"], got["pools"]["south"]
    assert (north["workers"], north["slots"], north["joins"], north["poll"]) == (["dome-1"], 2, "+2h", "30s")
    assert south["power"] == {"off": "04:00", "at_shutdown": "finish", "finish_within": "1h"}
    queues = {name: routine["queue"] for name, routine in got["routines"].items()}
    assert north["serves"] == [queues["copy"]]
    assert south["serves"] == [queues["index"]] == [queues["tape"]] != north["serves"]


def test_without_workers_their_number_is_a_guess(learnt: Learnt) -> None:
    """Two domes: at most two attempts ran at once."""
    assert drafted(learnt, pools=[])["pools"]["worker"]["count"] == 2


@pytest.mark.parametrize(
    ("longest", "law"),
    [
        (0.0, {"constant": "60s"}),
        (20.0, {"quantiles": [*(f"{60 + 20 * place / 20:g}s" for place in range(20)), "80s"]}),
        (3600.0, None),
    ],
)
def test_run_times_that_follow_no_law_are_drafted_by_quantiles(learnt: Learnt, longest: float, law: Any) -> None:
    """All alike; evenly spread; and with a tail, whose 4 % and last 1 % then have quantiles of their own."""
    shares = [at for at, _ in learnt.run_times.durations[0].quantiles]
    spread = 20.0 if longest else 0.0
    quantiles = tuple((share, 60 + spread * share + (longest - spread) * (share > 0.95)) for share in shares)
    times = replace(
        learnt.run_times,
        pace_cv=0.0,
        durations=[replace(it, lognormal=False, quantiles=quantiles) for it in learnt.run_times.durations],
    )
    takes = drafted(learnt, run_times=times)["routines"]["copy"]["parts"][0]["takes"]
    if law is None:
        assert takes["weights"] == [0.95, 0.04, 0.01]
        assert [len(it["quantiles"]) for it in takes["mixture"]] == [20, 5, 5]
    else:
        assert takes == law


def test_early_errors_and_run_times_of_a_night_are_drafted(learnt: Learnt, tmp_path: Path) -> None:
    """A night that is borrowed brings its own run times of one routine, from the file beside the draft."""
    at = learnt.nights.attempts.routines.index("copy")
    own = {at: np.where(np.arange(len(learnt.nights)) == 3, np.nan, 2.5)}
    early = tuple(10.0 + 5 * tenth for tenth in range(11))
    durations = [replace(it, early=early, failed=60) for it in learnt.run_times.durations if it.routine == at]
    late = [replace(it, fails_late=True) for it in learnt.run_times.durations if it.routine != at]
    times = replace(learnt.run_times, pace_cv=0.1, pace_of=own, durations=[*durations, *late])
    draft = draft_of(replace(learnt, run_times=times), nights_file="z.nights.csv")
    part = draft.settings["routines"]["copy"]["parts"][0]
    assert part["fails_after"] == {"quantiles": [f"{it:g}s" for it in early], "varies_with": "pace"}
    told = " ".join(line.strip(" #") for line in draft.text.splitlines())
    assert "when 60 failed attempts ended from 2026-03-02 to 2026-03-29, from 10s to 60s after they began" in told
    assert "they failed later than others ended well, which a scenario cannot say: drafted as at the end" in told
    assert "{one_of_nights: z.nights.csv} instead of both" in told
    assert "with the run times of its own that it had for copy" in told
    (tmp_path / "z.nights.csv").write_text(draft.nights)
    settings = {**draft.settings, "varies": {key: {"one_of_nights": "z.nights.csv"} for key in ("demand", "pace")}}
    drawn = [factors_of(from_settings(settings, folder=tmp_path), Draws(seed)) for seed in range(30)]
    assert {it.get("pace:copy") for it in drawn} == {2.5, None}
    assert all(it.met for it in emulator.run(from_settings(settings, folder=tmp_path)).judged)


def test_a_night_reaches_into_the_next_day(learnt: Learnt) -> None:
    """Nights of weekends have 2 jobs an hour, others 5: on Saturday morning it is still Friday's night."""
    at = next(iter(learnt.random))
    found = learnt.random[at]
    pieces = {
        kind: [replace(it, per_hour=rate) for it in found.pieces["every day"]]
        for kind, rate in (("weekday", 5.0), ("weekend", 2.0))
    }
    other = {at: replace(found, days=replace(found.days, differ=True), pieces=pieces)}
    [entry] = [it for it in drafted(learnt, random=other)["arrivals"] if "per_hour" in it]
    rates = entry["per_hour"]
    assert rates["weekdays"] == {"00:00": 5.0, "08:00": 0.0, "18:00": 5.0}
    assert rates["mon"] == {"00:00": 2.0, "08:00": 0.0, "18:00": 5.0}
    assert (rates["sat"], rates["sun"]) == (
        {"00:00": 5.0, "08:00": 0.0, "18:00": 2.0},
        {"00:00": 2.0, "08:00": 0.0, "18:00": 2.0},
    )


def test_what_a_reader_has_to_know_stands_in_the_head(learnt: Learnt) -> None:
    attempts = copy(learnt.nights.attempts)
    attempts.knows_submission = False
    nights = copy(learnt.nights)
    nights.attempts = attempts
    other = replace(learnt, nights=nights, closed_loop=0.1, left_out=[0], rare=[0])
    planned = [Planned("index", "0 20 * * *", (), 0.0, "rules:1"), Planned("wake", "0 19 * * *", (), 60.0, "rules:2")]
    draft = draft_of(other, planned=planned)
    assert draft.warnings[:4] == (
        "10% of the jobs were submitted as soon as one ended, beyond chance.",
        "Submission and begin are the same: no wait was seen, so no number of workers can be learnt.",
        f"Too little was seen of these, and they are left out: {attempts.routines[0]}.",
        f"These workers were hardly seen, and are left out: {attempts.workers[0]}.",
    )
    assert draft.warnings[-1] == "Planned and in the history too; taken from the history: index."
    assert all(f"# - {it}" in draft.text for it in draft.warnings)
    assert draft.guesses["pools.dome.count"].endswith("as no wait was seen, nobody knows whether these were all")
    assert draft.settings["routines"]["wake"]["parts"] == [{"name": "work", "takes": "60s"}]


def test_names_are_made_fit_for_a_scenario() -> None:
    assert names_of(["a.b", "a/b", "", "\u200e", "x" * 200]) == ["a-b", "a-b-2", "unnamed", "unnamed-2", "x" * 150]
