"""The page of all kinds of events: fresh, whole, and true of what the world writes."""

import re
from pathlib import Path
from typing import get_args

import pytest

import emulator
from emulator.record.events import EventKind
from emulator.record.kinds import DETAIL, KINDS, reference_page

PAGE = Path(emulator.__file__).parents[1] / "docs" / "reference-events.md"


def test_the_page_is_fresh() -> None:
    """The page is what the list of kinds and the words for them give."""
    if PAGE.read_text("utf-8") != reference_page():
        pytest.fail(
            "docs/reference-events.md is stale: renew it with\n  python -m emulator.record.kinds > "
            "docs/reference-events.md",
            pytrace=False,
        )


def test_every_kind_and_every_detail_is_declared_and_nothing_else() -> None:
    """The names for annotations are those of the kinds; each detail has a type and words, none is left over."""
    assert get_args(EventKind) == tuple(KINDS)
    assert {name for kind in KINDS.values() for name in kind.details} == set(DETAIL)
    assert {
        name for kind in KINDS.values() for name in (*kind.own, *kind.chosen_by) if name not in kind.details
    } == set()
    untold = {name for kind in KINDS.values() for name in kind.details if not (kind.own.get(name) or DETAIL[name].says)}
    assert untold == set()


def test_words_name_what_the_kind_has() -> None:
    """What is filled in is a detail of the kind, its job or worker, or what a story knows of it."""
    known = {"job", "worker", "took", "system"}
    wrong = {
        (name, slot)
        for name, kind in KINDS.items()
        for words in (kind.words, *kind.told.values())
        for slot in re.findall(r"\{(\w+)", words)
        if slot not in {*kind.details, *known}
    }
    assert wrong == set()
