"""The picture of one night that README.md shows: fresh, and what it draws is what happened."""

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from picture_of_a_night import picture_of

import emulator

ROOT = Path(emulator.__file__).parent.parent
FILE = "scenarios/worker-lost-mid-run.yaml"
KEPT = ROOT / "docs" / "pictures" / "one-night.svg"
SMALL = """\
title: Two plates & <one> worker
starts: 2026-06-12T21:30:00
zone: UTC
lasts: 2h
queues:
  night: {lease: 1m, retry: {attempts_in_all: 2, pause: constant, first: 1s}}
pools:
  dome: {count: 1, serves: [night], poll: 0s, heartbeat: 20s}
routines:
  copy: {queue: night, parts: [{name: copy, takes: 10m}]}
arrivals:
  - {routine: copy, name: plates, count: 2, at: "21:30"}
faults:
  - {power_off: dome-1, at: +15m, back_after: 5m}
"""


def texts(svg: str) -> list[str]:
    root = ET.fromstring(svg)
    return ["".join(one.itertext()) for one in root.iter() if one.tag.endswith("}text")]


def tips(svg: str) -> list[str]:
    """Give what is told of each bar, in the order in which they stand."""
    root = ET.fromstring(svg)
    return [title.text or "" for one in root.iter() if one.tag.endswith("}rect") for title in one]


def test_the_picture_of_the_readme_is_fresh(monkeypatch: pytest.MonkeyPatch) -> None:
    """Renew it with: python docs/make/picture_of_a_night.py scenarios/worker-lost-mid-run.yaml > (the file).

    Whoever does not see it reads its title.
    """
    monkeypatch.chdir(ROOT)
    made = picture_of(FILE)
    assert KEPT.read_text("utf-8") == made
    title = re.search(r"<title>(.*?)</title>", made)
    shown = re.search(rf"!\[(.*?)\]\({KEPT.relative_to(ROOT)}\)", (ROOT / "README.md").read_text("utf-8"))
    assert title is not None
    assert shown is not None
    assert shown[1] == title[1]


def test_what_is_drawn_is_what_happened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first plate takes ten minutes; the power goes five minutes into the second, and comes back after five.

    Its lease was renewed 20 s before at the latest, so it ends by 21:46; the worker takes it again when it is back.
    """
    monkeypatch.chdir(tmp_path)
    Path("night.yaml").write_text(SMALL)
    svg = picture_of("night.yaml")
    assert tips(svg) == ["plates#1, attempt 1: ok", "plates#2, attempt 1: lease lost", "plates#2, attempt 2: ok"]
    told = texts(svg)
    assert [one for one in told if re.match(r"\d  ", one)] == [
        "1  21:45 dome-1 loses power for 5 min",
        "2  21:50 plates#2: dome-1 takes it again, attempt 2",
    ]
    assert "all 2 jobs are done by 22:00" in told[-1]
    assert "Two plates &amp; &lt;one&gt; worker" in svg


def test_a_night_that_comes_to_little(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Jobs that are not done are counted; of many events the first are told, and the rest are counted."""
    monkeypatch.chdir(tmp_path)
    offs = "".join(f"  - {{power_off: dome-1, at: +{minute}m, back_after: 1m}}\n" for minute in range(5, 100, 5))
    Path("night.yaml").write_text(SMALL.split("  - {power_off")[0] + offs)
    last = texts(picture_of("night.yaml"))[-1]
    assert "jobs are done. " in last
    assert re.search(r"\d+ more events are not told\.$", last)
    Path("empty.yaml").write_text(SMALL.replace("count: 2", "count: 0"))
    assert "plates" not in "".join(texts(picture_of("empty.yaml"))[:-1])
