"""``queuedrill brief``: the page that a board gets, and what is said where it cannot be written."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from small_place import SCENARIO, Ended

YES = "Yes, on what is assumed below; nothing in it is drawn, so all nights are one observation.\n"
Call = Callable[..., Ended]


def test_the_page_is_written_and_the_answer_printed(place: Path, queuedrill: Call) -> None:
    assert queuedrill("brief", "fits.yaml", "--nights", "2", "--processes", "1") == Ended(0, f"{YES}brief.html\n", "")
    page = (place / "brief.html").read_text("utf-8")
    assert page.startswith("<!doctype html>")
    assert "<script" not in page
    assert "queuedrill brief fits.yaml --nights 2 --seed 1 --json" in page


def test_a_page_that_is_there_stays_unless_told_otherwise(place: Path, queuedrill: Call) -> None:
    (place / "mine.html").write_text("mine")
    said = "mine.html: there is a file already: give --overwrite, or another name with -o\n"
    assert queuedrill("brief", "fits.yaml", "-o", "mine.html", "--nights", "2") == Ended(2, "", said)
    assert (place / "mine.html").read_text() == "mine"
    more = ("--nights", "2", "--processes", "1", "--overwrite", "--quiet")
    assert queuedrill("brief", "fits.yaml", "-o", "mine.html", *more) == Ended(0, YES, "")
    assert "Brief for a decision" in (place / "mine.html").read_text("utf-8")


def test_a_missed_requirement_has_the_exit_code_1_and_json_has_all(place: Path, queuedrill: Call) -> None:
    code, out, err = queuedrill("brief", "misses.yaml", "--nights", "2", "--processes", "1", "--json")
    assert (code, err) == (1, "")
    said = json.loads(out)
    assert said["verdict"].startswith("No, on what is assumed below: everything was met in 0 of 2 rehearsed nights")
    assert (said["answer"], said["kept"], said["judged"], said["file"]) == ("does_not_fit", 0, 2, "misses.yaml")
    assert (place / "brief.html").exists()


def test_what_was_set_on_the_command_line_is_told(place: Path, queuedrill: Call) -> None:
    options = ("--change", "seed=9", "--nights", "1", "--processes", "1", "--quiet")
    assert queuedrill("brief", "fits.yaml", *options).code == 0
    assert "queuedrill brief fits.yaml --nights 1 --seed 9 --json --change seed=9" in (place / "brief.html").read_text(
        "utf-8"
    )


def test_too_few_nights_have_a_code_of_their_own(place: Path, queuedrill: Call) -> None:
    (place / "drawn.yaml").write_text(SCENARIO.replace("takes: 10m", "takes: {between: [8m, 9m]}"))
    few = ("brief", "drawn.yaml", "--nights", "3", "--processes", "1", "--quiet", "--overwrite")
    said = "Open: everything was met in 3 of 3 rehearsed nights, which are too few to decide.\n"
    assert queuedrill(*few) == Ended(4, said, "")
    assert queuedrill(*few, "--undecided", "0") == Ended(0, said, "")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("no-such.yaml",), "no-such.yaml: unreadable: cannot be read: No such file or directory"),
        (("wrong.yaml",), "unknown key 'lsts': did you mean 'lasts'?"),
        (("fits.yaml", "-o", "fits.yaml"), "fits.yaml is what is read: name another file to write to."),
        (("fits.yaml", "-o", "no/such/folder.html"), "cannot be written: No such file or directory"),
        (("fits.yaml", "-o", "."), "there is a file already: give --overwrite"),
        (("fits.yaml", "--nights", "0"), "0 is not in the range 1<=x<=1000000"),
        (("fits.yaml", "--nights", "many"), "'many' is not a valid integer"),
        (("fits.yaml", "--seed", "-1"), "-1 is not in the range x>=0"),
        (("fits.yaml", "--change", "no.such=1"), "no.such"),
        (("fits.yaml", "misses.yaml"), "unexpected extra argument"),
    ],
)
def test_wrong_input_is_told_and_nothing_is_written(
    arguments: tuple[str, ...], said: str, place: Path, queuedrill: Call
) -> None:
    code, out, err = queuedrill("brief", *arguments)
    assert (code, out) == (2, "")
    assert said in err
    assert not (place / "brief.html").exists()
