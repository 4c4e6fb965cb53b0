"""The page of thresholds in a real browser: wide and narrow, light and dark, by keys alone, and printed.

Without a browser these tests are skipped, as those of ``tests/cli/test_page_in_a_browser.py`` are.
"""

import os
import re
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import pytest
from browser import Browser, found
from watched_small import SMALL

from emulator.outlook.thresholds import Thresholds, thresholds
from emulator.outlook.thresholds_document import thresholds_document
from emulator.scenario.load import load_text

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        found() is None and not os.environ.get("QUEUEDRILL_NEEDS_BROWSER"), reason="there is no browser on this machine"
    ),
]

SHEET = 1_000
"""Pixels of the height of a printed sheet of A4, at the least."""


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """One browser for all tests of this file."""
    program = found()
    assert program is not None, "QUEUEDRILL_NEEDS_BROWSER is set, and there is none: install Debian's chromium"
    with Browser(program, tmp_path_factory.mktemp("browser")) as it:
        yield it


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page with everything on it: causes, more work, what would help, pictures."""
    made = thresholds(load_text(SMALL, name="strips.yaml"), share=Fraction(1, 5), nights=60, more_work=5, processes=1)
    assert isinstance(made, Thresholds)
    path = tmp_path_factory.mktemp("page") / "thresholds.html"
    path.write_text(thresholds_document(made), "utf-8")
    return path


@pytest.mark.parametrize(("width", "dark"), [(1400, False), (1400, True), (800, False), (800, True), (400, False)])
def test_the_page_opens_and_fits(browser: Browser, page: Path, width: int, dark: bool) -> None:
    """Nothing goes wrong, nothing is asked for, the window is wide enough, one picture of each signal is seen."""
    browser.open(page, width=width, dark=dark)
    assert browser.complaints() == []
    assert browser.run("document.documentElement.scrollWidth <= innerWidth") is True
    shown = "[...document.querySelectorAll('#pictures figure')].filter(f => f.clientHeight > 0).length"
    signals = "document.querySelectorAll('#pictures h3').length"
    assert browser.run(f"{shown} === {signals} && {signals} > 1") is True


def test_the_table_is_reached_by_keys_alone(browser: Browser, page: Path) -> None:
    """The first stop is the link to the table; a table that can be moved can be focused; each has a caption."""
    browser.open(page, width=800)
    assert browser.run("document.querySelector('a,[tabindex],summary').hash") == "#table"
    assert browser.run("document.querySelector('#table table') !== null") is True
    stops = "[...document.querySelectorAll('.wide')].every(one => one.tabIndex === 0 && one.ariaLabel)"
    assert browser.run(stops) is True
    assert browser.run("[...document.querySelectorAll('table')].every(one => one.caption.textContent)") is True
    assert browser.run("[...document.querySelectorAll('svg')].every(one => one.querySelector('desc'))") is True


def test_no_table_is_cut_in_print(browser: Browser, page: Path) -> None:
    """Each table and each picture is lower than a sheet and is kept together; the page prints on few sheets."""
    browser.open(page)
    printed = browser.pdf()
    assert printed.startswith(b"%PDF")
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) <= 6
    browser.send("Emulation.setEmulatedMedia", media="print")
    browser.size(718)
    browser.settle()
    kept = "[...document.querySelectorAll('table, figure')].filter(one => one.clientHeight > 0)"
    whole = f"one => one.clientHeight < {SHEET} && getComputedStyle(one).breakInside === 'avoid'"
    assert browser.run(f"{kept}.length > 8 && {kept}.every({whole})") is True
    browser.send("Emulation.setEmulatedMedia", media="")


@pytest.mark.skipif(not os.environ.get("QUEUEDRILL_AXE"), reason="QUEUEDRILL_AXE does not name the file of axe-core")
@pytest.mark.parametrize("dark", [False, True])
def test_the_accessibility_checker_finds_nothing(browser: Browser, page: Path, dark: bool) -> None:
    """axe-core names no violation at all, in light and in dark."""
    browser.open(page, dark=dark)
    browser.run(Path(os.environ["QUEUEDRILL_AXE"]).read_text("utf-8") + ";0")
    assert browser.run("axe.run().then(r => [r.violations.map(v => v.id), r.passes.length > 20])") == [[], True]
