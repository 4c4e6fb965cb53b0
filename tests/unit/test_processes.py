"""Comparisons on several processes, called from a script: with and without the line that guards a script's work."""

import os
import signal
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from emulator import compare, size
from emulator.errors import InputError
from emulator.experiment.executors import open_workers
from emulator.experiment.processes import own_processes
from emulator.experiment.settings import setting_of
from emulator.scenario.load import from_settings

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
    variants=VARIANTS, measures=["makespan", "attempts"], nights=6, processes=PROCESSES,
)
print(found.variants, len(found.lost), [spread.mean for spread in found.spreads])
"""
OWN = """\
class Patient:
    def decide(self, case):
        return emulator.Verdict(again=case.attempt < 4, pause=60_000_000)


"""
NIGHT: dict[str, Any] = {
    "title": "Copies",
    "starts": "2026-06-12T21:30:00",
    "lasts": "6h",
    "queues": {"night": {"retry": {"attempts_in_all": 4}}},
    "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
    "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "4m"}]}},
    "arrivals": [{"routine": "copy", "count": 6, "at": "21:30"}],
    "must_hold": [{"measure": "makespan", "at_most": "1h"}],
}
TWO = '{"two": {"pools.dome.count": 2}}'
PATIENT = '{"patient": {"queues.night.retry": Patient()}}'


def run(
    folder: Path, work: str, *, variants: str, processes: int, guarded: bool = False, before: str = "", start: Any = ()
) -> Any:
    """Run a script of a user's."""
    work = work.replace("VARIANTS", variants).replace("PROCESSES", str(processes))
    if guarded:
        work = "if __name__ == '__main__':\n" + "".join(f"    {line}\n" for line in work.splitlines())
    script = folder / "night.py"
    script.write_text(f"import sys\n\nsys.path.insert(0, {str(ROOT)!r})\nimport emulator\n\n{before}{work}")
    command = [sys.executable, *(start or [str(script)])]
    return subprocess.run(command, cwd=folder.parent, capture_output=True, text=True, timeout=120)


@pytest.mark.slow
def test_a_script_needs_no_guard_for_its_nights(tmp_path: Path) -> None:
    """A script that calls compare on its first level says the same on two processes as on one, and nothing else."""
    at_once = "from emulator.experiment import executors\n\nexecutors._WORTH_PROCESSES = 0.0\n"
    one, two = (run(tmp_path, CALL, variants=TWO, processes=processes, before=at_once) for processes in (1, 2))
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


@pytest.mark.slow
@pytest.mark.parametrize("way", ["text", "stdin", "folder"])
def test_a_policy_that_no_other_process_finds_is_told_before_a_night_is_run(tmp_path: Path, way: str) -> None:
    """Where what was started cannot be loaded again, one error says which policy and what to do, and nothing else."""
    work = CALL.replace("VARIANTS", PATIENT).replace("PROCESSES", "2")
    started = f"import sys\nsys.path.insert(0, {str(ROOT)!r})\nimport emulator\n{OWN}{work}"
    (tmp_path / "__main__.py").write_text(started)
    arguments = {"text": ["-c", started], "stdin": [], "folder": [str(tmp_path)]}[way]
    given = started if way == "stdin" else None
    done = subprocess.run([sys.executable, *arguments], input=given, capture_output=True, text=True, timeout=120)
    assert (done.returncode, done.stdout, done.stderr.count("Traceback")) == (1, "", 1)  # that of what was started
    before, _, after = done.stderr.splitlines()[-1].partition(" on <module ")  # Python's versions name it otherwise
    assert before == (
        "emulator.errors.InputError: patient: the retry policy of queue 'night', Patient, is not found by another "
        "process (AttributeError: Can't get attribute 'Patient'"
    )
    assert after.partition(">): ")[2] == (
        "put its class into a module of its own, which every process can import, or run nights in this process alone "
        "(processes=1)"
    )


@pytest.mark.slow
def test_a_policy_of_a_module_that_is_started_by_its_name_runs_on_other_processes(tmp_path: Path) -> None:
    """`python -m package.module` is loaded by its name in each process."""
    package = tmp_path / "plates"
    package.mkdir()
    (package / "__init__.py").touch()
    done = run(package, CALL, variants=PATIENT, processes=2, guarded=True, before=OWN, start=["-m", "plates.night"])
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("('as written', 'patient') 0 [")


@pytest.mark.slow
def test_a_policy_of_a_module_that_only_this_process_knows_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Test suites may load modules in a way of their own, under names that nobody else can import."""
    module = ModuleType("plates_policies")
    exec("class Own:\n    def decide(self, case):\n        raise NotImplementedError\n", module.__dict__)
    monkeypatch.setitem(sys.modules, module.__name__, module)
    setting = setting_of(from_settings(NIGHT), "own", {"queues.night.retry": module.Own()})
    with pytest.raises(InputError) as told, open_workers([setting], 2):
        pytest.fail("no night is run")
    assert str(told.value).startswith(
        "own: the retry policy of queue 'night', Own, is not found by another process (ModuleNotFoundError: No module "
        "named 'plates_policies'): put its class into a module of its own"
    )


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="this system cannot hold signals back")
def test_ctrl_c_while_a_process_starts_comes_when_it_has_started(monkeypatch: pytest.MonkeyPatch) -> None:
    """The start is not cut in two: the interrupt comes behind it, and the process is started with Ctrl-C held back."""
    done = list[str]()

    def start(executor: Any, call: Any, *args: Any) -> None:
        os.kill(os.getpid(), signal.SIGINT)
        assert signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ())
        done.append("started")

    monkeypatch.setattr(ProcessPoolExecutor, "submit", start)
    main, before = sys.modules["__main__"], signal.getsignal(signal.SIGINT)
    with own_processes(1) as processes, pytest.raises(KeyboardInterrupt):
        processes.submit(sum, [1, 2])
    assert done == ["started"]
    assert (sys.modules["__main__"], signal.getsignal(signal.SIGINT)) == (main, before)
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())
    with ThreadPoolExecutor(1) as threads, own_processes(1) as processes:  # not the thread that signals come to
        monkeypatch.setattr(ProcessPoolExecutor, "submit", lambda *given: "sent")
        sent: Any = threads.submit(processes.submit, sum, [1, 2])
        assert sent.result() == "sent"


def test_without_scipy_no_night_is_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the end needs is looked for at the beginning, by compare and by size."""
    monkeypatch.setitem(sys.modules, "scipy", None)
    told: list[Any] = []

    def progress(*reached: Any) -> None:
        told.append(reached)

    two = {"two": {"pools.dome.count": 2}}
    with pytest.raises(InputError, match=r"pip install '\.\[stats\]'"):
        compare(NIGHT, variants=two, measures=["makespan"], nights=2, processes=1, progress=progress)
    with pytest.raises(InputError, match=r"pip install '\.\[stats\]'"):
        size(NIGHT, by="pools.dome.count", first=1, last=2, nights=2, processes=1, progress=progress)
    assert told == []
