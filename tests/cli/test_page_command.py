"""``queuedrill page``: a log becomes one file, the same every time."""

import base64
import re
import zlib
from html import unescape
from pathlib import Path

import pytest

from emulator import nights
from emulator.cli.main import answer

SCENARIOS = Path(__file__).parents[2] / "scenarios"
GOLDEN = Path(__file__).parents[1] / "golden" / "page.html"


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


@pytest.mark.slow
def test_a_story_on_a_page_is_that_of_the_command_line(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Word for word, from the log and from the night, with what another setting would have changed."""
    jitter = str(SCENARIOS / "lease-too-short-for-jitter.yaml")
    assert answer(["run", "--quiet", "--log", "it.db", "--page", "run.html", jitter]) == 1  # it does not fit
    assert answer(["page", "it.db"]) == 0
    pages = [(place / name).read_text("utf-8") for name in ("page.html", "run.html")]
    told = 0
    for job, story in re.findall(r'id="job-(\d+)".*?<div class="story">(.*?)</div>', pages[0], flags=re.DOTALL):
        capsys.readouterr()
        assert answer(["story", "it.db", job]) == 0
        said = capsys.readouterr().out
        told += "What another setting would have changed" in said
        shown = [unescape(re.sub("<[^>]*>", " ", one)).split() for one in (story, story_of(pages[1], job))]
        assert shown == [said.split(), said.split()]
    assert told > 3


def story_of(page: str, job: str) -> str:
    """Give the story of a job that stands on a page without a script."""
    return page.split(f'id="job-{job}"')[1].split('<div class="story">')[1].split("</div>")[0]


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


def test_a_run_writes_the_page_that_its_log_gives(log: Path) -> None:
    """``run --page`` shows the night as ``page`` shows its log, but for the line of versions."""
    assert answer(["run", "--quiet", "--page", "run.html", "fits.yaml"]) == 0
    assert answer(["page", "night.db"]) == 0
    folder = log.parent
    pages = [(folder / name).read_text().split("<p><small>")[0] for name in ("run.html", "page.html")]
    blocks = [(folder / name).read_text().split('id="columns"')[1] for name in ("run.html", "page.html")]
    assert (pages[0], blocks[0]) == (pages[1], blocks[1])


def test_a_page_never_takes_the_place_of_its_log(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Not even where it may overwrite a file."""
    before = log.read_bytes()
    assert answer(["page", "night.db", "-o", "./night.db", "--overwrite"]) == 2
    assert "./night.db is what is read: name another file to write to." in capsys.readouterr().err
    assert log.read_bytes() == before


def test_a_page_is_of_one_file(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``--page`` with several files is refused before anything is run."""
    assert answer(["run", "--page", "run.html", "fits.yaml", "misses.yaml"]) == 2
    assert ("--page takes one FILE" in capsys.readouterr().err, (place / "run.html").exists()) == (True, False)


def test_many_nights_have_the_page_that_python_gives(place: Path) -> None:
    """``run --nights --page`` writes what ``emulator.nights(...).page()`` gives, and ends as without it."""
    options = ["run", "--quiet", "--nights", "3", "--processes", "1", "--page", "run.html"]
    assert answer([*options, "misses.yaml"]) == 1
    assert (place / "run.html").read_text() == nights("misses.yaml", 3, processes=1).page()
    assert answer([*options, "fits.yaml"]) == 2  # the page is there already
    assert answer([*options, "--overwrite", "--seed", "7", "fits.yaml"]) == 0
    assert (place / "run.html").read_text() == nights("fits.yaml", 3, first_seed=7, processes=1).page()


def test_the_page_of_a_small_night_stays_as_it_is(log: Path) -> None:
    """A pin, copied from a run: the whole page, its blocks unpacked, style and script left out."""
    assert answer(["page", "night.db"]) == 0
    text = (log.parent / "page.html").read_text()
    for packed in re.findall(r'<script type="text/plain" id="\w+">([^<]*)<', text):
        text = text.replace(packed, zlib.decompress(base64.b64decode(packed), -15).decode())
    text = re.sub(r"<p><small>program [^<]*</small></p>", "", text)
    text = re.sub(r"<dd>program [^<]*</dd>", "<dd></dd>", text)
    text = re.sub(r"(<style>|<script>)[^\0]*?(</style>|</script>)", r"\1\2", re.sub("sha256-[^']*", "sha256-", text))
    assert text == GOLDEN.read_text()
