"""What people read is in plain words: no word of before, no sentence above 30 words, counts with the right noun."""

import html
import os
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from emulator.cli.main import COMMANDS, answer, program
from emulator.measure.catalogue import MEASURES

ROOT = Path(__file__).parents[2]
SCENARIOS = sorted((ROOT / "scenarios").glob("*.yaml"))
LONGEST = 30
BEFORE = (
    "leaves_in|finish_and_leave|leaves_after|leaves_line_if_abandoned|longest_run|end_told_as|declines_what_cannot_end|"
    "meets_own_work|likeliest|put_back|goes_back_to|incomplete_sets|repeated_effects|vaults?|too_long|"
    "in vain|of note|at a stroke|(?:came|come|comes) to nothing|lying about|beaten|so few nights|cannot be told from|"
    "one night of many, the one|had not asked for it|nobody waited for it|and must not be|as fast as it goes|so in"
)
"""Words and phrases that were used before something plainer took their place."""
WRONG_COUNT = r"(?<![\d.,/-])1 (?:variants|nights|jobs|attempts|workers|requirements|hazards|mistakes|faults|events)\b"
NAME_OF_MEASURE = "|".join(name for name in MEASURES if "_" in name)


def sentences(text: str) -> Iterator[str]:
    """Give the sentences of a text: what ends in a stop, or at an empty line, an item of a list or a row of a table."""
    text = re.sub(r"^ *\S(?:.*\S)? {2,}\S.*$", "\n", text, flags=re.MULTILINE)
    for block in re.split(
        r"\n\s*\n|\n(?=  \S[^:\n]*: )|\n(?=\s*(?:[-*+|#>] ?|\d+\. |\d\d:\d\d:\d\d |[\w./-]+#?\d*(?::\d+)*: |queue ))",
        text,
    ):
        yield from re.split(r"(?<=[.?!])[\"')]*\s+", " ".join(block.split()))


def words_in(sentence: str) -> int:
    return sum(1 for word in sentence.split() if re.search(r"[A-Za-z]", word))


def too_long(text: str) -> list[str]:
    return [one for one in sentences(text) if words_in(one) > LONGEST]


def faults_of(text: str) -> list[str]:
    """Give what is wrong with the words of a text."""
    return [*re.findall(rf"\b(?:{BEFORE})\b", text), *re.findall(WRONG_COUNT, text), *too_long(text)]


def help_of(name: str) -> str:
    command = program.get_command(click.Context(program), name)
    assert command is not None
    options = [it.help or "" for it in command.params if isinstance(it, click.Option)]
    return "\n\n".join([command.help or "", *options])


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_help_is_in_plain_words(name: str) -> None:
    """What a command and its options say of themselves."""
    assert faults_of(help_of(name)) == []


@pytest.mark.slow
def test_what_is_shown_of_every_scenario_is_in_plain_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Checks, summaries, stories and requirements of all scenarios, each read once."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(ROOT)
    wrong: dict[str, list[str]] = {}
    for path in SCENARIOS:
        log, name = str(tmp_path / f"{path.stem}.qdlog"), os.path.relpath(path)
        commands = [
            ["check", name],
            ["run", "--log", log, name],
            ["story", log, "1"],
            ["story", log, "--requirement", "1"],
        ]
        for command in commands:
            answer(command)
            seen = capfd.readouterr()
            text = seen.out + seen.err
            keys = re.findall(rf"\b(?:{NAME_OF_MEASURE})\b", text) if command[0] in ("run", "story") else []
            if found := [*faults_of(text), *keys]:
                wrong[f"{command[0]} {path.stem}"] = found
    assert wrong == {}


ALL = sorted(path.stem for path in (ROOT / "scenarios").glob("*.yaml"))


def visible(page: str) -> str:
    """Give what a person reads of an HTML page: each cell, heading and paragraph as a paragraph of its own."""
    page = re.sub(r"<(style|script|template|pre)\b.*?</\1>", "\n\n", page, flags=re.DOTALL)
    page = re.sub(r"</?(?:code|b|em|strong|a|span|small)\b[^>]*>", "", page)
    return html.unescape(re.sub(r"<[^>]*>", "\n\n", page))


def headings_of(page: str) -> str:
    """Give the headings of an HTML page and of its tables."""
    found = re.findall(r"<(h[1-6]|th|caption|figcaption)\b[^>]*>(.*?)</\1>", page, flags=re.DOTALL)
    return "\n\n".join(re.sub(r"<[^>]*>", "", inner) for _, inner in found)


def keys_in(text: str) -> list[str]:
    """Give the keys of measures in a text, where their labels belong."""
    return re.findall(rf"\b(?:{NAME_OF_MEASURE})\b", text)


@pytest.mark.slow
@pytest.mark.parametrize("stem", ALL)
def test_every_way_to_show_a_scenario_is_in_plain_words(
    stem: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Comparisons, sizes, pages, nights that are watched, trails, hunts: a few nights of each scenario."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(ROOT)
    name = f"scenarios/{stem}.yaml"
    log, night, compared = (str(tmp_path / part) for part in ("w.qdlog", "night.html", "compared.html"))
    wrong: dict[str, list[str]] = {}

    def read(*command: str, keys: bool = True) -> None:
        answer([*command])
        seen = capfd.readouterr()
        text = seen.out + seen.err
        assert text.strip(), command
        if found := [*faults_of(text), *(keys_in(text) if keys else [])]:
            wrong[" ".join(command[:1])] = found

    read("run", "--nights", "2", "--processes", "1", name)
    read("compare", "--nights", "2", "--processes", "1", "--page", compared, name)
    read("size", "--by", "lasts", "--values", "1h,2h", "--nights", "2", "--processes", "1", name)
    read("watch", "--plain", "--log", log, name)
    read("trail", "--kind", "submitted,attempt_ended,finished", log, keys=False)  # shows the data as it is
    read("page", "--output", night, log)
    read("hunt", "--tries", "3", name)
    read("reproduce", log)
    for path in (it for it in (night, compared) if Path(it).exists()):  # without variants there is nothing to compare
        page = Path(path).read_text("utf-8")
        if found := [*faults_of(visible(page)), *keys_in(headings_of(page))]:
            wrong[Path(path).name] = found
    assert wrong == {}


@pytest.mark.slow
def test_what_rerun_tells_is_in_plain_words(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> None:
    """A script that repeats its effect, which brings the advice with it."""
    monkeypatch.setenv("COLUMNS", "80")
    answer(["rerun", "--yes", str(ROOT / "scenarios/scripts/scripts.yaml"), "flush-buffer"])
    seen = capfd.readouterr()
    assert seen.out.startswith("Not safe to run again.")
    assert faults_of(seen.out + seen.err) == []


PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))]


def prose(page: str) -> str:
    """Give a page without its blocks, and each cell of a table as a paragraph of its own."""
    text = re.sub(r"^```.*?^```", "\n\n", page, flags=re.MULTILINE | re.DOTALL)
    return re.sub(r"^\|.*$", lambda row: row[0].replace("|", "\n\n"), text, flags=re.MULTILINE)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_no_page_has_a_word_of_before(page: Path) -> None:
    """The prose, and what examples show."""
    text = page.read_text("utf-8")
    assert [*re.findall(rf"\b(?:{BEFORE})\b", text), *re.findall(WRONG_COUNT, text)] == []


def test_readme_has_no_long_sentence() -> None:
    """Who meets the project first reads short sentences."""
    assert too_long(prose((ROOT / "README.md").read_text("utf-8"))) == []


def test_these_checks_find_what_they_look_for() -> None:
    """A word of before, a wrong count and a sentence of 31 words are found; a table and one of 30 words are not."""
    long = " ".join(["word"] * 31) + "."
    assert faults_of(f"It was tried in vain. 1 variants. {long}") == ["in vain", "1 variants", long]
    assert faults_of(f"{long.removeprefix('word ')}\n  a  {long}\n  b  {long}\n") == []
    page = f"<style>in vain</style><h2>wait_<b>p90</b></h2><p>done <b>in vain</b></p><p>{long}</p>"
    assert (faults_of(visible(page)), keys_in(headings_of(page))) == (["in vain", long], ["wait_p90"])
