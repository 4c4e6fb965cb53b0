"""The page of checks names tests that there are, and says of each value where it comes from."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "checks.md").read_text("utf-8")
MARKS = ("looked up", "from memory, not checked against the original", "common practice")


def rows() -> list[tuple[str, list[str]]]:
    """Give the rows of all tables, each with the files that its section or the row names."""
    found: list[tuple[str, list[str]]] = []
    files: list[str] = []
    for line in PAGE.splitlines():
        if line.startswith("## "):
            files = re.findall(r"tests/\S+?\.py", line)
        elif line.startswith("| ") and not line.startswith(("| published entry", "| ---")):
            found.append((line, re.findall(r"tests/\S+?\.py", line) or files))
    return found


@pytest.mark.parametrize(("row", "files"), rows())
def test_each_check_has_a_test_and_a_source(row: str, files: list[str]) -> None:
    """A row names tests that stand in the files of its section, or why there is none, and ends with its source."""
    _, _, test, source, _ = row.split("|")
    named = re.findall(r"`(test_\w+)`", test)
    written = "".join((ROOT / file).read_text("utf-8") for file in files)
    assert [name for name in named if f"def {name}(" not in written] == []
    assert named or "not expressible" in test or "not a run of its own" in test
    assert source.strip().startswith("common practice") or any(mark in source for mark in MARKS[:2])


def test_the_page_says_what_its_marks_mean() -> None:
    """Each mark is explained at the top."""
    head = " ".join(PAGE.split("## ")[0].lower().split())
    assert [mark for mark in MARKS if mark not in head] == []
