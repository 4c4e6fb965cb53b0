"""The page of a forecast in a real browser: nothing goes wrong in it, it fits, it prints, everything can be reached.

Without a browser these tests are skipped, unless ``QUEUEDRILL_NEEDS_BROWSER`` says that there must be one.
"""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser import Browser, found
from test_forecast_command import made

from emulator.outlook.forecast_words import forecast_document

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        found() is None and not os.environ.get("QUEUEDRILL_NEEDS_BROWSER"), reason="there is no browser on this machine"
    ),
]

BESIDE = "[...document.querySelectorAll('body *')].filter(one => one.getBoundingClientRect().right > innerWidth + 1 &&"
BESIDE += " !one.closest('.wide') && !one.closest('.skip') && !one.closest('pre')).map(one => one.tagName)"
"""What reaches beyond the window and cannot be moved there by itself."""


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """One browser for all tests of this file."""
    program = found()
    assert program is not None, "QUEUEDRILL_NEEDS_BROWSER is set, and there is none: install Debian's chromium"
    with Browser(program, tmp_path_factory.mktemp("browser")) as it:
        yield it


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a forecast with everything in it."""
    path = tmp_path_factory.mktemp("page") / "forecast.html"
    path.write_text(forecast_document(made()), "utf-8")
    return path


@pytest.mark.parametrize(("width", "dark"), [(1400, False), (1400, True), (800, False), (800, True), (400, False)])
def test_it_opens_and_fits(browser: Browser, page: Path, width: int, dark: bool) -> None:
    """Nothing is complained of or asked for, nothing is cut, and one picture is shown."""
    browser.open(page, width=width, dark=dark)
    assert browser.complaints() == []
    assert browser.run("document.documentElement.scrollWidth <= innerWidth") is True
    assert browser.run(BESIDE) == []
    shown = "[...document.querySelectorAll('#when figure')].filter(one => one.clientHeight > 0).length"
    assert browser.run(shown) == 1


def test_it_is_reached_by_the_keyboard(browser: Browser, page: Path) -> None:
    """The first key leads to the dates, then to each table that may be wider than the window, and to the formulas."""
    browser.open(page)
    browser.key("Tab")
    assert browser.run("document.activeElement.getAttribute('href')") == "#when"
    assert browser.run("document.querySelector('#when table') !== null") is True
    reached = []
    for _ in range(12):
        browser.key("Tab")
        reached.append(
            browser.run("document.activeElement.getAttribute('aria-label') || document.activeElement.tagName")
        )
    assert "Requirements by kind of night" in reached and "SUMMARY" in reached
    browser.run("document.querySelector('summary').focus()")
    browser.key("Enter")
    assert browser.run("document.querySelector('details').open") is True


def test_it_prints_on_a4(browser: Browser, page: Path) -> None:
    """The printed page has at most four sheets and shows every table whole: none can be moved on paper."""
    browser.open(page)
    sheets = browser.pdf().count(b"/Type /Page\n") or browser.pdf().count(b"/Type /Page ")
    assert 1 <= sheets <= 4
    browser.send("Emulation.setEmulatedMedia", media="print")
    browser.size(718)  # 190 mm at 96 dots an inch: A4 less its margins
    browser.settle()
    cut = "[...document.querySelectorAll('.wide')].filter(one => one.scrollWidth > one.clientWidth + 1)"
    wide = browser.run(f"{cut}.map(one => one.getAttribute('aria-label'))")
    browser.send("Emulation.setEmulatedMedia", media="")
    assert wide == []


@pytest.mark.skipif(not os.environ.get("QUEUEDRILL_AXE"), reason="QUEUEDRILL_AXE does not name the file of axe-core")
@pytest.mark.parametrize("dark", [False, True])
def test_the_accessibility_checker_finds_nothing(browser: Browser, page: Path, dark: bool) -> None:
    """axe-core finds no violation, in light and in dark, with every fold open."""
    browser.open(page, dark=dark)
    browser.run("document.querySelectorAll('details').forEach(one => one.open = true)")
    browser.run(Path(os.environ["QUEUEDRILL_AXE"]).read_text("utf-8") + ";0")
    seen = browser.run(
        "axe.run().then(r => [r.violations.map(v => [v.id, v.nodes.map(n => n.html.slice(0, 120))]), "
        "r.passes.length > 20])"
    )
    assert seen == [[], True]
