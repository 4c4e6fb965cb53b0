"""What the tests of commands share: a place with a small scenario, and the program called in this process."""

from collections.abc import Callable
from pathlib import Path

import pytest
from small_place import FAULTY, SCENARIO, Ended

from emulator.cli.main import answer


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder that holds ``fits.yaml``, ``misses.yaml`` and ``wrong.yaml``."""
    (tmp_path / "fits.yaml").write_text(SCENARIO)
    (tmp_path / "misses.yaml").write_text(SCENARIO.replace("at_most: 20m", "at_most: 19m") + "meant_to_miss: true\n")
    (tmp_path / "wrong.yaml").write_text(SCENARIO.replace("lasts", "lsts").replace("lease: 90s", "lease: long"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def queuedrill(place: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., Ended]:
    """Call the program with arguments."""

    def call(*arguments: str) -> Ended:
        code = answer(arguments)
        return Ended(code, *capsys.readouterr())

    return call


@pytest.fixture
def faulty_log(place: Path, queuedrill: Callable[..., Ended]) -> Path:
    """A log of the night in which the worker loses power."""
    (place / "faulty.yaml").write_text(FAULTY)
    queuedrill("run", "--quiet", "--log", "night.db", "faulty.yaml")
    return place / "night.db"
