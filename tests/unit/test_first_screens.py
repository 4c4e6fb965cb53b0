"""What a tired person sees first: the answer, whole screens, and what every first screen keeps to."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from first_screens import ROOT, SCREENS, WIDTHS, golden

from emulator.cli.main import answer
from emulator.show.layout import columns

SCENARIOS = sorted(path.name for path in (ROOT / "scenarios").glob("*.yaml"))
MOST_LINES = 40
MOST_WORDS = 30

Shown = Callable[..., str]


@pytest.fixture
def shown(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Shown:
    """Give what a command prints on a terminal of some width."""
    monkeypatch.chdir(ROOT)

    def call(*command: str, width: int = 80) -> str:
        monkeypatch.setenv("COLUMNS", str(width))
        answer([*command])
        return capfd.readouterr().out

    return call


def first_sentences(screen: str) -> list[str]:
    """Give the sentences of the first paragraph."""
    return re.split(r"(?<=[.?!])\s+", " ".join(screen.split("\n\n", 1)[0].split()))


def of_width(screen: str, width: int) -> list[str]:
    """Give the lines that are too wide: sentences keep within 80 columns, whatever the terminal is."""
    return [line for line in screen.splitlines() if columns(line) > (width if line.startswith("  ") else 80)]


@pytest.mark.slow
@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", SCREENS)
def test_a_first_screen_is_the_golden_one(shown: Shown, name: str, width: int) -> None:
    """Whole, at 80 columns and at 120: pins, made by ``python tests/first_screens.py`` and read by eye."""
    screen = shown(*SCREENS[name], width=width)
    assert f"$ queuedrill {' '.join(SCREENS[name])}\n{screen}" == golden(name, width).read_text("utf-8")


@pytest.mark.slow
@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", SCREENS)
def test_a_first_screen_is_short_and_begins_with_the_answer(shown: Shown, name: str, width: int) -> None:
    """At most 40 lines, each within the terminal; the first sentence has at most 30 words."""
    screen = shown(*SCREENS[name], width=width)
    assert (len(screen.splitlines()) <= MOST_LINES, of_width(screen, width)) == (True, [])
    assert len(first_sentences(screen)[0].split()) <= MOST_WORDS


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENARIOS)
def test_the_screen_of_every_night_is_short(shown: Shown, name: str) -> None:
    """Of each scenario: 40 lines, 80 columns, sentences of 30 words, and no line that ends within a command's word."""
    screen = shown("run", f"scenarios/{name}")
    assert (len(screen.splitlines()) <= MOST_LINES, of_width(screen, 80)) == (True, [])
    assert [one for one in first_sentences(screen) if len(one.split()) > MOST_WORDS] == []
    assert re.search(r"^The night (fits|does not fit): ", screen)


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENARIOS)
def test_the_story_that_a_night_names_can_be_read(shown: Shown, name: str) -> None:
    """The command below what went wrong is one that works, and tells of the job, or the requirement, that it names."""
    screen = shown("run", f"scenarios/{name}").replace(" \\\n    ", " ")
    for command in re.findall(r"^  queuedrill (story .*)$", screen, re.MULTILINE):
        told = shown(*command.split())
        assert told.startswith(("The story of ", "Requirement ")), command


def test_golden_screens_are_those_of_the_list() -> None:
    """No file is left of a screen that there is no more."""
    kept = {path.name for path in Path(golden("x", 80)).parent.iterdir()}
    assert kept == {golden(name, width).name for name in SCREENS for width in WIDTHS}
