"""Scripts as processes: what they call, how they are answered, and that nothing of them is left."""

import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from emulator.errors import InputError
from emulator.scripts import processes
from emulator.scripts.processes import Call, Process, ScriptStandsStillError, unknown_commands
from emulator.scripts.starter import Paths, Starter, can_use_namespaces

BASICS = ["bash", "cat", "env", "head", "kill", "python3", "seq", "setsid", "sh", "sleep", "tr", "wc"]
COMMANDS = ["store", "give", "timeout"]

pytestmark = pytest.mark.slow


@pytest.fixture(params=["namespace", "subreaper"])
def starter(request: pytest.FixtureRequest) -> Iterator[Starter]:
    if request.param == "namespace" and not can_use_namespaces():
        pytest.skip("this system lets this user make no PID namespace")
    with Starter(request.param == "namespace") as one:
        yield one


class Place:
    """A folder with a PATH, in which scripts of bash are run."""

    def __init__(self, starter: Starter, folder: Path, client: bytes | None = None) -> None:
        self.starter, self.folder = starter, folder
        self.paths = Paths(folder / "bin", client or starter.first_line, COMMANDS, BASICS)

    def run(self, script: str, **options: object) -> Process:
        work = self.folder / f"work-{len(list(self.folder.iterdir()))}"
        work.mkdir()
        (work / "script").write_text(script)
        return Process(self.starter, ["bash", "script"], work, self.paths.folder, **options)  # type: ignore[arg-type]


@pytest.fixture
def place(starter: Starter, tmp_path: Path) -> Place:
    return Place(starter, tmp_path)


def answered(process: Process, output: bytes = b"") -> tuple[list[list[str]], int | None]:
    """Answer each call with the number that it has, and give the calls and the exit code."""
    calls: list[list[str]] = []
    open_calls: list[Call] = []
    while True:
        stretch = process.run()
        if stretch.exit is not None:
            return calls, stretch.exit
        open_calls += stretch.calls
        first = open_calls.pop(0)
        calls.append(first.argv)
        first.answer(len(calls), output)


def python_stand_in() -> bytes:
    return (
        b"#!"
        + os.path.realpath(sys.executable).encode()
        + b" -ISE\n"
        + (Path(processes.__file__).with_name("stand_in.py").read_bytes())
    )


@pytest.mark.parametrize("client", ["perl", "python"])
def test_a_call_gets_its_answer_and_its_exit_code(starter: Starter, tmp_path: Path, client: str) -> None:
    """A stand-in prints what it is told and ends with the code that it is told, whatever it is written in."""
    place = Place(starter, tmp_path, python_stand_in() if client == "python" else None)
    with place.run('store put a; echo "code $?"; store put b; exit $?') as process:
        assert answered(process, b"out\n") == ([["store", "put", "a"], ["store", "put", "b"]], 2)
    assert process.output == b"out\ncode 1\nout\n"


@pytest.mark.parametrize("client", ["perl", "python"])
def test_a_call_carries_any_bytes(starter: Starter, tmp_path: Path, client: str) -> None:
    """Empty arguments, bytes that are no UTF-8, new lines, 128 KiB in one argument and binary input come through."""
    place = Place(starter, tmp_path, python_stand_in() if client == "python" else None)
    script = (
        "store '' $'\\xff\\xfe' $'two\\nlines' \"$(head -c 131000 /dev/zero | tr '\\0' x)\"\n"
        "head -c 1000000 /dev/zero | give\n"
    )
    with place.run(script, wants_input=lambda argv: argv[0] == "give") as process:
        [call] = process.run().calls
        assert [os.fsencode(it) for it in call.argv[1:4]] == [b"", b"\xff\xfe", b"two\nlines"]
        assert call.argv[4] == "x" * 131000
        call.answer()
        [call] = process.run().calls
        assert call.input == bytes(1_000_000)
        call.answer(0, bytes(range(256)))
        assert process.run().exit == 0
    assert process.output == bytes(range(256))


@pytest.mark.parametrize("client", ["perl", "python"])
def test_a_script_that_closes_its_streams_is_answered(starter: Starter, tmp_path: Path, client: str) -> None:
    """What a stand-in prints then goes nowhere, and its exit code still comes."""
    place = Place(starter, tmp_path, python_stand_in() if client == "python" else None)
    script = "for i in $(seq 100); do (:) & done; wait\nexec 0<&- 1>&- 2>&-\nstore put a; store put b; exit $?"
    with place.run(script) as process:
        assert answered(process, b"out\n") == ([["store", "put", "a"], ["store", "put", "b"]], 2)


def test_standard_input_is_untouched_unless_asked_for(place: Place) -> None:
    """A `while read` loop around a call keeps its list."""
    with place.run("printf 'a\\nb\\nc\\n' | while read -r name; do store put $name; done") as process:
        assert answered(process)[0] == [["store", "put", "a"], ["store", "put", "b"], ["store", "put", "c"]]


def test_calls_side_by_side_come_in_one_order(place: Place) -> None:
    """Helpers that call at the same time are taken in the order of their birth, every time."""
    orders = set()
    for _ in range(10):
        with place.run("for i in 1 2 3 4 5; do store put $i & done; wait") as process:
            orders.add(tuple(call.argv[2] for call in process.run().calls))
    assert orders == {("1", "2", "3", "4", "5")}


def below(starter: Starter) -> set[int]:
    """Give the processes that live below the one that starts scripts, once keepers that were told to end have ended."""
    for _ in range(200):
        if not (found := _below(starter)):
            break
        time.sleep(0.01)
    return found


def _below(starter: Starter) -> set[int]:
    found: set[int] = set()
    todo = [starter._program.pid]
    while todo:
        for task in Path(f"/proc/{todo.pop()}/task").glob("*/children"):
            try:
                children = {int(it) for it in task.read_text().split()}
            except OSError:  # it ended after it was listed, and somebody else has its children now: look again
                return _below(starter)
            found |= children
            todo += children
    return found


HARD_TO_KILL = {
    "daemons": "for i in 1 2 3; do (setsid bash -c 'setsid sleep 1000 & sleep 1000' &) & done; store wait",
    "ignored signals": "trap '' TERM INT HUP; bash -c 'trap \"\" TERM; sleep 1000' & store wait",
    "a chain of forks": "chain() { [ $1 -gt 0 ] && (chain $(($1 - 1))) & sleep 1000; }; chain 20 & store wait",
}


@pytest.mark.parametrize("script", HARD_TO_KILL.values(), ids=HARD_TO_KILL)
def test_a_kill_leaves_no_process(place: Place, script: str) -> None:
    """Whatever a script has started is gone when the kill returns: counted are all processes, not marked ones."""
    with place.run(script) as process:
        assert [it.argv for it in process.run().calls] == [["store", "wait"]]
        started = set(process._look()[1]) - {process._keeper}
        process.kill()
        assert [pid for pid in started if Path(f"/proc/{pid}").exists()] == []
    assert len(started) > 1
    assert below(place.starter) == set()


def test_what_a_script_leaves_running_is_told_and_killed(place: Place) -> None:
    """A script that has ended with a daemon left behind is over; the daemon is killed."""
    with place.run("(setsid sleep 1000 &)\nexit 3") as process:
        stretch = process.run()
    assert (stretch.exit, stretch.left_running) == (3, 1)
    assert below(place.starter) == set()


def test_a_stopped_script_goes_on_where_it_was(place: Place) -> None:
    """A call under way survives a freeze."""
    with place.run("store put a; echo after") as process:
        [call] = process.run().calls
        process.freeze()
        process.thaw()
        call.answer()
        assert process.run().exit == 0
    assert process.output == b"after\n"


def test_a_time_limit_ends_the_command_below_it(place: Place) -> None:
    """`timeout` gives 124 when its limit is over first, and the command's own code when it is not."""
    with place.run("timeout 5 store put a; echo $?; timeout 5 store put b; echo $?") as process:
        [limit] = process.run().calls
        limit.run_limited(15, [str(place.paths.folder / "store"), *limit.argv[3:]])
        [call] = process.run().calls
        limit.end_limit()
        stretch = process.run()
        assert sorted((it.argv[0], it.code) for it in stretch.gone) == [("store", None), ("timeout", 124)]
        [limit] = stretch.calls
        limit.run_limited(15, [str(place.paths.folder / "store"), *limit.argv[3:]])
        [call] = process.run().calls
        call.answer(3)
        stretch = process.run()
        assert [(it.argv[0], it.code) for it in stretch.gone] == [("timeout", 3)]
        assert stretch.exit == 0
    assert process.output == b"124\n3\n"


def test_a_script_that_stands_still_is_named_after_its_limit(place: Place) -> None:
    """Real time without a call or an end is limited, and the error says what was running."""
    with place.run("sleep 1000", real_limit=0.3) as process, pytest.raises(ScriptStandsStillError, match="sleep 1000"):
        process.run()
    assert below(place.starter) == set()


def test_too_many_processes_are_ended(place: Place) -> None:
    """A script that forks without end is ended, and told so."""
    with (
        place.run("while true; do sleep 1000 & done", real_limit=20) as process,
        pytest.raises(ScriptStandsStillError, match="more than 500 processes"),
    ):
        process.run()
    assert below(place.starter) == set()


def test_a_script_that_writes_without_end_is_stopped(place: Place) -> None:
    """A file has a limit: the script dies by the signal for that (SIGXFSZ, 25)."""
    with place.run("exec cat /dev/zero > huge", real_limit=60) as process:
        assert process.run().exit == -25


def test_a_lock_file_of_a_dead_attempt_is_not_taken_for_alive(place: Place) -> None:
    """Each attempt has numbers of its own: `kill -0` on the number of an earlier one finds nobody."""
    with place.run("echo $$; store wait") as process:
        process.run()
        process.kill()
    first = process.output.decode().strip()
    with place.run(f"kill -0 {first} 2>/dev/null && echo alive || echo gone; exit 0") as process:
        process.run()
    assert process.output == b"gone\n"


def test_a_stand_in_without_the_emulator_says_so(place: Place) -> None:
    """Called by hand it ends with 125."""
    with place.run("unset QUEUEDRILL_SOCKET; store put a; exit $?") as process:
        assert process.run().exit == 125
    assert process.error == b"stand-in: the emulator is not there\n"


def test_commands_that_are_not_there_are_told() -> None:
    """What shells print of them is read, of bash and of a plain POSIX shell."""
    said = b"script: line 1: rsync: command not found\nscript: 2: scp: not found\nanything: not found here\n"
    assert unknown_commands(said) == ["rsync", "scp"]


def test_other_systems_are_told_what_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Elsewhere than on Linux nothing is started, and a sentence says why."""
    monkeypatch.setattr(sys, "platform", "darwin")
    with pytest.raises(InputError, match="own scripts need Linux"):
        Starter()
