"""The page of all kinds of events: fresh, whole, and true of what the world writes."""

from pathlib import Path

import pytest

import emulator
from emulator.record.events import DETAILS
from emulator.record.kinds import DETAIL, GROUPS, OF_KIND, reference_page

PAGE = Path(emulator.__file__).parents[1] / "docs" / "reference-events.md"


def test_the_page_is_fresh() -> None:
    """The page is what the list of kinds and the words for them give."""
    if PAGE.read_text("utf-8") != reference_page():
        pytest.fail(
            "docs/reference-events.md is stale: renew it with\n  python -m emulator.record.kinds > "
            "docs/reference-events.md",
            pytrace=False,
        )


def test_every_kind_and_every_detail_is_told_of_and_nothing_else() -> None:
    """The page has the kinds in the order of the list; each detail has words, and no words are left over."""
    assert [kind for kinds in GROUPS.values() for kind in kinds] == list(DETAILS)
    pairs = {(kind, name) for kind, names in DETAILS.items() for name in names}
    assert set(OF_KIND) - pairs == set()
    assert {name for pair in pairs - set(OF_KIND) for name in pair[1:]} == set(DETAIL)
