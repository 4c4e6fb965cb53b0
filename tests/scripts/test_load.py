"""Mistakes in a file of scripts: all at once, each at its line and column, with what to write instead."""

from pathlib import Path

import pytest

from emulator.errors import ScenarioError
from emulator.scripts.load import load_scripts
from emulator.scripts.stand_ins import hidden, without

RIGHT = """\
scripts:
  copy:
    argv: [bash, copy.sh, "{plate}"]
    files: [copy.sh]
commands:
  store:
    - {when: [put, "{plate}"], calls: archive, effect: archived, target: "{plate}"}
    - {when: [has, "{plate}"], answers: {effect: archived, target: "{plate}"}}
systems:
  archive: {slots: 2}
hide: [door]
"""

MISTAKES = {
    "argv: [bash": (
        "argvs: [bash",
        ["3:5: scripts.copy.argvs: unknown key 'argvs': did you mean 'argv'?"],
    ),
    "files: [copy.sh]": (
        "files: [copi.sh]",
        ["4:13: scripts.copy.files.0: there is no file 'copi.sh'"],
    ),
    "calls: archive,": (
        "calls: archiv,",
        ["7:39: commands.store.0.calls: there is no system 'archiv': did you mean"],
    ),
    'target: "{plate}"}\n    - {when': (
        'target: "{plates}"}\n    - {when',
        ["7:74: commands.store.0.target: nothing is filled in for {plates}: did you mean 'plate'?"],
    ),
    "answers: {effect: archived": (
        "answers: {effect: archive",
        ["8:50: commands.store.1.answers.effect: no command has the effect 'archive': did you mean 'archived'?"],
    ),
    'effect: archived, target: "{plate}"}\n    -': (
        'repeatable: false, target: "{plate}"}\n    -',
        ["commands.store.0.repeatable: `repeatable` is about an effect: say which with `effect`"],
    ),
    "  store:": ("  sleep:", ["commands.sleep: sleep is a stand-in of the program itself: give `real: [sleep]` first"]),
    "slots: 2": ("slots: two", ["10:20: systems.archive.slots: found 'two': a whole number from 1 to 10000000"]),
    "hide: [door]": ("real: [door]", ["11:8: real.0: found 'door': allowed are: sleep, timeout, date"]),
    "files: [copy.sh]\n": ("files: [../copy.sh]\n", ["a file below the folder of this file is wanted"]),
    "argv: [bash, copy.sh": ("argv: [./other.sh", ["scripts.copy.argv.0: './other.sh' is not among `files`"]),
}


def loaded(folder: Path, text: str) -> list[str]:
    (folder / "copy.sh").write_text("store put $1\n")
    (folder / "scripts.yaml").write_text(text)
    try:
        load_scripts(folder / "scripts.yaml")
    except ScenarioError as wrong:
        return [str(it).removeprefix(f"{folder}/scripts.yaml:") for it in wrong.problems]
    return []


def test_a_right_file_is_read(tmp_path: Path) -> None:
    """The file that the mistakes below are made in has none."""
    assert loaded(tmp_path, RIGHT) == []


@pytest.mark.parametrize("right", MISTAKES)
def test_a_mistake_is_told_at_its_place(tmp_path: Path, right: str) -> None:
    """Each mistake has its line and column and says what is wanted."""
    wrong, wanted = MISTAKES[right]
    assert right in RIGHT
    said = loaded(tmp_path, RIGHT.replace(right, wrong))
    missing = [it for it in wanted if not any(it in one for one in said)]
    assert missing == [], said


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    """What a script is given lies below the folder of its file."""
    (tmp_path / "inner").mkdir()
    (tmp_path / "secret").write_text("x")
    (tmp_path / "inner" / "link").symlink_to("../secret")
    said = loaded(tmp_path / "inner", RIGHT.replace("[copy.sh]", "[copy.sh, link]"))
    assert said == ["4:22: scripts.copy.files.1: 'link' leads out of this file's folder: copy what it leads to"]


def test_the_digest_changes_with_each_version_of_what_is_run(tmp_path: Path) -> None:
    """Who has agreed to run a file is asked again when the file, or a script of it, has changed."""
    loaded(tmp_path, RIGHT)
    first = load_scripts(tmp_path / "scripts.yaml").digest
    assert load_scripts(tmp_path / "scripts.yaml").digest == first
    (tmp_path / "copy.sh").write_text("store put $1 # changed\n")
    assert load_scripts(tmp_path / "scripts.yaml").digest != first


def test_secrets_are_hidden(tmp_path: Path) -> None:
    """What the file hides, and what is called token, secret or password, is shown nowhere."""
    loaded(tmp_path, RIGHT)
    scripts = load_scripts(tmp_path / "scripts.yaml").scripts
    values = {"door": "4711-x", "api_token": "t0ken!", "plate": "plate-7"}
    assert hidden(scripts, values) == {"door": "(hidden)", "api_token": "(hidden)", "plate": "plate-7"}
    assert without(scripts, values, "open 4711-x with t0ken! for plate-7") == "open (hidden) with (hidden) for plate-7"
