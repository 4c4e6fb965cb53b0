"""Whether the observatory's scripts may be run again: at each point what is expected was worked out by hand.

Marks, one a point, in order: ``.`` safe, ``r`` an effect is repeated, ``m`` one is missing, ``l`` something is left
over, ``f`` a file differs, ``n`` it never succeeds again.

How they were worked out: a script with n calls has the points 1-before, 1-after, ..., n-after, end. What dies before
its k-th call has done the calls before k, what dies after it has done the k-th too; a second run on another machine
then does what the script does from its first line. What sleeps instead does, once it wakes, all that it had left.
"""

import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

import emulator
from emulator.errors import InputError
from emulator.scripts.load import load_scripts
from emulator.scripts.rerun import Found, Judgement, rerun
from emulator.scripts.running import Tried
from emulator.scripts.starter import Starter

SCENARIOS = Path(__file__).parents[2] / "scenarios" / "scripts"
TWO = {"plates": ["plate-1", "plate-2"]}

DIES = {
    # put, put: each put before the cut is done once more
    "copy-plates": ". r r r r",
    # has, put, has, put: what is there is left alone
    "copy-plates-asking": ". . . . . . . . .",
    "copy-plates-once": ". . . . .",
    # is-closed, close, under a lock that outlives its holder: from the first call to the last the lock stays; the dome
    # is closed only from 2-after on, and the file of the lock is there where it should not be
    "close-dome": "mfn mfn mfn fn .",
    "close-dome-careful": ". . . . .",
    # take, put-cold, take, put-cold
    "move-plates": ". r r r r r r r r",
    "move-plates-careful": " ".join("." * 17),
    # has, has, mail: a report of 0 or 1 lines is taken for a whole one
    "night-report": "mlf mlf mlf mlf . r r",
    "night-report-careful": ". . . . . . .",
    "flush-buffer": ". r r",
    "flush-buffer-careful": ". . . . .",
}

WAKES = {
    "copy-plates": "r r r r r",
    # asleep between question and deed: after `has`, and before `put`
    "copy-plates-asking": ". r r . . r r . .",
    "copy-plates-once": ". . . . .",
    # the other attempt never gets past the lock, and the woken one does all the rest: the job has failed
    "close-dome": "n n n n .",
    "close-dome-careful": ". r r . .",
    "move-plates": "r r r r r r r r r",
    "move-plates-careful": ". r r . . r r . . r r . . r r . .",
    # the other attempt sends a report of the 0 or 1 lines there are, and the woken one the whole one of 2
    "night-report": "l l l l r r r",
    "night-report-careful": ". . . . . . .",
    "flush-buffer": "r r r",
    "flush-buffer-careful": ". r r . .",
}


def marks(found: Found) -> str:
    """Write what came of a point as the tables above do."""
    said = (
        ("r", found.repeated),
        ("m", found.missing),
        ("l", found.extra),
        ("f", found.files),
        ("n", not found.done),
    )
    return "".join(mark for mark, is_so in said if is_so) or "."


@pytest.fixture(scope="module")
def starter() -> object:
    with Starter() as one:
        yield one


def judged(name: str, starter: Starter) -> Judgement:
    loaded = load_scripts(SCENARIOS / "scripts.yaml")
    return rerun(loaded, name, TWO if "{plates}" in loaded.scripts.scripts[name].argv else {}, starter=starter)


@pytest.mark.slow
@pytest.mark.parametrize("name", DIES)
def test_each_point_of_each_script_ends_as_worked_out_by_hand(name: str, starter: Starter) -> None:
    """Where a script is cut off, what is repeated, missing or left over is what reading it says."""
    found = judged(name, starter)
    assert (" ".join(map(marks, found.of("dies"))), " ".join(map(marks, found.of("wakes")))) == (
        DIES[name],
        WAKES[name],
    )


@pytest.mark.slow
def test_a_test_suite_asks_with_one_assertion_or_point_by_point() -> None:
    """``assert_safe`` fails with the whole report; ``rerun_points`` names each point for pytest."""
    emulator.rerun(SCENARIOS / "scripts.yaml", "copy-plates-once", plates=["plate-1"]).assert_safe()
    asking = emulator.rerun(SCENARIOS / "scripts.yaml", "copy-plates-asking", plates=["plate-1"])
    asking.assert_safe(when="dies")
    with pytest.raises(AssertionError, match="Not safe to run again"):
        asking.assert_safe()
    points = emulator.rerun_points(SCENARIOS / "scripts.yaml", "flush-buffer", whens=("dies",))
    assert [(it.id, it.values[0].is_safe) for it in points] == [
        ("1-before-dies", True),
        ("1-after-dies", False),
        ("end-dies", False),
    ]


@pytest.mark.slow
def test_folders_of_killed_emulators_are_swept_and_others_are_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What nobody has locked goes at the next start; what is in use, and what was never ours, stays."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    left, foreign = tmp_path / "queuedrill-scripts-left", tmp_path / "queuedrill-scripts-foreign"
    left.mkdir()
    (left / ".lock").touch()
    foreign.mkdir()
    with Starter() as used:
        assert (left.exists(), foreign.exists(), used.folder.exists()) == (False, True, True)
        with Starter():
            assert used.folder.exists()
    assert sorted(it.name for it in tmp_path.iterdir()) == ["queuedrill-scripts-foreign"]


@pytest.mark.slow
def test_a_killed_emulator_leaves_no_process(tmp_path: Path) -> None:
    """The emulator is killed while its script waits for an answer: the script and its keeper are gone soon after."""
    program = (
        "import sys, time\nfrom pathlib import Path\n"
        "from emulator.scripts.processes import Process\n"
        "from emulator.scripts.starter import Paths, Starter\n"
        "folder = Path(sys.argv[1])\nstarter = Starter()\n"
        "paths = Paths(folder / 'bin', starter.first_line, ['store'], ['bash', 'sleep'])\n"
        "(folder / 'script').write_text('sleep 1000 & store wait')\n"
        "process = Process(starter, ['bash', 'script'], folder, paths.folder)\nprocess.run()\n"
        "print(*process._look()[1], flush=True)\ntime.sleep(1000)\n"
    )
    with subprocess.Popen([sys.executable, "-c", program, str(tmp_path)], stdout=subprocess.PIPE, text=True) as killed:
        assert killed.stdout is not None
        numbers = killed.stdout.readline().split()
        killed.kill()
    assert len(numbers) == 4
    for _ in range(500):
        if not (left := [it for it in numbers if Path(f"/proc/{it}").exists()]):
            break
        time.sleep(0.01)
    assert left == []


LANGUAGES = {
    "sh": ("put.sh", 'for plate in a b; do store has "$plate" || store put "$plate" || exit 1; done\n'),
    "bash": ("put.bash", 'for plate in a b; do store has "$plate" || store put "$plate" || exit 1; done\n'),
    "perl": (
        "put.pl",
        'for (qw(a b)) { system("store", "has", $_) == 0 or system("store", "put", $_) == 0 or exit 1 }\n',
    ),
    "python3": (
        "put.py",
        "import subprocess\nfor plate in 'ab':\n    if subprocess.call(['store', 'has', plate]):\n"
        "        subprocess.check_call(['store', 'put', plate])\n",
    ),
    "node": (
        "put.js",
        "const run = (...words) => require('child_process').spawnSync('store', words).status;\n"
        "for (const plate of ['a', 'b']) if (run('has', plate)) if (run('put', plate)) process.exit(1);\n",
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("language", LANGUAGES)
def test_scripts_of_other_languages_are_judged_alike(language: str, tmp_path: Path, starter: Starter) -> None:
    """Whatever it is written in, a script that asks first is safe when its machine dies and not when it wakes."""
    if shutil.which(language) is None:
        pytest.skip(f"{language} is not on this machine")
    name, text = LANGUAGES[language]
    (tmp_path / name).write_text(text)
    (tmp_path / "scripts.yaml").write_text(
        f"scripts:\n  put: {{argv: [{language}, {name}], files: [{name}]}}\n"
        "commands:\n  store:\n"
        '    - {when: [has, "{plate}"], answers: {effect: archived, target: "{plate}"}}\n'
        '    - {when: [put, "{plate}"], takes: 40s, effect: archived, target: "{plate}", repeatable: false}\n'
    )
    found = rerun(load_scripts(tmp_path / "scripts.yaml"), "put", {}, starter=starter)
    assert [" ".join(map(marks, found.of("dies"))), " ".join(map(marks, found.of("wakes")))] == [
        ". . . . . . . . .",
        ". r r . . r r . .",
    ]


def undisturbed(tmp_path: Path, starter: Starter, script: str, store: str, more: str = "") -> Tried:
    """Run a script once, with one stand-in, and give how it went."""
    (tmp_path / "go.sh").write_text(script)
    (tmp_path / "scripts.yaml").write_text(
        f"scripts:\n  go: {{argv: [bash, go.sh], files: [go.sh]}}\ncommands:\n  store:\n    - {store}\n{more}"
    )
    return rerun(load_scripts(tmp_path / "scripts.yaml"), "go", {}, whens=(), starter=starter).undisturbed.tried[0]


@pytest.mark.slow
def test_a_stand_in_dies_in_the_middle_of_its_output(tmp_path: Path, starter: Starter) -> None:
    """It prints half a line and dies by a signal: the shell sees 128 and the signal's number."""
    one = undisturbed(tmp_path, starter, "store get; echo $?", '{when: [get], prints: "plate-", dies_by: TERM}')
    assert one.output == b"plate-143\n"


@pytest.mark.slow
def test_another_answer_for_the_second_call(tmp_path: Path, starter: Starter) -> None:
    """``on_call`` answers the n-th call of an attempt otherwise."""
    store = '{when: [get], on_call: {"2": {exit: 9, prints_error: "busy\\n"}}}'
    one = undisturbed(tmp_path, starter, "store get; store get; echo $?; store get; echo $?", store)
    assert (one.output, one.error) == (b"9\n0\n", b"busy\n")


@pytest.mark.slow
def test_virtual_commands_cost_no_real_time(tmp_path: Path, starter: Starter) -> None:
    """An hour's sleep passes at once; `timeout` ends a sleep and a slow call with 124, by the virtual clock."""
    script = (
        "date +%T; sleep 1h; date +%T; timeout 2 sleep 100; echo $?; timeout 30 store put; echo $?\n"
        "timeout 50 store put; echo $?; date +%T; sleep -x; echo $?; exit 0\n"
    )
    with pytest.raises(InputError, match="sleep: '-x' is no time"):
        undisturbed(tmp_path, starter, script, "{when: [put], takes: 40s}")
    one = undisturbed(tmp_path, starter, script.replace("sleep -x; echo $?; ", ""), "{when: [put], takes: 40s}")
    assert one.output == b"00:00:00\n01:00:00\n124\n124\n0\n01:01:12\n"


@pytest.mark.slow
def test_the_real_commands_are_there_when_they_are_asked_for(tmp_path: Path, starter: Starter) -> None:
    """With ``real`` a sleep takes real time, and the report says that it was waited for."""
    one = undisturbed(tmp_path, starter, "sleep 0.3; store put", "{when: [put]}", "real: [sleep]\n")
    assert one.notes == ["it waited in real time, by a timer of its own"]
    assert one.exit == 0


@pytest.mark.slow
def test_a_pipe_that_is_closed_early_ends_a_stand_in_as_it_ends_any_program(tmp_path: Path, starter: Starter) -> None:
    """A reader that leaves kills the writer by SIGPIPE; appending and reading back work."""
    script = "store list | head -n 1 >> seen; store list >> seen; wc -l < seen; exit ${PIPESTATUS[0]}\n"
    one = undisturbed(tmp_path, starter, script, '{when: [list], prints: "a\\nb\\n"}')
    assert (one.output.strip(), one.exit) == (b"3", 0)
