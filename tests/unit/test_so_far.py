"""Whoever waits is told the answer so far: by comparisons, many nights, searches for sizes, and hunts."""

import io
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from compared_copies import NIGHT

import emulator
from emulator.cli import progress as telling
from emulator.cli.main import answer
from emulator.measure.comparison.result import Comparison
from emulator.show.comparison.words import comparison_so_far

SURE: dict[str, Any] = {
    "title": "Copies",
    "starts": "2026-06-12T21:30:00",
    "lasts": "3h",
    "queues": {"night": {}},
    "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
    "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}]}},
    "arrivals": [{"name": "plates", "routine": "copy", "count": 6, "at": "21:30"}],
    "must_hold": [{"measure": "makespan", "at_most": "35m"}],
}
"""One worker takes an hour, two take half of it; nothing is drawn."""


def told(work: Callable[..., object], *arguments: Any, **options: Any) -> list[str]:
    found: list[str] = []
    work(*arguments, processes=1, so_far=found.append, **options)
    return found


def test_a_comparison_tells_after_10_35_and_so_on_nights() -> None:
    """After the last nights the answer itself is there: nothing is told."""
    by = {"variants": {"two": {"pools.dome.count": 2}}}
    assert told(emulator.compare, SURE, nights=36, **by) == [
        "so far take 'two': 10 of 10 nights kept",
        "so far take 'two': 35 of 35 nights kept",
    ]
    none = {"variants": {"slow": {"routines.copy.parts.copy.takes": "20m"}}}
    assert told(emulator.compare, SURE, nights=11, **none) == [
        "so far none, closest the scenario as written: 0 of 10 nights kept"
    ]
    same = {"variants": {"two": {"pools.dome.count": 2}, "2": {"pools.dome.count": 2}}}
    assert told(emulator.compare, SURE, nights=11, **same) == ["so far a tie of 2 variants"]
    few = {**NIGHT, "must_hold": [{"measure": "makespan", "at_most": "6h"}]}
    [said] = told(emulator.compare, few, nights=11)
    assert said.startswith("so far undecided, in front ")
    assert told(emulator.compare, {**NIGHT, "must_hold": []}, nights=11) == []


def test_many_nights_tell_in_how_many_all_was_kept() -> None:
    assert told(emulator.nights, SURE, 11) == ["so far kept in 0 of 10 nights"]
    assert told(emulator.nights, {**SURE, "must_hold": []}, 11) == []


def test_a_search_tells_the_value_so_far() -> None:
    by = {"by": "pools.dome.count", "nights": 11}
    assert told(emulator.size, SURE, first=1, last=3, **by) == [
        "so far 2 is the smallest that is enough (10 nights each)"
    ]
    assert told(emulator.size, SURE, first=1, last=1, **by) == ["so far none is shown, closest 1: 0 of 10 nights kept"]
    two = {"by": ("pools.dome.count", "arrivals.plates.count"), "values": ([1, 2], [3, 6]), "nights": 11}
    assert told(emulator.frontier, SURE, largest=True, **two) == [
        "so far 2 of 2 values have a second one that is enough (10 nights each)"
    ]


def test_a_hunt_tells_how_few_faults_are_enough() -> None:
    pytest.importorskip("hypothesis")
    found: list[str] = []
    fits = {**SURE, "must_hold": [{"measure": "lost_leases", "at_most": 0}]}
    emulator.hunt(fits, tries=40, kinds=["power_off"], so_far=found.append)
    assert found[-1] == "so far 1 fault breaks a requirement; simpler ones are looked for"


def test_nothing_is_known_of_no_requirement() -> None:
    """Of a comparison that asks nothing there is nothing to tell; it is no mistake."""
    asked: Comparison = emulator.nights({**SURE, "must_hold": []}, 1, processes=1)
    assert comparison_so_far(asked) == ""


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("command", ["compare", "run", "size", "hunt"])
def test_a_terminal_shows_it_behind_the_share(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line, as wide as the terminal at most; nothing of it is left at the end, and nothing stands in a pipe."""
    monkeypatch.chdir(tmp_path)
    sure = {
        **SURE,
        "variants": {"two": {"pools.dome.count": 2}},
        "must_hold": [{"measure": "makespan", "at_most": "70m"}],
    }
    Path("night.yaml").write_text(_yaml(sure))
    monkeypatch.setattr(telling, "_SILENT", 0.0)
    monkeypatch.setattr(telling, "_EVERY", 0.0)
    monkeypatch.setattr(sys, "stderr", Terminal())
    more = {
        "compare": ["--nights", "11"],
        "run": ["--nights", "11"],
        "size": ["--by", "pools.dome.count", "--values", "1,2", "--nights", "11"],
        "hunt": ["--tries", "20", "--kinds", "power_off"],
    }[command]
    alone = [] if command == "hunt" else ["--processes", "1"]
    answer([command, "night.yaml", *more, *alone])
    seen = sys.stderr.getvalue()  # type: ignore[attr-defined]  # it was put there above
    lines = seen.split("\r")
    assert "; so far " in seen
    assert max(map(len, lines)) < 80
    assert lines[-1] == ""
    assert set(lines[-2]) == {" "}
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    answer([command, "night.yaml", *more, *alone])
    assert sys.stderr.getvalue() == ""  # type: ignore[attr-defined]
    capsys.readouterr()


def _yaml(settings: dict[str, Any]) -> str:
    import yaml

    return yaml.safe_dump(settings, sort_keys=False)
