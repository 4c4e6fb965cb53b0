"""Counts how much work one more job is, in instructions of Python's own machine, not timed.

``python tests/bench counts`` prints the counts beside the pins in ``counts.json``; ``--renew [PYTHON ...]`` writes
the pins anew for this Python and for each other interpreter that is named.

What is counted: the bytecode instructions that the interpreter executes (``sys.settrace`` tells each). The same night
is run with N jobs and with 2N, and the difference is divided by N: what a night costs once (loading) falls out.
The count is the same in every run, whatever the machine does and whatever ``PYTHONHASHSEED`` says; it differs between
Python versions, each of which has a pin of its own. What C code does inside one instruction is not seen.
"""

import argparse
import gc
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from types import FrameType
from typing import Any

import emulator
from bench.scenes import scene, station

__all__ = ["COUNTED", "PINS", "VERSION", "count", "main", "pinned", "too_far"]

PINS = Path(__file__).with_suffix(".json")
VERSION = f"{sys.version_info.major}.{sys.version_info.minor}"
TOLERANCE = 0.1
JOBS = 80


def count(work: Callable[[], object], within: str = "") -> int:
    """Count the instructions that a piece of work executes in this thread, in files whose path holds a text.

    The collector waits meanwhile: it may call Python code of anybody's (a callback, a finalizer) wherever it runs.
    """
    counted = 0

    def each(frame: FrameType, event: str, argument: Any) -> Any:
        nonlocal counted
        if event == "opcode":
            counted += 1
        return each

    def enter(frame: FrameType, event: str, argument: Any) -> Any:
        if within and within not in frame.f_code.co_filename:
            return None
        frame.f_trace_opcodes, frame.f_trace_lines = True, False
        return each

    before, collected = sys.gettrace(), gc.isenabled()
    gc.disable()
    sys.settrace(enter)
    try:
        work()
    finally:
        sys.settrace(before)
        if collected:
            gc.enable()
    return counted


def _for_each(work: Callable[[int], object], within: str = "") -> int:
    # Once before it counts: for what is imported when it is first used, and since 3.12 tracing has a first time too.
    count(lambda: work(10), within)
    return (count(lambda: work(2 * JOBS), within) - count(lambda: work(JOBS), within)) // JOBS


def _leased(jobs: int, **more: Any) -> object:
    return emulator.run(
        scene(
            lasts=f"{jobs // 18 + 20}h",
            queues={"night": {"lease": "90s", "retry": {"attempts_in_all": 100}}},
            pools={"dome": {"count": 20, "serves": ["night"], "heartbeat": "30s"}},
            routines={
                "export": {"queue": "night", "parts": [{"name": "do", "takes": {"mean": "1h", "law": "exponential"}}]}
            },
            arrivals=[{"routine": "export", "name": "exposures", "per_hour": 18, "count": jobs}],
            **more,
        ),
        seed=1,
    )


def _broken(jobs: int) -> object:
    gaps = {"mean": "6h", "law": "exponential"}
    return _leased(jobs, faults=[{"power_off": "dome", "gaps": gaps, "back_after": "10m"}])


def _log(jobs: int) -> object:
    with tempfile.TemporaryDirectory() as folder:
        return emulator.run(station(jobs), seed=1, log=Path(folder, "night.qdlog"), keep_events=False)


def _loop(jobs: int) -> object:
    from bench.rows.loop import drawn, jobs_on

    return jobs_on(emulator.VirtualLoop, drawn(jobs))


COUNTED: dict[str, Callable[[], int]] = {
    "mm3": lambda: _for_each(lambda jobs: emulator.run(station(jobs), seed=1)),
    "leased": lambda: _for_each(_leased),
    "broken": lambda: _for_each(_broken),
    "log": lambda: _for_each(_log, within="emulator/record/"),
    "loop": lambda: _for_each(_loop),
}
"""For each hot path what counts one more job; of the log what is done in the calling thread for its own part."""


def pinned() -> dict[str, int] | None:
    """Give the pins of this version of Python; None if it has none."""
    found: dict[str, int] | None = json.loads(PINS.read_text()).get(VERSION)
    return found


def too_far(counted: dict[str, int], pins: dict[str, int]) -> list[str]:
    """Say which counts are off their pin by more than a tenth, either way.

    >>> too_far({"mm3": 1100, "log": 1000, "loop": 890}, {"mm3": 1000, "log": 900, "loop": 1000})
    ['log: 1000 instructions for each job, pinned at 900', 'loop: 890 instructions for each job, pinned at 1000']
    """
    return [
        f"{name}: {number} instructions for each job, pinned at {pins[name]}"
        for name, number in counted.items()
        if abs(number - pins[name]) > TOLERANCE * pins[name]
    ]


def main(arguments: Sequence[str]) -> int:
    """Count, and print or pin."""
    if arguments[0] == "count-one":
        print(json.dumps({name: of() for name, of in COUNTED.items()}))
        return 0
    parser = argparse.ArgumentParser(prog="python tests/bench counts")
    parser.add_argument("--renew", nargs="*", metavar="PYTHON", help="pin for this Python, and for these too")
    given = parser.parse_args(arguments[1:])
    if given.renew is None:
        counted, pins = _in_a_child(sys.executable)[1], pinned() or {}
        for name, number in counted.items():
            print(f"{name}: {number} instructions for each job, pinned at {pins.get(name, 'nothing')}")
        return 1 if too_far(counted, {**counted, **pins}) else 0
    every: dict[str, Any] = json.loads(PINS.read_text()) if PINS.exists() else {}
    for python in [sys.executable, *given.renew]:
        version, counted = _in_a_child(python)
        every[version] = counted
    PINS.write_text(json.dumps(dict(sorted(every.items())), indent=2) + "\n")
    return 0


def _in_a_child(python: str) -> tuple[str, dict[str, int]]:
    """Count in a process of its own, where nothing else traces."""
    environment = {**os.environ, "COVERAGE_PROCESS_START": ""}
    ask = "import sys; print('%d.%d' % sys.version_info[:2])"
    version = subprocess.run([python, "-c", ask], capture_output=True, text=True, check=True).stdout.strip()
    command = [python, str(Path(__file__).parent), "count-one"]
    done = subprocess.run(command, env=environment, capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(f"{' '.join(command)} failed\n{done.stderr}")
    return version, json.loads(done.stdout)
