"""Pages in a real browser: nothing goes wrong in them, nothing is asked for, and everything can be reached.

Without a browser these tests are skipped, unless ``QUEUEDRILL_NEEDS_BROWSER`` says that there must be one, as in
continuous integration.
``QUEUEDRILL_AXE`` may name the file of the accessibility checker axe-core (MPL 2.0), which is not part of this project.
"""

import os
import re
import zlib
from collections.abc import Iterator
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pytest
from browser import Browser, found
from compared_copies import NIGHT as COPIES

import emulator
from emulator.cli.main import answer
from emulator.measure.fold import NightFold
from emulator.report.paging import page_of_night
from emulator.scenario.clock import Clock
from emulator.show.meta import RunMeta
from emulator.show.page.document import Material, document

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        found() is None and not os.environ.get("QUEUEDRILL_NEEDS_BROWSER"), reason="there is no browser on this machine"
    ),
]

SCENARIOS = Path(__file__).parents[2] / "scenarios"
EVERY = sorted(path.stem for path in SCENARIOS.glob("*.yaml"))


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """One browser for all tests of this file."""
    program = found()
    assert program is not None, "QUEUEDRILL_NEEDS_BROWSER is set, and there is none: install Debian's chromium"
    with Browser(program, tmp_path_factory.mktemp("browser")) as it:
        yield it


@pytest.fixture(scope="module")
def lost(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of the night in which a worker loses power."""
    path = tmp_path_factory.mktemp("page") / "lost.html"
    path.write_text(page_of_night(emulator.run(SCENARIOS / "worker-lost-mid-run.yaml")), "utf-8")
    return path


@pytest.mark.parametrize("name", EVERY)
def test_a_page_opens_without_a_complaint_or_a_request(name: str, browser: Browser, tmp_path: Path) -> None:
    """The page of each scenario opens, is drawn in light, dark and on a phone's width, and asks for nothing."""
    path = tmp_path / f"{name}.html"
    path.write_text(page_of_night(emulator.run(SCENARIOS / f"{name}.yaml")), "utf-8")
    browser.open(path)
    for width, dark in ((1200, False), (1200, True), (400, False)):
        browser.size(width)
        browser.prefer(dark=dark)
        browser.settle()
        assert browser.complaints() == []
        assert browser.run("document.documentElement.scrollWidth <= innerWidth") is True
        assert browser.run(INK) > 100, "something is drawn in the lanes"


@pytest.mark.parametrize(("width", "dark"), [(1200, True), (400, False), (400, True)])
def test_a_page_opens_in_the_dark_and_on_a_phone(width: int, dark: bool, browser: Browser, lost: Path) -> None:
    """It is drawn when it opens there, too, not only when a page that is open is turned."""
    browser.open(lost, width=width, dark=dark)
    assert browser.complaints() == []
    assert browser.run("document.documentElement.scrollWidth <= innerWidth") is True
    assert browser.run(INK) > 100, "something is drawn in the lanes"


INK = """(() => {
  const {width, height} = document.getElementById("upper");
  const copy = new OffscreenCanvas(width, height).getContext("2d", {willReadFrequently: true});
  copy.drawImage(document.getElementById("upper"), 0, 0);
  const pixels = new Uint32Array(copy.getImageData(0, 0, width, height).data.buffer);
  return pixels.filter(pixel => pixel !== pixels[0]).length;
})()"""
"""How many pixels of the lanes are not the paper's."""


def drawn(browser: Browser) -> int:
    """Give a checksum of what the canvases show."""
    images = browser.run('["above", "upper", "lower"].map(id => document.getElementById(id).toDataURL()).join()')
    return zlib.crc32(images.encode())


def text(browser: Browser, name: str) -> str:
    found: str = browser.run(f'document.getElementById("{name}").textContent')
    return found


def test_keys_buttons_wheel_and_drag_move_the_picture(browser: Browser, lost: Path) -> None:
    """Each way of moving changes what is drawn, and 0 brings the whole night back."""
    browser.open(lost)
    browser.run('document.getElementById("axis").focus({preventScroll: true})')
    whole = drawn(browser)
    seen = [whole]
    for key in ("+", "+", "ArrowRight", "-", "ArrowLeft"):
        browser.key(key)
        seen.append(drawn(browser))
    assert len(set(seen)) == len(seen)
    browser.key("0")
    assert drawn(browser) == whole
    browser.run('document.getElementById("night").scrollIntoView()')
    x, y = browser.run(
        '(({x, y, width}) => [x + width / 3, y + 90])(document.getElementById("axis").getBoundingClientRect())'
    )
    browser.mouse("mouseWheel", x, y, deltaX=0, deltaY=-300)
    browser.settle()
    turned = drawn(browser)
    browser.mouse("mousePressed", x, y, button="left", clickCount=1)
    browser.mouse("mouseMoved", x - 80, y, button="left", buttons=1)
    browser.mouse("mouseReleased", x - 80, y, button="left", clickCount=1)
    browser.settle()
    dragged = drawn(browser)
    browser.run('document.getElementById("closer").click()')
    browser.settle()
    assert len({whole, turned, dragged, drawn(browser)}) == 4
    assert browser.complaints() == []


def test_an_attempt_is_told_and_opens_its_story_by_keys_alone(
    browser: Browser, lost: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Down, N and Enter lead to the lost lease and to the story that the command tells, and Esc back to the picture."""
    browser.open(lost)
    browser.run('document.getElementById("axis").focus()')
    for key in ("ArrowDown", "n", "n"):
        browser.key(key)
    assert text(browser, "tell").startswith("plates#4, attempt 1 on dome-2: 22:05:") and "lease lost" in text(
        browser, "tell"
    )
    browser.key("Enter")
    browser.run(
        '(async () => { while (document.getElementById("story").hidden) await new Promise(requestAnimationFrame); })()'
    )
    story = browser.run('[...document.querySelectorAll("#story li")].map(li => li.textContent)')
    assert [line for line in story if "ran out and was lost (attempt 1)" in line] != []
    assert answer(["story", str(SCENARIOS / "worker-lost-mid-run.yaml"), "plates#4"]) == 0
    whole = browser.run('["storyname", "told"].map(id => document.getElementById(id).innerText).join(" ")')
    assert whole.split() == capsys.readouterr().out.split()
    assert browser.run("document.activeElement.id") == "story"
    browser.key("Escape")
    assert browser.run('[document.getElementById("story").hidden, document.activeElement.id]') == [True, "axis"]


def test_a_click_opens_a_story_under_its_lane(browser: Browser, lost: Path) -> None:
    """A click on an attempt puts the story of its job between its lane and the next."""
    browser.open(lost)
    browser.run('document.getElementById("night").scrollIntoView()')
    x, y = browser.run(
        '(({x, y, width}) => [x + width * 0.25, y + 12])(document.getElementById("upper").getBoundingClientRect())'
    )
    browser.click(x, y)
    browser.run(
        '(async () => { while (document.getElementById("story").hidden) await new Promise(requestAnimationFrame); })()'
    )
    browser.settle()
    heights = browser.run('["upper", "lower"].map(id => document.getElementById(id).clientHeight)')
    assert (heights, "dome-1" in text(browser, "tell")) == ([30, 60], True)


def test_filters_and_the_slider(browser: Browser, lost: Path) -> None:
    """A filter says how many attempts are left, and the slider tells every queue and worker at its moment."""
    browser.open(lost)
    browser.run('document.getElementById("outcome").value = "4"')
    browser.run('document.getElementById("filters").dispatchEvent(new Event("change"))')
    assert text(browser, "shown") == "1 of 41 attempts are shown."
    browser.run('document.getElementById("moment").value = "120"')
    browser.run('document.getElementById("moment").dispatchEvent(new Event("input"))')
    rows = '[...document.querySelectorAll("#{} tr")].map(tr => [...tr.cells].map(cell => cell.textContent))'
    assert text(browser, "clock") == "22:13:12"
    queues, workers = browser.run(rows.format("queues")), browser.run(rows.format("workers"))
    assert [int(cell) for cell in queues[0][1:]] != [0, 0, 0] and queues[0][0] == "night"
    assert [row[:2] for row in workers] == [["dome-1", "busy"], ["dome-2", "off"], ["dome-3", "busy"]]


def test_a_number_leads_to_what_is_behind_it(browser: Browser, lost: Path) -> None:
    """The number of lost leases lists the attempt, and a worst job's name opens its events."""
    browser.open(lost)
    browser.run("""document.querySelector('[data-outcome="lease lost"]').click()""")
    assert browser.run('[...document.querySelectorAll("#behind li")].length') == 1
    browser.run("""document.querySelector('a[href^="#job-"]').click()""")
    browser.run("new Promise(done => setTimeout(done, 50))")
    assert browser.run("document.querySelector(location.hash).open") is True


def sheets(printed: bytes) -> int:
    """Count the sheets of a document that was printed."""
    assert printed.startswith(b"%PDF")
    return len(re.findall(rb"/Type\s*/Page\b", printed))


def test_a_page_prints_what_is_open(browser: Browser, lost: Path) -> None:
    """A night is two sheets of A4; a part that the reader has opened is printed too, and stays open."""
    browser.open(lost)
    assert sheets(browser.pdf()) == 2
    assert browser.run("[...document.querySelectorAll('details')].some(one => one.open)") is False
    browser.run("document.querySelectorAll('details.part').forEach(one => one.open = true)")
    assert sheets(browser.pdf()) > 3
    assert browser.run("[...document.querySelectorAll('details.part')].every(one => one.open)") is True


def test_no_name_does_harm(browser: Browser, tmp_path: Path) -> None:
    """Names with tags, control and direction marks, quotes or ten thousand characters are shown as text, in bounds."""
    evil = "</script><script>window.harm=1</script><img src=x onerror=harm=1>\u202e\u0000\x1b[31m'\"`${harm=1}&amp;"
    names = [evil, "n" * 10_000, "\u202b\u2066\u200f" + evil]
    rows = [(0, "run_began", 0, 0, "", 1)]
    for number, name in enumerate(names, 1):
        rows.append((0, "submitted", 0, number, "", "queued", name, name, name, 1, name, 0, "", 0))
        rows.append((10, "worker_changed", 0, 0, name, "idle", "", 1))
        rows.append((10, "handed_out", 0, number, name, 1, number, 10_000_000, 1))
        rows.append((10, "work_began", 0, number, name, 1, number))
        rows.append((20, "effect_landed", 0, number, name, 1, number, name, name, "no"))
        rows.append((30, "call_ended", 0, number, name, 1, number, name, "ok", 5))
        rows.append((40, "fault_began", 0, 0, name, "freeze", name, number, name))
    fold = NightFold(60_000_000, pools={name: name for name in names})
    fold.feed_all(rows)
    clock = Clock(datetime(2026, 6, 12, 21, 30), "America/Santiago")  # noqa: DTZ001 - a local time; the clock knows the zone
    meta = RunMeta(title=evil, seed=1, again=evil)
    path = tmp_path / "evil.html"
    path.write_text(document(Material(fold.close(), (), meta, list(enumerate(rows, 1)), clock, ())), "utf-8")
    browser.open(path, width=400)
    browser.run('document.getElementById("axis").focus()')
    for key in ("n", "Enter"):
        browser.key(key)
    browser.run(
        '(async () => { while (document.getElementById("story").hidden) await new Promise(requestAnimationFrame); })()'
    )
    assert (browser.complaints(), browser.run("typeof harm"), browser.run("document.images.length")) == (
        [],
        "undefined",
        0,
    )
    assert browser.run("document.documentElement.scrollWidth <= innerWidth") is True
    assert browser.run(r"/[\u0000\u001b\u200f\u202b\u202e\u2066]/.test(document.body.innerText)") is False


def with_faults(count: int, starts: str = "2026-06-12T21:30:00", zone: str = "America/Santiago") -> str:
    """Give the page of a night with so many losses of power, some of them seconds apart."""
    moments = [60 + 500 * one + (one % 3) * 40 for one in range(count)] if count > 5 else [60, 90, 5000, 9000, 20000]
    faults = [{"power_off": "dome-1", "at": f"+{at}s", "back_after": "20s"} for at in moments[:count]]
    night = {
        "title": "Many faults",
        "starts": starts,
        "zone": zone,
        "lasts": "6h",
        "queues": {"night": {"lease": "90s", "retry": {"attempts_in_all": 9}}},
        "pools": {"dome": {"count": 2, "serves": ["night"]}},
        "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "4m"}]}},
        "arrivals": [{"routine": "copy", "count": 20, "at": "+1m"}],
        "faults": faults,
    }
    return emulator.run(night).page()


def written(browser: Browser, *, printed: bool = False) -> list[list[object]]:
    """Draw the picture anew, or for print, and give each text above the lanes: the text, its left, right and middle."""
    browser.run(
        """(() => { const real = CanvasRenderingContext2D.prototype.fillText; window.seen = [];
        CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
          if (this.canvas.id === "above") { const w = this.measureText(text).width;
            const left = this.textAlign === "center" ? x - w / 2 : x; window.seen.push([text, left, left + w, y]); }
          return real.call(this, text, x, y); }; return 0; })()"""
    )
    if printed:
        browser.run('dispatchEvent(new Event("beforeprint"))')
        found: list[list[object]] = browser.run("window.seen")
        browser.run('dispatchEvent(new Event("afterprint"))')
        return found
    browser.run('document.getElementById("axis").focus({preventScroll: true})')
    browser.key("0")
    browser.settle()
    found = browser.run("window.seen")
    return found


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [800, 1400, 2000])
@pytest.mark.parametrize("count", [1, 5, 40])
def test_numbers_of_faults_never_overlap(count: int, width: int, dark: bool, browser: Browser, tmp_path: Path) -> None:
    """Each mark has its number in one label and in the list; no two labels meet, and none leaves the picture."""
    path = tmp_path / "faults.html"
    path.write_text(with_faults(count), "utf-8")
    browser.open(path, width=width, dark=dark)
    labels = _labels(written(browser))
    told = [number for _, _, text in labels for number in _numbers(text)]
    listed = browser.run('[...document.querySelectorAll("#marks li")].map(one => one.value)')
    assert listed == list(range(1, count + 1))
    assert told == listed
    assert len(labels) >= {1: 1, 5: 4, 40: 10}[count]
    assert all(one[1] < two[0] and two[0] - one[0] >= 20 for one, two in pairwise(labels))
    assert labels[-1][1] <= browser.run('document.getElementById("above").clientWidth')
    assert browser.complaints() == []


@pytest.mark.parametrize("count", [1, 5, 40])
def test_numbers_of_faults_never_overlap_in_print(count: int, browser: Browser, tmp_path: Path) -> None:
    """On a sheet of 703 pixels (186 mm) each mark has its number too, and no two labels meet."""
    path = tmp_path / "faults.html"
    path.write_text(with_faults(count), "utf-8")
    browser.open(path, width=1400, dark=True)
    labels = _labels(written(browser, printed=True))
    assert [number for _, _, text in labels for number in _numbers(text)] == list(range(1, count + 1))
    assert all(one[1] < two[0] and two[0] - one[0] >= 20 for one, two in pairwise(labels))
    assert labels[-1][1] <= 703


def test_faults_are_chosen_by_the_keyboard(browser: Browser, tmp_path: Path) -> None:
    """F goes to the next, with Shift to the one before; it is told, it is in view, and at every zoom no labels meet."""
    path = tmp_path / "faults.html"
    path.write_text(with_faults(40), "utf-8")
    browser.open(path, width=800)
    browser.run('document.getElementById("axis").focus({preventScroll: true})')
    for key in ("f", "f", "F"):
        browser.key(key)
    assert text(browser, "tell") == "1: 21:31:00 to 21:31:20 power off: dome-1."
    for _ in range(4):
        browser.key("+")
    for _ in range(20):
        browser.key("f")
    assert text(browser, "tell").startswith("21: ")
    browser.run("window.seen = []")
    written(browser)
    for key in ("+", "+", "+", "ArrowRight"):
        browser.run("window.seen = []")
        browser.key(key)
        labels = _labels(browser.run("window.seen"))
        assert all(one[1] < two[0] for one, two in pairwise(labels))
    assert browser.run("document.activeElement.id") == "axis"
    for _ in range(41):
        browser.key("f")
    assert text(browser, "tell") == "There is no further fault or action."


def _labels(texts: list[list[object]]) -> list[tuple[float, float, str]]:
    """Give the labels of the fault row, from left to right: left, right and text."""
    return sorted((float(str(one[1])), float(str(one[2])), str(one[0])) for one in texts if one[3] == 27)


def _numbers(label: str) -> list[int]:
    """Give the numbers of a label: ``3-5`` for three of them."""
    ends = [int(one) for one in label.split("-")]
    return list(range(ends[0], ends[-1] + 1))


@pytest.mark.parametrize(
    ("starts", "words"),
    [
        ("2026-03-28T22:00:00", "clock forward 1 h"),
        ("2026-10-24T22:00:00", "clock back 1 h"),
        ("2026-06-12T22:00:00", ""),
    ],
)
def test_a_clock_change_is_labelled(starts: str, words: str, browser: Browser, tmp_path: Path) -> None:
    """London changes its clock on the last Sundays of March and October, and on no night of June."""
    path = tmp_path / "change.html"
    path.write_text(with_faults(1, starts, "Europe/London"), "utf-8")
    browser.open(path)
    found = [one for one in written(browser) if str(one[0]).startswith("clock ")]
    assert [one[0] for one in found] == ([words] if words else [])


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a night with many faults."""
    path = tmp_path_factory.mktemp("page") / "faulty.html"
    path.write_text(with_faults(40), "utf-8")
    return path


@pytest.fixture(scope="module")
def compared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a comparison with several variants and requirements."""
    path = tmp_path_factory.mktemp("page") / "compared.html"
    found = emulator.compare(SCENARIOS / "how-many-workers.yaml", nights=8, processes=1)
    path.write_text(found.page(), "utf-8")
    return path


@pytest.mark.parametrize(("width", "dark"), [(1200, False), (1200, True), (360, False)])
def test_a_comparison_opens_without_a_complaint_or_a_request(
    browser: Browser, compared: Path, width: int, dark: bool
) -> None:
    """It fits its window, each picture is shown once, in the form for its width, and nothing is asked for."""
    browser.open(compared, width=width, dark=dark)
    assert browser.complaints() == []
    assert browser.run("document.documentElement.scrollWidth <= innerWidth") is True
    browser.run("document.querySelectorAll('details').forEach(one => one.open = true)")
    assert browser.run("document.documentElement.scrollWidth <= innerWidth") is True
    shown = browser.run("[...document.querySelectorAll('figure')].map(f => [f.className, f.clientHeight > 0])")
    assert {tuple(one) for one in shown} == {("broad", width > 560), ("narrow", width <= 560)}


def test_a_mean_of_a_comparison_leads_to_its_nights(browser: Browser, compared: Path) -> None:
    """The link of a mean opens the list of all nights of that figure, by its address alone."""
    browser.open(compared)
    browser.run("document.querySelector('a[href^=\"#nights-\"]').click()")
    browser.run("new Promise(done => setTimeout(done, 100))")
    assert browser.run("document.querySelector(location.hash).closest('details').open") is True
    assert browser.run("document.querySelectorAll(location.hash + ' tbody tr').length") == 8


def test_a_comparison_prints(browser: Browser, compared: Path) -> None:
    """Printing gives the answer and its reasons on two sheets."""
    browser.open(compared)
    assert sheets(browser.pdf()) <= 2


def test_eight_variants_print_on_two_sheets(browser: Browser, tmp_path: Path) -> None:
    """Long names, two changes each, three requirements: the answer, its picture, reasons and settings fit on two."""
    variants = {
        f"variant number {one} with a long name": {"pools.dome.count": one, "queues.night.retry.attempts_in_all": one}
        for one in range(2, 9)
    }
    asked = [{"measure": "makespan", "at_most": "2h"}, {"measure": "failed", "at_most": 0}, COPIES["must_hold"][0]]
    path = tmp_path / "eight.html"
    found = emulator.compare({**COPIES, "must_hold": asked, "variants": variants}, nights=5, processes=1)
    path.write_text(found.page(), "utf-8")
    browser.open(path)
    assert browser.run("document.querySelectorAll('#answer tbody tr').length") == 8
    assert sheets(browser.pdf()) == 2


def test_print_leaves_out_lanes_that_do_not_fit_a_sheet(browser: Browser, tmp_path: Path) -> None:
    """Of 30 workers 22 are printed, and it is said; on the screen all are there again after it."""
    night = {**COPIES, "pools": {"dome": {**COPIES["pools"]["dome"], "count": 30}}}
    path = tmp_path / "wide.html"
    path.write_text(emulator.run({key: value for key, value in night.items() if key != "variants"}).page(), "utf-8")
    browser.open(path)
    browser.run('dispatchEvent(new Event("beforeprint"))')
    assert text(browser, "left") == "8 of 30 lanes are left out: choose a worker to print the others."
    browser.run('dispatchEvent(new Event("afterprint"))')
    assert text(browser, "left") == ""
    assert sheets(browser.pdf()) <= 3
    assert browser.run("document.getElementById('upper').clientHeight") == 30 * 30


def test_a_folded_part_opens_by_the_keyboard(browser: Browser, compared: Path) -> None:
    """The heading of each folded part opens by a key; the way past the heading leads to the table."""
    browser.open(compared)
    assert browser.run("document.querySelector(document.querySelector('.skip').hash + ' table') !== null") is True
    browser.run("document.querySelector('details.part summary').focus()")
    browser.key("Enter")
    assert browser.run("[...document.querySelectorAll('details.part')].map(one => one.open).slice(0, 2)") == [
        True,
        False,
    ]


@pytest.mark.parametrize("width", [800, 1000, 640, 360])
@pytest.mark.parametrize("page", ["compared", "many"])
def test_the_table_of_the_answer_never_scrolls_sideways(
    browser: Browser, request: pytest.FixtureRequest, page: str, width: int
) -> None:
    """At 800 pixels it is smaller, on a phone its rows are stacked: each cell then stands behind its heading."""
    browser.open(request.getfixturevalue(page), width=width)
    assert browser.run("(one => one.scrollWidth <= one.clientWidth)(document.querySelector('#answer .wide'))") is True
    heads = browser.run(
        "[...document.querySelectorAll('#answer tbody tr:first-child td')].map(one => getComputedStyle(one, '::before')"
        ".content !== 'none')"
    )
    assert set(heads) == {width <= 640}


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of many nights of one scenario."""
    path = tmp_path_factory.mktemp("page") / "many.html"
    path.write_text(emulator.nights(SCENARIOS / "how-long-a-lease.yaml", 8, processes=1).page(), "utf-8")
    return path


@pytest.mark.parametrize(("width", "dark"), [(1400, False), (800, True), (360, False)])
def test_many_nights_open_and_print(browser: Browser, many: Path, width: int, dark: bool) -> None:
    """Nothing goes wrong, the window is wide enough, the table and both pictures stand there; print is two sheets."""
    browser.open(many, width=width, dark=dark)
    assert browser.complaints() == []
    assert browser.run("document.documentElement.scrollWidth <= innerWidth") is True
    shown = "[...document.querySelectorAll('#picture figure, #backlog figure')].filter(f => f.clientHeight > 0).length"
    assert browser.run(shown) == 2
    assert browser.run("document.querySelector(document.querySelector('.skip').hash + ' table') !== null") is True
    assert sheets(browser.pdf()) <= 2


@pytest.mark.skipif(not os.environ.get("QUEUEDRILL_AXE"), reason="QUEUEDRILL_AXE does not name the file of axe-core")
@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("page", ["lost", "compared", "many", "faulty"])
def test_the_accessibility_checker_finds_no_serious_fault(
    browser: Browser, request: pytest.FixtureRequest, page: str, dark: bool
) -> None:
    """axe-core names nothing serious or critical, in light and in dark, with every fold open."""
    browser.open(request.getfixturevalue(page), dark=dark)
    browser.run("document.querySelectorAll('details').forEach(one => one.open = true)")
    browser.run(Path(os.environ["QUEUEDRILL_AXE"]).read_text("utf-8") + ";0")
    found = browser.run(
        "axe.run().then(r => [r.violations.filter(v => ['serious', 'critical'].includes(v.impact))"
        ".map(v => [v.id, v.nodes.map(n => n.html.slice(0, 120))]), r.passes.length > 20])"
    )
    assert found == [[], True]
