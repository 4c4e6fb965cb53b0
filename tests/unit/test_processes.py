"""Comparisons on several processes, called from a script: with and without the line that guards a script's work."""

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from emulator import compare, size
from emulator.errors import InputError

ROOT = Path(__file__).parents[2]
CALL = """\
found = emulator.compare(
    {
        "title": "Copies", "starts": "2026-06-12T21:30:00", "lasts": "6h",
        "queues": {"night": {"retry": {"attempts_in_all": 4}}},
        "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
        "routines": {"copy": {"queue": "night", "parts": [
            {"name": "copy", "takes": {"median": "4m", "p95": "9m"}, "error_share": 0.5}]}},
        "arrivals": [{"routine": "copy", "count": 6, "at": "21:30"}],
    },
    variants=VARIANTS, measures=["makespan", "attempts"], replications=6, processes=PROCESSES,
)
print(found.variants, len(found.lost), [spread.mean for spread in found.spreads])
"""
OWN = """\
class Patient:
    def decide(self, case):
        return emulator.Verdict(again=case.attempt < 4, pause=60_000_000)


"""
TWO = '{"two": {"pools.dome.count": 2}}'
PATIENT = '{"patient": {"queues.night.retry": Patient()}}'


def run(folder: Path, work: str, *, variants: str, processes: int, guarded: bool = False, before: str = "") -> Any:
    """Run a script of a user's."""
    work = work.replace("VARIANTS", variants).replace("PROCESSES", str(processes))
    if guarded:
        work = "if __name__ == '__main__':\n" + "".join(f"    {line}\n" for line in work.splitlines())
    script = folder / "night.py"
    script.write_text(f"import sys\n\nsys.path.insert(0, {str(ROOT)!r})\nimport emulator\n\n{before}{work}")
    return subprocess.run([sys.executable, str(script)], capture_output=True, text=True, timeout=120)


@pytest.mark.slow
def test_a_script_needs_no_guard_for_its_nights(tmp_path: Path) -> None:
    """A script that calls compare on its first level says the same on two processes as on one, and nothing else."""
    one, two = (run(tmp_path, CALL, variants=TWO, processes=processes) for processes in (1, 2))
    assert (two.returncode, two.stderr) == (0, "")
    assert two.stdout == one.stdout != ""


@pytest.mark.slow
def test_a_policy_of_a_script_runs_on_other_processes_where_the_script_is_guarded(tmp_path: Path) -> None:
    """A policy that stands in the script goes to other processes, which load the script, and gives the same there."""
    one, two = (
        run(tmp_path, CALL, variants=PATIENT, processes=processes, guarded=True, before=OWN) for processes in (1, 2)
    )
    assert (two.returncode, two.stderr) == (0, "")
    assert two.stdout == one.stdout != ""


@pytest.mark.slow
def test_a_policy_of_a_script_that_is_not_guarded_is_told_with_what_to_do(tmp_path: Path) -> None:
    """No night is run, no process is started anew, and no process says anything of its own."""
    done = run(tmp_path, CALL, variants=PATIENT, processes=2, before=OWN)
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.count("Traceback") == 1  # the script's own: it does not catch the error
    assert done.stderr.splitlines()[-1] == (
        f"emulator.errors.InputError: {tmp_path / 'night.py'}: a retry policy stands here, so each process that runs "
        "nights loads this file, and none came through it: put what your script does below `if __name__ == "
        "'__main__':`, or the retry policy into a module of its own, or run nights in this process alone (processes=1)"
    )


def test_without_scipy_no_night_is_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the end needs is looked for at the beginning, by compare and by size."""
    night: dict[str, Any] = {
        "title": "Copies",
        "starts": "2026-06-12T21:30:00",
        "lasts": "6h",
        "queues": {"night": {}},
        "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
        "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "4m"}]}},
        "arrivals": [{"routine": "copy", "count": 6, "at": "21:30"}],
        "must_hold": [{"measure": "makespan", "at_most": "1h"}],
    }
    monkeypatch.setitem(sys.modules, "scipy", None)
    told: list[Any] = []

    def progress(*reached: Any) -> None:
        told.append(reached)

    two = {"two": {"pools.dome.count": 2}}
    with pytest.raises(InputError, match=r"pip install 'queuedrill\[stats\]'"):
        compare(night, variants=two, measures=["makespan"], replications=2, processes=1, progress=progress)
    with pytest.raises(InputError, match=r"pip install 'queuedrill\[stats\]'"):
        size(night, by="pools.dome.count", first=1, last=2, replications=2, processes=1, progress=progress)
    assert told == []
