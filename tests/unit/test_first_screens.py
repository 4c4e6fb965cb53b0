"""What a tired person sees first: the answer, whole screens, and what every first screen keeps to."""

import json
import re
import shlex
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


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the nights of a comparison are kept, so that each is run once."""
    return tmp_path_factory.mktemp("kept")


@pytest.fixture
def shown(kept: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Shown:
    """Give what a command prints on a terminal of some width."""
    monkeypatch.chdir(ROOT)

    def call(*command: str, width: int = 80) -> str:
        monkeypatch.setenv("COLUMNS", str(width))
        more: list[str] = []
        if command[0] == "compare":
            file = kept / f"{abs(hash(tuple(one for one in command if one != '--json')))}.results"
            more = ["--results", str(file), *(["--resume"] if file.exists() else [])]
        answer([*command, *more])
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
    assert f"$ queuedrill {shlex.join(SCREENS[name])}\n{screen}" == golden(name, width).read_text("utf-8")


@pytest.mark.slow
@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", SCREENS)
def test_a_first_screen_is_short_and_begins_with_the_answer(shown: Shown, name: str, width: int) -> None:
    """At most 40 lines, each within the terminal; the first sentence has at most 30 words."""
    screen = shown(*SCREENS[name], width=width)
    assert (len(screen.splitlines()) <= MOST_LINES, of_width(screen, width)) == (True, [])
    assert len(first_sentences(screen)[0].split()) <= MOST_WORDS


COMPARED = [name for name, command in SCREENS.items() if command[0] == "compare"]


@pytest.mark.slow
@pytest.mark.parametrize("name", COMPARED)
def test_the_first_sentence_is_what_the_json_recommends(shown: Shown, name: str) -> None:
    """It names what `recommended` holds, and in how many of how many nights that kept its requirements."""
    said = json.loads(shown(*SCREENS[name], "--json"))
    first = first_sentences(shown(*SCREENS[name]))[0]
    advice = said["recommendation"]
    [led] = [one for one in advice["standings"] if one["variant"] == advice["leads"]]
    named = re.findall(r"'([^']+)'", first) or ["as written"]
    counts = [int(number) for number in re.findall(r"(\d+)(?= (?:of|night))", first)]
    whole = re.search(r"in all \d+ nights|no miss in", first) is not None
    assert (advice["answer"] in ("take", "tie")) == (re.match(r"(Take|Tie): |Take ", first) is not None)
    assert (named if said["recommended"] else []) == said["recommended"]
    assert counts == ([led["judged"]] if whole else [led["kept"], led["judged"]])
    assert whole == (led["kept"] == led["judged"])


@pytest.mark.slow
@pytest.mark.parametrize("name", COMPARED)
def test_too_few_nights_recommend_nothing(shown: Shown, name: str) -> None:
    """Of five nights none shows that nine in ten of all nights keep a requirement: nothing is recommended."""
    command = [*SCREENS[name][:2], *(word for word in SCREENS[name][2:])]
    if "--nights" in command:
        at = command.index("--nights")
        del command[at : at + 2]
    said = json.loads(shown(*command, "--nights", "5", "--json"))
    assert said["recommended"] == []
    assert first_sentences(shown(*command, "--nights", "5"))[0].startswith(
        ("Too few nights to decide: ", "No variant ")
    )


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
