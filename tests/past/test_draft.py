"""What is drafted from past nights whose truth is known, and that it is a scenario."""

from datetime import date
from pathlib import Path

import pytest
from past_exports import write_export

import emulator
from emulator.past.commented import Stated, flow, plain_of, stated_in, yaml_lines
from emulator.past.draft import Draft, draft_of
from emulator.past.draft_values import span_text
from emulator.past.learning import Learnt
from emulator.past.reading import learn_files
from emulator.scenario.load import from_settings, load_text

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
