"""Results in a notebook: well-formed, small, without scripts, every name escaped."""

import base64
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from typing import Any

import pytest
from test_show_comparison_page import HOSTILE, NIGHT, Reader

import emulator

ALLOWED = {"div", "p", "br", "strong", "table", "thead", "tbody", "tr", "th", "td", "bdi", "img", "code"}
SIZED: dict[str, Any] = {**NIGHT, "must_hold": [{"measure": "makespan", "at_most": "30m"}]}


@pytest.fixture(scope="module")
def results() -> dict[str, Any]:
    """One result of each kind."""
    return {
        "night": emulator.run(NIGHT),
        "night without requirements": emulator.run({**NIGHT, "must_hold": []}),
        "nights": emulator.nights(NIGHT, 5, processes=1, measures=["makespan"]),
        "compare": emulator.compare(NIGHT, nights=5, processes=1),
        "size": emulator.size(SIZED, by="pools.dome.count", first=1, last=3, share=0.5, nights=10, processes=1),
    }


KINDS = ["night", "night without requirements", "nights", "compare", "size"]


def picture(html: str) -> str:
    found = re.search(r'src="data:image/svg\+xml;base64,([^"]*)"', html)
    assert found is not None
    return base64.b64decode(found[1]).decode()


@pytest.mark.parametrize("kind", KINDS)
def test_a_result_shows_itself_as_a_table_and_a_picture(results: dict[str, Any], kind: str) -> None:
    """The verdict stands first, then one table, then one well-formed picture with a ground of its own; it is small."""
    html = results[kind]._repr_html_()
    read = Reader(html)
    assert set(read.seen) <= ALLOWED
    assert (read.seen.count("table"), read.seen.count("img")) == (1, 1)
    assert results[kind].sentence.replace("'", "&#x27;") in html.split("<table>")[0]
    svg = ET.fromstring(picture(html))
    assert [node.tag for node in svg.iter() if node.tag.endswith(("script", "foreignObject", "image"))] == []
    assert "prefers-color-scheme:dark" in picture(html) and 'fill="var(--paper)"' in picture(html)
    assert set(re.findall(r"var\(--(\w+)\)", picture(html))) <= {"ink", "paper", "faint", "good", "bad", "plain"}
    assert len(html) < 30_000


@pytest.mark.parametrize("kind", KINDS)
def test_a_result_shows_the_same_each_time(results: dict[str, Any], kind: str) -> None:
    """Two looks at one result are the same bytes."""
    assert results[kind]._repr_html_() == results[kind]._repr_html_()


def test_hostile_names_are_text(results: dict[str, Any]) -> None:
    """Names with tags, control and direction marks harm neither the table nor the picture."""
    night, compared, sized = results["night"], results["compare"], results["size"]
    evil = [
        replace(
            night,
            meta=replace(night.meta, title=HOSTILE),
            judged=tuple(replace(one, requirement=HOSTILE) for one in night.judged),
        ),
        replace(
            compared,
            title=HOSTILE,
            baseline=HOSTILE,
            differences=tuple(replace(one, variant=HOSTILE, sentence=HOSTILE) for one in compared.differences),
        ),
        replace(sized, title=HOSTILE, path=HOSTILE, sentence=HOSTILE),
    ]
    for one in evil:
        html = one._repr_html_()
        read = Reader(html)
        assert (set(read.seen) <= ALLOWED, read.seen.count("img")) == (True, 1)
        shown = html + picture(html)
        assert ("<script" in shown, "\x1b" in shown, "\u202e" in shown) == (False, False, False)
        ET.fromstring(picture(html))


def test_a_night_without_a_job_has_no_picture() -> None:
    """Where no job was done there is nothing to draw, and the table stands alone."""
    html = emulator.run({**NIGHT, "arrivals": [], "must_hold": []})._repr_html_()
    assert Reader(html).seen.count("img") == 0


def test_many_lines_are_cut_and_it_says_so(results: dict[str, Any]) -> None:
    """Ten lines are shown, and how many more there are is said."""
    compared = results["compare"]
    html = replace(compared, differences=compared.differences[:1] * 14)._repr_html_()
    assert (html.count("<tr>"), "and 4 more" in html) == (11, True)


@pytest.mark.slow
def test_running_a_night_loads_nothing_for_notebooks() -> None:
    """The module behind it is imported when a notebook first asks."""
    asked = "emulator.run, emulator.compare, emulator.size"
    code = f"import sys, emulator; {asked}; print('emulator.show.notebook' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout == "False\n"
