"""``queuedrill page``: a log becomes one file, the same every time."""

from pathlib import Path

import pytest

from emulator.cli.main import answer


@pytest.fixture
def log(place: Path) -> Path:
    """A log of a night that fits."""
    assert answer(["run", "--quiet", "--log", "night.db", "fits.yaml"]) == 0
    return place / "night.db"


def test_a_log_becomes_the_same_page_every_time(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two pages of one log are the same bytes, and nothing in them says where or when they were made."""
    capsys.readouterr()
    assert (answer(["page", "night.db"]), answer(["page", "night.db", "-o", "two.html"])) == (0, 0)
    assert capsys.readouterr() == ("page.html\ntwo.html\n", "")
    page = (log.parent / "page.html").read_bytes()
    assert (page == (log.parent / "two.html").read_bytes(), str(log.parent).encode() in page) == (True, False)


def test_a_file_that_is_there_is_kept(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A page takes the place of another file only when told to."""
    kept = log.parent / "kept.html"
    kept.write_text("mine")
    capsys.readouterr()
    assert answer(["page", "night.db", "-o", "kept.html"]) == 2
    assert (capsys.readouterr().out, kept.read_text()) == ("", "mine")
    assert answer(["page", "night.db", "-o", "kept.html", "--overwrite"]) == 0
    assert kept.read_text().startswith("<!doctype html>")


@pytest.mark.parametrize("arguments", [["none.db"], ["fits.yaml"], ["night.db", "-o", "no/such/folder.html"]])
def test_what_cannot_be_read_or_written_is_said(
    log: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that is no log, or a place that cannot be written to, ends with 2 and names the file."""
    capsys.readouterr()
    code = answer(["page", *arguments])
    out, err = capsys.readouterr()
    assert (code, out, arguments[-1] in err, "Traceback" in err) == (2, "", True, False)
