"""``queuedrill export``: a log leaves in a format, to standard output or to a file that was not there."""

from collections.abc import Callable
from pathlib import Path

import pytest
from small_place import Ended

import emulator
from emulator.cli.logs import export as command
from emulator.cli.main import answer
from emulator.report.exporting import FORMATS


@pytest.fixture
def export(place: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., Ended]:
    """Call ``export`` beside ``night.db``, the log of a night that fits."""
    answer(["run", "--quiet", "--log", "night.db", "fits.yaml"])
    capsys.readouterr()

    def call(*arguments: str) -> Ended:
        code = answer(["export", *arguments])
        return Ended(code, *capsys.readouterr())

    return call


def test_the_command_offers_every_format() -> None:
    """What the command lets one choose is what there is."""
    [choice] = [option.type.choices for option in command.params if option.name == "form"]  # type: ignore[attr-defined]
    assert list(choice) == list(FORMATS)


@pytest.mark.parametrize("form", list(FORMATS))
def test_every_way_out_gives_the_same(export: Callable[..., Ended], form: str, place: Path) -> None:
    """Standard output, a file and Python give the same text, twice."""
    expected = emulator.export("night.db", form)
    assert expected == emulator.export(emulator.open_log("night.db"), form)
    assert export("night.db", "--as", form) == Ended(0, expected, "")
    assert export("night.db", "--as", form, "-o", "out") == Ended(0, "out\n", "")
    assert (place / "out").read_bytes() == expected.encode()


def test_a_file_that_is_there_is_kept(export: Callable[..., Ended], place: Path) -> None:
    """An export takes the place of another file only when told to, and of its own log never."""
    (place / "kept").write_text("mine")
    before = (place / "night.db").read_bytes()
    refused = export("night.db", "--as", "junit", "-o", "kept")
    assert refused == Ended(2, "", "kept: there is a file already: give --overwrite, or another name with -o\n")
    assert (place / "kept").read_text() == "mine"
    assert export("night.db", "--as", "junit", "-o", "kept", "--overwrite").code == 0
    assert (place / "kept").read_text().startswith("<?xml")
    own = export("night.db", "--as", "junit", "-o", "night.db", "--overwrite")
    assert own == Ended(2, "", "night.db: is the log itself: give another name with -o\n")
    assert (place / "night.db").read_bytes() == before


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["none.db", "--as", "otlp"], "none.db: there is no such file"),
        (["fits.yaml", "--as", "otlp"], "fits.yaml"),
        (["night.db"], "Missing option '--as'"),
        (["night.db", "--as", "otpl"], "'otpl' is not one of"),
        (["night.db", "--as", "otlp", "--overwrite"], "give -o too"),
        (["night.db", "--as", "otlp", "-o", "no/such/file"], "no/such/file: the export cannot be written"),
    ],
)
def test_what_cannot_be_done_is_said(export: Callable[..., Ended], arguments: list[str], said: str) -> None:
    """A wrong log, format or place ends with 2 and says which."""
    ended = export(*arguments)
    assert (ended.code, ended.out, said in ended.err, "Traceback" in ended.err) == (2, "", True, False)


def test_python_names_the_nearest_format(export: Callable[..., Ended]) -> None:
    """A format that there is not is named, with the nearest that there is."""
    with pytest.raises(emulator.InputError, match="there is no format 'job-csv': did you mean 'jobs-csv'"):
        emulator.export("night.db", "job-csv")
