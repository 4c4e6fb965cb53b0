"""What the tests of commands share: a place with a small scenario, and the program called in this process."""

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from emulator.cli.main import answer

SCENARIO = """\
title: One copy
starts: 2026-06-12T21:30:00
zone: America/Santiago
lasts: 2h
queues: {night: {lease: 90s}}
pools: {dome: {count: 1, serves: [night], poll: 0s, heartbeat: 20s}}
routines: {copy: {queue: night, parts: [{name: copy, takes: 10m}]}}
arrivals: [{routine: copy, count: 2, at: "21:35"}]
must_hold: [{measure: makespan, at_most: 20m}]
"""
"""Two jobs of ten minutes come at 21:35 to one worker: the last is done at 21:55, just within its twenty minutes."""


class Ended(NamedTuple):
    """How a command ended, and what it wrote."""

    code: int
    out: str
    err: str


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder that holds ``fits.yaml``, ``misses.yaml`` and ``wrong.yaml``."""
    (tmp_path / "fits.yaml").write_text(SCENARIO)
    (tmp_path / "misses.yaml").write_text(SCENARIO.replace("at_most: 20m", "at_most: 19m") + "meant_to_miss: true\n")
    (tmp_path / "wrong.yaml").write_text(SCENARIO.replace("lasts", "lsts").replace("lease: 90s", "lease: long"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def queuedrill(place: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., Ended]:
    """Call the program with arguments."""

    def call(*arguments: str) -> Ended:
        code = answer(arguments)
        return Ended(code, *capsys.readouterr())

    return call
