"""The block of every page that says what was assumed: each value with its source, and what a night rests on."""

import hashlib
import re
from html import unescape
from pathlib import Path
from typing import Any

import pytest

import emulator
from emulator.cli.main import answer
from emulator.report.paging import page_of_log
from emulator.scenario.stated import stated

SETTINGS: dict[str, Any] = {
    "title": "Copies",
    "starts": "2026-03-28T21:30:00",
    "zone": "Europe/London",
    "lasts": "6h",
    "queues": {"night": {"lease": {"value": "40s", "from": "measured", "on": "2026-03-01", "n": 1312}}, "day": {}},
    "pools": {"dome": {"count": 2, "serves": ["night", "day"]}},
    "systems": {"archive": {"slots": 4, "answers_in": {"value": {"between": ["1s", "2s"]}, "from": "guess"}}},
    "routines": {
        "copy": {
            "queue": "night",
            "parts": [{"name": "fetch", "calls": "archive"}, {"name": "write", "takes": "4m", "effect": "written"}],
        }
    },
    "arrivals": [{"routine": "copy", "count": 10, "at": "21:30"}],
    "faults": [
        {"power_off": "dome-1", "at": "+31m", "back_after": "25m"},
        {"brown_out": "archive", "at": "22:10", "lasts": {"value": "5m", "from": "agreed"}, "factor": 4},
    ],
}


def settings(page: str) -> dict[str, list[tuple[list[str], str]]]:
    """Give what the block of settings says of each entry: values, and the source of them all."""
    block = page.split('<section id="settings">')[1].split("</dl>")[0]
    found = {}
    for entry, lines in re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", block):
        told = re.findall(r"(.*?) <small>\((.*?)\)</small>(?:<br>)?", lines)
        found[unescape(entry)] = [(unescape(re.sub("</?bdi>", "", its)).split("; "), source) for its, source in told]
    return found


def head(page: str) -> dict[str, list[str]]:
    """Give what stands in the list at the head of a page."""
    block = page.split("<header>")[1].split("</header>")[0]
    found: dict[str, list[str]] = {}
    for what, words in re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", block):
        found.setdefault(what, []).append(unescape(re.sub("<[^>]*>", "", words)))
    return found


def test_each_value_stands_with_its_source_and_day() -> None:
    """Written down from the settings above: a source with its day, a guess, what has none, choices, defaults."""
    assert settings(emulator.run(SETTINGS).page()) == {
        "queue night": [
            (["lease 40s"], "measured on 2026-03-01, 1,312 observations"),
            (["retry none: one attempt in all"], "by default"),
        ],
        "queue day": [(["retry none: one attempt in all", "lease 90s"], "by default")],
        "pool dome": [
            (["count 2"], "source not stated"),
            (["serves night, day"], "a choice"),
            (["heartbeat 30s"], "by default"),
        ],
        "system archive": [(["slots 4"], "source not stated"), (["answers in between 1s, 2s"], "guess")],
        "routine copy": [
            (["queue night", "parts 'fetch', calls archive", "parts 'write', effect written"], "a choice"),
            (["parts 'write', takes 4m"], "source not stated"),
        ],
        "arrivals of copy at 0s": [
            (["routine copy", "at 21:30"], "a choice"),
            (["count 10"], "source not stated"),
        ],
        "fault 1: dome-1 loses power": [(["at +31m"], "a choice"), (["back after 25m"], "source not stated")],
        "fault 2: archive answers slowly": [
            (["at 22:10"], "a choice"),
            (["lasts 5m"], "agreed"),
            (["factor 4"], "source not stated"),
        ],
    }


def test_more_values_than_a_reader_would_read_are_folded() -> None:
    """Seventy arrivals: the block is folded under how many values there are, and how many have no source."""
    many = [{"routine": "copy", "count": 1, "at": f"+{one}m"} for one in range(70)]
    page = emulator.run({**SETTINGS, "arrivals": many}).page()
    found = re.search(r"<h2>(Settings and assumptions: (\d+) values, (\d+) without a source)</h2></summary>", page)
    assert found is not None
    values = stated(emulator.from_settings({**SETTINGS, "arrivals": many}), ["one", "two"])
    assert (int(found[2]), int(found[3])) == (len(list(values)), 5 + 70)


def test_no_number_or_duration_is_left_out() -> None:
    """What has no source, counted by hand: two workers, four slots, 4 min, ten jobs, 25 min, factor 4."""
    found = list(stated(emulator.from_settings(SETTINGS), ["one", "two"]))
    assert [one.source for one in found].count("source not stated") == 6
    assert [one.part for one in found if one.source not in ("source not stated", "a choice", "by default")] == [
        "queues",
        "systems",
        "faults",
    ]


def test_the_head_tells_the_clock_change_and_that_there_is_no_file() -> None:
    """In London the clocks go forward at 01:00 on 2026-03-29 (the last Sunday of March)."""
    page = emulator.run(SETTINGS, seed=7).page()
    found = head(page)
    assert found["date"] == ["Saturday, 2026-03-28 21:30:00, for 6 h"]
    change = "2026-03-29 at 01:00 the clock goes forward by 1 h, to 02:00"
    assert found["zone"] == [f"Europe/London (UTC+00:00); {change}"]
    assert found["file"] == ["settings, no file"]
    assert (found["played"], found["set on the command line"]) == (["seed 7"], ["nothing"])
    assert found["version"][0].startswith("program ")


def test_a_night_without_a_change_says_so() -> None:
    """A week earlier nothing changes."""
    page = emulator.run({**SETTINGS, "starts": "2026-03-21T21:30:00"}).page()
    assert head(page)["zone"] == ["Europe/London (UTC+00:00); no clock change"]


TEXT = """title: Copies
starts: 2026-06-12T21:30:00
lasts: 1h
queues: {night: {lease: 40s}}
pools: {dome: {count: 2, serves: [night]}}
routines: {copy: {queue: night, parts: [{name: copy, takes: 4m}]}}
arrivals: [{routine: copy, count: 3, at: "21:30"}]
must_hold: [{measure: makespan, at_most: 50m}]
variants: {three: {pools.dome.count: 3}}
"""


@pytest.mark.parametrize(
    ("command", "seeds"),
    [
        (["run", "copies.yaml"], "seed 1"),
        (["run", "copies.yaml", "--nights", "3"], "seeds 1 to 3"),
        (["compare", "copies.yaml", "--nights", "3"], "seeds 1 to 3"),
    ],
)
def test_every_page_tells_its_file_and_what_was_set(
    command: list[str], seeds: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The pages of one night, of many, and of a comparison: the digest of the file, and the value that was set."""
    monkeypatch.chdir(tmp_path)
    Path("copies.yaml").write_text(TEXT, "utf-8")
    answer([*command, "--change", "queues.night.lease=50s", "--page", "it.html", "--quiet"])
    page = Path("it.html").read_text("utf-8")
    found = head(page)
    assert found["file"] == [f"copies.yaml, SHA-256 {hashlib.sha256(TEXT.encode()).hexdigest()}"]
    assert found["set on the command line"] == ["--change queues.night.lease=50s"]
    assert found["played"] == [seeds]
    assert settings(page)["queue night"][0] == (["lease 50s"], "source not stated")


def test_a_page_of_a_log_tells_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a log keeps is enough for the whole block."""
    monkeypatch.chdir(tmp_path)
    Path("copies.yaml").write_text(TEXT, "utf-8")
    one, two = emulator.run("copies.yaml", log="it.sqlite").page(), page_of_log("it.sqlite")
    assert (settings(one), head(one)) == (settings(two), head(two))


def test_a_comparison_tells_what_each_variant_sets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the baseline every key that some variant changes, of the others what differs; what is unset is by default."""
    monkeypatch.chdir(tmp_path)
    more = """variants:
  three: {pools.dome.count: 3, faults: {add: [{freeze: dome-1, at: +1m, lasts: 1m}]}}
  patient: {queues.night.lease: 2m, queues.night.retry: null}"""
    Path("copies.yaml").write_text(TEXT.replace(TEXT.splitlines()[-1], more), "utf-8")
    page = emulator.compare("copies.yaml", nights=2, processes=1).page()
    listed = page.split("<h3>What each variant sets</h3>")[1].split("</ul>")[0]
    assert [unescape(re.sub("<[^>]*>", "", one)) for one in re.findall("<li>(.*?)</li>", listed)] == [
        "as written: pools.dome.count 2; queues.night.lease 40s; queues.night.retry by default",
        "three: pools.dome.count 3; faults add freeze dome-1, at +1m, lasts 1m",
        "patient: queues.night.lease 2m",
    ]
    assert "What each variant sets" not in emulator.nights("copies.yaml", 2, variant="three", processes=1).page()
