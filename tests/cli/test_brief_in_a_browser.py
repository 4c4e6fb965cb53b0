"""The page for a board in a real browser: on screens of two widths, in the dark, by keys alone, and printed.

Without a browser these tests are skipped, unless ``QUEUEDRILL_NEEDS_BROWSER`` says that there must be one.
"""

import os
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser import Browser, found
from crowded_brief import CUT, crowded, made

from emulator.outlook.brief_page import brief_document

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        found() is None and not os.environ.get("QUEUEDRILL_NEEDS_BROWSER"), reason="there is no browser on this machine"
    ),
]

A4_WIDE, A4_HIGH = 703, 1032
"""The room on a side of A4 within margins of 12 mm, in pixels of 1/96 inch: 186 mm and 273 mm."""


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """One browser for all tests of this file."""
    program = found()
    assert program is not None, "QUEUEDRILL_NEEDS_BROWSER is set, and there is none: install Debian's chromium"
    with Browser(program, tmp_path_factory.mktemp("browser")) as it:
        yield it


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A page with a little of everything, and one with much more than fits."""
    folder = tmp_path_factory.mktemp("briefs")
    asked = [{"ask": "Twelve plates come?", "change": {"arrivals.plates.count": 12}}]
    briefs = {"small": made(20, faults=[CUT], questions=asked), "crowded": crowded()}
    found = {}
    for name, of in briefs.items():
        found[name] = folder / f"{name}.html"
        found[name].write_text(brief_document(of), "utf-8")
    return found


@pytest.mark.parametrize("name", ["small", "crowded"])
def test_it_fits_screens_in_light_and_dark_and_is_accessible(
    browser: Browser, pages: dict[str, Path], name: str
) -> None:
    """Nothing hangs over the side, nothing is complained of, and axe-core (where it is named) finds no violation."""
    for width in (800, 1400):
        for dark in (False, True):
            browser.open(pages[name], width=width, dark=dark)
            assert browser.run("document.documentElement.scrollWidth <= innerWidth"), (width, dark)
            if axe := os.environ.get("QUEUEDRILL_AXE"):
                browser.run(Path(axe).read_text("utf-8") + ";0")
                assert browser.run("axe.run().then(r => r.violations.map(v => v.id))") == [], (width, dark)
            assert browser.complaints() == []


def test_every_table_is_reached_by_keys(browser: Browser, pages: dict[str, Path]) -> None:
    """The tables, which may have to be moved sideways on a small screen, come one after the other."""
    browser.open(pages["small"], width=800)
    wanted = browser.run("[...document.querySelectorAll('.wide')].map(it => it.getAttribute('aria-label'))")
    reached = []
    for _ in wanted:
        browser.key("Tab")
        reached.append(browser.run("document.activeElement.getAttribute('aria-label')"))
    assert len(wanted) == 4
    assert reached == wanted


@pytest.mark.parametrize("name", ["small", "crowded"])
def test_it_prints_on_two_sides_of_a4_without_a_cut_table(browser: Browser, pages: dict[str, Path], name: str) -> None:
    """No table is wider than the paper; none is higher either, and each is kept together. No line says it by colour."""
    browser.open(pages[name], width=A4_WIDE)
    printed = browser.pdf()
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= 2
    browser.send("Emulation.setEmulatedMedia", media="print")
    browser.settle()
    sizes = browser.run("[...document.querySelectorAll('table')].map(it => [it.offsetWidth, it.offsetHeight])")
    apart = browser.run("[...document.querySelectorAll('table')].map(it => getComputedStyle(it).breakInside)")
    over = browser.run("[...document.querySelectorAll('.wide')].map(it => it.scrollWidth > it.clientWidth)")
    browser.send("Emulation.setEmulatedMedia", media="")
    assert len(sizes) >= 3
    assert all(wide <= A4_WIDE and high <= A4_HIGH for wide, high in sizes), sizes
    assert set(apart) == {"avoid"}
    assert set(over) == {False}
