"""``queuedrill rerun``: its whole output, its exit codes, and that nothing is run without being asked for."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from small_place import Ended

SCENARIOS = Path(__file__).parents[2] / "scenarios" / "scripts"

pytestmark = pytest.mark.slow

Call = Callable[..., Ended]


@pytest.fixture
def scripts(place: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(SCENARIOS, place / "scripts")
    monkeypatch.setenv("XDG_STATE_HOME", str(place / "state"))
    return place / "scripts" / "scripts.yaml"


def test_a_script_that_may_not_be_run_again(scripts: Path, queuedrill: Call) -> None:
    """The answer comes first, then one row a point, what would make it safe, and the caution."""
    ended = queuedrill("rerun", "scripts/scripts.yaml", "copy-plates-asking", "--yes", "--parameter", "plates=plate-1")
    assert ended.code == 1
    assert (
        ended.out
        == """\
Not safe to run again.
When the machine dies: safe at all 5 points.
When it sleeps and wakes: 'archived' is repeated at 2 of 5 points, first after
call 1 (store has plate-1, line 3), before its answer.

Where it was cut off, and what was left
  point     line  call               dies  wakes
  1-before  3     store has plate-1  safe  safe
  1-after   3     store has plate-1  safe  repeats
  2-before  4     store put plate-1  safe  repeats
  2-after   4     store put plate-1  safe  safe
  end                                safe  safe

One point with all that it left: --only POINT --keep FOLDER. Every target and
file: --json, --page FILE.

What would make it safe
  Against waking: asking first does not help, because the other attempt acts
  between check and effect. The system must refuse the second: put if absent, a
  fencing token, or an idempotency key.

The script was really run, with your rights, against stand-ins. What it does by
absolute paths or by libraries was not seen. Try it on copies first: your
organisation's change control decides.
"""
    )


def test_a_script_that_may_be_run_again(scripts: Path, queuedrill: Call) -> None:
    """Safe is said in one sentence, and ends with 0."""
    ended = queuedrill("rerun", str(scripts), "copy-plates-once", "--yes", "--quiet", "--parameter", "plates=plate-1")
    assert (ended.code, ended.out) == (
        0,
        "Safe to run again: all 3 points were tried, when the machine dies and when it sleeps and wakes.\n",
    )


def test_the_exit_code_is_that_of_what_was_tried(scripts: Path, queuedrill: Call) -> None:
    """Tried against dying alone, asking first is enough."""
    plate = ("--parameter", "plates=plate-1")
    ended = queuedrill("rerun", str(scripts), "copy-plates-asking", "--yes", "--quiet", "--when", "dies", *plate)
    assert (ended.code, ended.out) == (0, "Safe to run again: all 5 points were tried, when the machine dies.\n")


def test_one_point_is_repeated_and_what_it_left_is_kept(scripts: Path, queuedrill: Call, place: Path) -> None:
    """``--only`` tries one point, ``--keep`` copies folders, output and calls of each attempt."""
    ended = queuedrill(
        "rerun", str(scripts), "close-dome", "--yes", "--only", "2-after", "--when", "dies", "--keep", "left"
    )
    assert ended.code == 1
    kept = place / "left" / "2-after-dies"
    assert sorted(it.name for it in kept.iterdir())[0] == "attempt-1-machine-1"
    assert (kept / "attempt-2-machine-2" / "error").read_text() == "the dome is being closed by somebody else\n"
    assert (kept / "attempt-1-machine-1" / "files" / "dome.lock").exists()
    assert (kept / "attempt-1-machine-1" / "calls").read_text() == (
        "close-dome.sh:7 dome is-closed: exit 1\nclose-dome.sh:7 dome close: no answer\n"
    )


def test_files_for_builds(scripts: Path, queuedrill: Call, place: Path) -> None:
    """The page, the test results and the JSON say the same as the screen."""
    arguments = ("rerun", str(scripts), "copy-plates", "--yes", "--parameter", "plates=plate-1", "--refuse")
    ended = queuedrill(*arguments, "--json", "--page", "again.html", "--junit", "again.xml")
    said = json.loads(ended.out)
    assert ended.code == 1
    assert said["safe"] is False
    assert [(it["point"], it["when"], it["safe"]) for it in said["points"]] == [
        ("1-before", "dies", True),
        ("1-before", "wakes", False),
        ("1-before", "refused", True),
        ("1-after", "dies", False),
        ("1-after", "wakes", False),
        ("end", "dies", False),
        ("end", "wakes", False),
    ]
    suite = ET.parse(place / "again.xml").getroot()
    assert (suite.get("tests"), suite.get("failures")) == ("7", "5")
    page = (place / "again.html").read_text()
    assert "Not safe to run again." in page and "repeated: archived plate-1" in page and "<script" not in page
    again = queuedrill(*arguments, "--page", "again.html")
    assert (again.code, "there is a file already" in again.err) == (2, True)


def test_nothing_is_run_unasked(scripts: Path, queuedrill: Call) -> None:
    """Without a terminal to ask on, and without ``--yes``, nothing is started, and the caution is given."""
    ended = queuedrill("rerun", str(scripts), "copy-plates", "--parameter", "plates=plate-1")
    assert ended.code == 2
    assert "will really be run" in ended.err and "give --yes" in ended.err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("copy-plate",), "there is no script 'copy-plate': did you mean 'copy-plates'?"),
        (("copy-plates",), "{plates} has no value: give --parameter plates=VALUE"),
        (("close-dome", "--parameter", "plates=a"), "close-dome uses no parameter 'plates': it uses no parameter"),
        (("copy-plates", "--parameter", "plates"), "--parameter 'plates': write NAME=VALUE"),
        (("copy-plates", "--parameter", "plates=a", "--only", "9-after"), "there is no point 9-after"),
        (("copy-plates", "--parameter", "plates=a", "--only", "middle"), "there is no point 'middle'"),
        (("copy-plates", "--parameter", "plates=a", "--keep", "scripts"), "scripts: there is something already"),
    ],
)
def test_wrong_input_is_told(scripts: Path, queuedrill: Call, arguments: tuple[str, ...], said: str) -> None:
    """What is wrong on the command line is told with what to write instead."""
    ended = queuedrill("rerun", str(scripts), *arguments, "--yes")
    assert (ended.code, said in ended.err) == (2, True), ended.err


def test_a_call_without_an_answer_is_a_mistake_of_the_file(scripts: Path, queuedrill: Call) -> None:
    """The call, its arguments and its line are named; the exit code is 2."""
    (scripts.parent / "copy-plates.sh").write_text("store put $1\nstore polish $1\n")
    ended = queuedrill("rerun", str(scripts), "copy-plates", "--yes", "--parameter", "plates=plate-1")
    assert ended.code == 2
    assert ended.err == ("no `when` of the command store fits the call: copy-plates.sh:2 store polish plate-1\n")


def test_a_script_that_is_wrong_by_itself_is_said_to_be_so(scripts: Path, queuedrill: Call) -> None:
    """A script that never succeeds undisturbed cannot be judged."""
    (scripts.parent / "copy-plates.sh").write_text("store put $1\nexit 3\n")
    ended = queuedrill("rerun", str(scripts), "copy-plates", "--yes", "--parameter", "plates=plate-1")
    assert (ended.code, ended.out) == (
        2,
        "copy-plates cannot be judged: undisturbed, the script never succeeds: its\n"
        "attempts end with 3, 3, 3, 3, 3, 3.\n",
    )


def test_a_script_that_stands_still_is_said_to_do_so(scripts: Path, queuedrill: Call) -> None:
    """Its limit of real time is named, and what was running."""
    (scripts.parent / "copy-plates.sh").write_text("python3 -c 'import time; time.sleep(1000)'\n")
    limited = scripts.read_text().replace("files: [copy-plates.sh]", "files: [copy-plates.sh], real_limit: 300ms", 1)
    scripts.write_text(limited + "basics: [bash, python3]\n")
    ended = queuedrill("rerun", str(scripts), "copy-plates", "--yes", "--parameter", "plates=plate-1")
    said = " ".join(ended.out.split())
    assert ended.code == 2
    assert "undisturbed, the script stands still: after 0.3 s of real time it has neither called nor ended" in said
    assert "time.sleep(1000)" in said


def test_a_secret_value_is_shown_nowhere(scripts: Path, queuedrill: Call, place: Path) -> None:
    """A parameter that is called token is in no report, also where a call has it among its arguments."""
    text = scripts.read_text().replace("plates}", "token}")
    scripts.write_text(text)
    arguments = ("rerun", str(scripts), "copy-plates", "--yes", "--parameter", "token=sesame-4711")
    ended = queuedrill(*arguments, "--page", "again.html", "--junit", "again.xml", "--json")
    assert "(hidden)" in ended.out
    said = ended.out + ended.err + (place / "again.html").read_text() + (place / "again.xml").read_text()
    assert "sesame" not in said
