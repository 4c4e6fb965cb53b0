"""What a writer is told about a wrong scenario: a corpus of files, each with all that is wrong with it.

``wrong/expected.txt`` holds every message; each line was read and judged by hand when it was written down.
"""

from pathlib import Path

import pytest

from emulator.errors import Problem, ScenarioError
from emulator.scenario.load import load

WRONG = Path(__file__).with_name("wrong")
EXPECTED: dict[str, list[str]] = {}
for line in (WRONG / "expected.txt").read_text("utf-8").splitlines():
    EXPECTED.setdefault(line.partition(":")[0], []).append(line)


def test_every_wrong_file_is_expected() -> None:
    """Each file of the corpus has its messages, and each message its file."""
    assert sorted(path.name for path in WRONG.glob("*.yaml")) == sorted(EXPECTED)
    assert len(EXPECTED) >= 70


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_wrong_files_are_told_whole(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A wrong file gets all its mistakes at once, in file order, each with its place, and nothing else."""
    monkeypatch.chdir(WRONG)
    with pytest.raises(ScenarioError) as caught:
        load(name)
    assert [problem.coded for problem in caught.value.problems] == EXPECTED[name]
    assert str(caught.value).splitlines() == EXPECTED[name]


def _codes(name: str) -> list[tuple[str, str]]:
    """Give each message of a file with its code, which stands behind the place."""
    return [(line, line.split(": ", 2)[1]) for line in EXPECTED[name]]


def test_each_code_is_one_that_is_documented() -> None:
    """The corpus has every code but those of traces, of the command line and of files that cannot be read."""
    used = {code for name in EXPECTED for _, code in _codes(name)}
    words = {"unknown-key", "missing-key", "wrong-value", "contradiction", "wrong-reference", "wrong-yaml"}
    assert used == words
    page = (Path(__file__).parents[2] / "docs" / "reference-command-line.md").read_text("utf-8")
    every = (*words, "wrong-trace", "wrong-change", "unreadable")
    assert [code for code in every if f"| `{code}` |" not in page or f"``{code}``" not in (Problem.__doc__ or "")] == []


def test_messages_are_our_own() -> None:
    """No wording of the validation library is in any message."""
    words = (
        "Input should be",
        "Value error",
        "valid string",
        "pydantic",
        "Extra inputs",
        "Field required",
        "greater than",
    )
    assert [line for lines in EXPECTED.values() for line in lines if any(word in line for word in words)] == []
