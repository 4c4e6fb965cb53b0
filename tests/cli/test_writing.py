"""Where results are written: never over what they are made from, and never half."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from small_place import SCENARIO, Ended

from emulator.report.writing import same_file, write_whole

Program = Callable[..., Ended]
READ = "is what is read: name another file to write to."


@pytest.mark.parametrize("option", ["--page", "--log"])
def test_a_hard_link_to_the_scenario_is_the_scenario(place: Path, queuedrill: Program, option: str) -> None:
    """``run`` refuses to write into its own scenario by another name of it."""
    os.link(place / "fits.yaml", place / "b.out")
    done = queuedrill("run", "fits.yaml", option, "b.out", "--overwrite", "--quiet")
    assert (done.code, done.out, f"b.out {READ}" in done.err) == (2, "", True)
    assert (place / "fits.yaml").read_text() == SCENARIO


@pytest.mark.parametrize("command", [["page"], ["export", "--as", "jobs-csv"]])
def test_a_hard_link_to_the_log_is_the_log(faulty_log: Path, queuedrill: Program, command: list[str]) -> None:
    """``page`` and ``export`` refuse to write into their log by another name of it."""
    os.link(faulty_log, "b.out")
    before = faulty_log.read_bytes()
    done = queuedrill(*command, "night.db", "-o", "b.out", "--overwrite")
    assert (done.code, done.out, "b.out" in done.err) == (2, "", True)
    assert faulty_log.read_bytes() == before


def test_two_names_of_one_file_are_one_file(place: Path, queuedrill: Program) -> None:
    """Two results do not go into one file, even by two names of it."""
    (place / "a.csv").write_text("mine")
    os.link("a.csv", "b.md")
    done = queuedrill("compare", "fits.yaml", "misses.yaml", "--csv", "a.csv", "--markdown", "b.md")
    assert (done.code, "b.md is named twice" in done.err, (place / "a.csv").read_text()) == (2, True, "mine")


def test_a_page_does_not_take_the_place_of_a_trace(place: Path, queuedrill: Program) -> None:
    """What a scenario reads beside itself is an input too."""
    (place / "jobs.csv").write_text("at\n21:35\n")
    (place / "traced.yaml").write_text(SCENARIO.replace('count: 2, at: "21:35"', "trace: jobs.csv"))
    done = queuedrill("run", "traced.yaml", "--page", "jobs.csv", "--overwrite", "--quiet")
    assert (done.code, f"jobs.csv {READ}" in done.err) == (2, True)
    assert (place / "jobs.csv").read_text() == "at\n21:35\n"


def test_a_page_that_fails_leaves_the_old_one(place: Path) -> None:
    """A failure while a text is written leaves the old file, and nothing beside it."""
    (place / "old.html").write_text("old")
    before = sorted(os.listdir(place))
    with pytest.raises(UnicodeEncodeError):
        write_whole("old.html", "new" * 100_000 + "\ud800")
    with pytest.raises(UnicodeEncodeError):
        write_whole("new.html", "new" * 100_000 + "\ud800")
    assert ((place / "old.html").read_text(), sorted(os.listdir(place))) == ("old", before)


def test_a_text_goes_where_a_link_leads_and_leaves_rights_alone(place: Path) -> None:
    """What is written through a symbolic link is the file behind it, with the rights it had."""
    old = place / "old.html"
    old.write_text("old")
    old.chmod(0o640)
    (place / "link.html").symlink_to("old.html")
    write_whole("link.html", "new\r\n")
    assert ((place / "link.html").is_symlink(), old.read_bytes(), old.stat().st_mode & 0o777) == (
        True,
        b"new\r\n",
        0o640,
    )


@pytest.mark.slow
def test_pipes_take_what_is_written(place: Path) -> None:
    """A named pipe gets the whole of a text and no end before it, and so does what /dev/stdout leads to."""
    os.mkfifo(place / "evidence")
    run = [sys.executable, "-m", "emulator", "run", "fits.yaml", "--quiet", "--evidence"]
    reader = subprocess.Popen(["cat", "evidence"], stdout=subprocess.PIPE, text=True)
    try:
        done = subprocess.run([*run, "evidence"], capture_output=True, text=True)
        read, _ = reader.communicate(timeout=10)
    finally:
        reader.kill()
    assert (done.returncode, done.stderr, done.stdout) == (0, "", "The night fits: the one requirement is met.\n")
    done = subprocess.run([*run, "/dev/stdout"], capture_output=True, text=True)
    assert (done.returncode, done.stderr, done.stdout) == (
        0,
        "",
        f"{read}The night fits: the one requirement is met.\n",
    )
    assert json.loads(read)["format"] == "evidence of a run, 1"


def test_a_file_in_a_folder_that_takes_no_other_is_written_itself(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nothing can be made beside a file, the file itself is written."""
    (place / "old.html").write_text("old")

    def refuse(*_: object) -> None:
        raise PermissionError

    monkeypatch.setattr(os, "replace", refuse)
    write_whole("old.html", "new")
    with pytest.raises(PermissionError):
        write_whole("fresh.html", "new")
    assert ((place / "old.html").read_text(), (place / "fresh.html").exists()) == ("new", False)


def test_a_missing_file_is_itself_by_its_path(place: Path) -> None:
    """Two paths are one file where they resolve to the same, even before it is there."""
    (place / "link").symlink_to("none")
    assert [same_file("link", "./none"), same_file("none", "other"), same_file("fits.yaml", "none")] == [
        True,
        False,
        False,
    ]


SIZED = ("size", "fits.yaml", "--by", "pools.dome.count", "--values", "1,2", "--nights", "1", "--processes", "1")
COMPARED = ("compare", "fits.yaml", "misses.yaml", "--nights", "1", "--processes", "1")


@pytest.mark.parametrize(
    ("command", "option", "written"),
    [
        (SIZED, "--csv", "mine"),
        (COMPARED, "--csv", "mine"),
        (COMPARED, "--markdown", "mine"),
        (COMPARED, "--page", "mine"),
        (COMPARED, "--pictures", "differences.svg"),
    ],
)
def test_what_is_there_stays_unless_it_may_be_replaced(
    place: Path, queuedrill: Program, command: tuple[str, ...], option: str, written: str
) -> None:
    """A file of somebody else is kept; with --overwrite it is replaced, and without a file that says nothing."""
    there = "." if option == "--pictures" else written
    (place / written).write_text("mine")
    done = queuedrill(*command, option, there, "--quiet")
    assert (done.code, "there is a file already: give --overwrite" in done.err) == (2, True)
    assert (place / written).read_text() == "mine"
    assert queuedrill(*command, option, there, "--overwrite", "--quiet").code != 2
    assert (place / written).read_text() != "mine"
    assert "name one to write too" in queuedrill(*command, "--overwrite").err


@pytest.mark.parametrize("by", [("--by", "lasts", "--by", "lasts"), ("--by", "\x1b[31m"), ("--by", "")])
def test_a_path_that_is_wrong_is_told_by_its_option(place: Path, queuedrill: Program, by: tuple[str, ...]) -> None:
    """The same path twice, and what is no path, are mistakes in --by."""
    done = queuedrill("size", "fits.yaml", *by, "--values", "1,2", "--nights", "1", "--processes", "1")
    assert (done.code, done.out, "--by" in done.err.splitlines()[-1], "\x1b" in done.err) == (2, "", True, False)
