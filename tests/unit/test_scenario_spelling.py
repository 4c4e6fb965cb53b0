"""Spelling: which valid word a mistyped one meant."""

import pytest

from emulator.measure.catalogue import MEASURES
from emulator.record.events import DETAILS
from emulator.scenario.schema import schema_text
from emulator.scenario.spelling import RENAMED, advise, nearest, renamed

KEYS = ["lease", "time_limit", "retry", "attempts_in_all", "starts", "pools"]


@pytest.mark.parametrize(
    ("word", "meant"),
    [
        ("leese", "lease"),
        ("time-limit", "time_limit"),
        ("Time Limit", "time_limit"),
        ("attempts", "attempts_in_all"),
        ("pool", "pools"),
        ("start", "starts"),
        ("volume", None),
        ("", None),
        ("x" * 81, None),
        ("lease" + "e" * 5_000_000, None),
    ],
)
def test_the_nearest_valid_word_is_found(word: str, meant: str | None) -> None:
    """A slip of the pen leads to the word that was meant, anything else to none."""
    assert nearest(word, KEYS) == meant


def test_the_answer_does_not_depend_on_order() -> None:
    """Of equally near words the first in the alphabet is taken, in whatever order they come."""
    assert [nearest("part", words) for words in (["park", "part_", "parr"], ["parr", "part_", "park"])] == ["part_"] * 2
    assert [nearest("dome-9", words) for words in (["dome-2", "dome-1"], ["dome-1", "dome-2"])] == ["dome-1"] * 2
    assert [nearest("a-b", words) for words in (["a_b", "A_b"], ["A_b", "a_b"])] == ["A_b"] * 2


@pytest.mark.parametrize(
    ("word", "valid", "advice"),
    [
        ("leese", KEYS, "did you mean 'lease'?"),
        ("volume", ["b", "a"], "allowed are: a, b"),
        ("volume", [], "nothing is allowed here"),
        ("volume", [f"k{n:02}" for n in range(12)], "allowed are: " + ", ".join(f"k{n:02}" for n in range(12))),
        (
            "volume",
            [f"k{n:02}" for n in range(15)],
            "allowed are: " + ", ".join(f"k{n:02}" for n in range(12)) + " and 3 more",
        ),
    ],
)
def test_advice_names_the_nearest_word_or_all(word: str, valid: list[str], advice: str) -> None:
    """Advice is the nearest word, else the whole list, cut where it grows long."""
    assert advise(word, valid) == advice


def test_a_word_of_before_is_answered_with_its_present_name() -> None:
    """Where the present name is valid it is given; where it is not, the word is unknown like any other."""
    assert renamed("longest_run", KEYS) == "`longest_run` is called `time_limit` now"
    assert advise("longest_run", KEYS) == "`longest_run` is called `time_limit` now"
    assert renamed("leaves", KEYS) == ""
    assert renamed("lease", KEYS) == ""


def test_present_names_are_known_and_those_of_before_are_not() -> None:
    """Each is a key or a word of the schema, a measure or a kind of event; none is known under both names."""
    schema = schema_text()
    known = {word for words in (MEASURES, DETAILS) for word in words}
    assert [new for new in RENAMED.values() if new not in known and f'"{new}"' not in schema] == []
    assert [old for old in RENAMED if old in known or f'"{old}"' in schema] == []
