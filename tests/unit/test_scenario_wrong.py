"""What a writer is told about a wrong scenario: a corpus of files, each with all that is wrong with it.

``wrong/expected.txt`` holds every message; each line was read and judged by hand when it was written down.
"""

from pathlib import Path

import pytest

from emulator.errors import ScenarioError
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
    assert str(caught.value).splitlines() == EXPECTED[name]


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
