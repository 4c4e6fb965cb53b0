"""DEVELOPERS.md walks through one job's life: the files that it names are those that such a job enters."""

import re
import sys
from pathlib import Path
from types import FrameType
from typing import Any

import emulator
from emulator.record.recorder import Recorder
from emulator.scenario.load import load_text
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

PACKAGE = Path(emulator.__file__).parent
DEVELOPERS = PACKAGE.parent / "DEVELOPERS.md"
MINUTE = 60_000_000

NIGHT = """
title: one lost lease
starts: 2026-06-12T21:30:00
lasts: 3h
queues: {night: {lease: 90s, retry: {attempts_in_all: 2, pause: constant, first: 1m}}}
pools: {dome: {count: 2, serves: [night], heartbeat: 20s}}
routines: {copy: {queue: night, parts: [{name: copy, takes: 10m}]}}
arrivals: [{routine: copy, name: plates, at: "21:40"}]
"""


def walked() -> list[str]:
    """Give the files that the walk names, in its order."""
    section = DEVELOPERS.read_text("utf-8").split("## One job's life\n", 1)[1].split("\n## ", 1)[0]
    return re.findall(r"^\| `emulator/([\w/]+\.py)` \|", section, re.MULTILINE)


def entered() -> tuple[list[str], list[str]]:
    """Play the job; give the files of the package that it enters, records aside, and the kinds of its events."""
    agenda, recorder = Agenda(), Recorder()
    world = World(load_text(NIGHT, "one lost lease"), 1, agenda, recorder)
    world.start()
    agenda.run((10 * MINUTE,))
    files: dict[str, None] = {}

    def profiled(frame: FrameType, event: str, argument: Any) -> None:
        file = Path(frame.f_code.co_filename)
        if event == "call" and file.is_relative_to(PACKAGE):
            files[file.relative_to(PACKAGE).as_posix()] = None

    def play(before: int) -> None:
        sys.setprofile(profiled)
        try:
            agenda.run((before,))
        finally:
            sys.setprofile(None)

    play(15 * MINUTE)
    world.lifecycle.power_off(0, world.workers["dome-1"])
    play(180 * MINUTE)
    files.pop("timeline/resources.py", None)  # an audit hook of the loop, which stays once another test has run one
    return [file for file in files if not file.startswith("record/")], [row[1] for row in recorder.rows if row[3] == 1]


def test_the_walk_names_the_files_that_a_lost_and_retried_job_enters():
    """Taken, leased, renewed, lost, retried, done: every file that takes part is in the walk, and no other."""
    files, kinds = entered()
    assert kinds == [
        "submitted",
        "handed_out",
        "work_began",
        "work_stopped",
        "attempt_ended",
        "requeued",
        "hold_ended",
        "handed_out",
        "work_began",
        "work_stopped",
        "attempt_ended",
        "finished",
    ]
    assert sorted(walked()) == sorted(files)
    assert len(files) <= 8
