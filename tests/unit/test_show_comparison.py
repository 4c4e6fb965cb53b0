"""Comparisons as text, JSON, CSV, Markdown and pictures: whole outputs, 80 columns, everything escaped."""

import csv
import io
import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from compared_copies import NIGHT

from emulator import ComparisonResult, compare, nights, size
from emulator.measure.comparison.result import Lost
from emulator.measure.comparison.sizing import Search, conclude_sizing
from emulator.show.comparison.exports import as_csv, as_markdown, comparison_json, holds, sentence
from emulator.show.comparison.pictures import NARROW, forest, pictures, trade_off
from emulator.show.comparison.screens import comparison_page, sizing_page
from emulator.show.layout import columns
from emulator.show.svg import SHAPES, Scale, Svg, nice_steps

GOLDEN = Path(__file__).parent.parent / "golden"
HOSTILE = "<script>alert('x')</script> | **b** \u202edesrever \x1b[31m"


@pytest.fixture(scope="module")
def compared() -> ComparisonResult:
    return compare(NIGHT, nights=10, processes=1, measures=["makespan", "done_share", "unsafe_repeats"])


def hostile(name: str = HOSTILE) -> ComparisonResult:
    night = {**NIGHT, "title": name[:200].replace("\x1b", " "), "variants": {"a" * 60: {"pools.dome.count": 2}}}
    found = compare(night, nights=3, processes=1, measures=["makespan"])
    spreads = tuple(replace(one, variant=name if one.variant != "as written" else one.variant) for one in found.spreads)
    differences = tuple(replace(one, variant=name, sentence=name) for one in found.differences)
    points = tuple(replace(one, variant=name if one.variant != "as written" else one.variant) for one in found.points)
    return replace(
        found, title=name, variants=("as written", name), spreads=spreads, differences=differences, points=points
    )


@pytest.mark.parametrize("kind", ["page.txt", "page-all.txt", "json", "csv", "md", "differences.svg", "trade-off.svg"])
def test_each_form_is_the_same_to_the_byte(compared: ComparisonResult, kind: str) -> None:
    """Each form of one small comparison is compared whole; the files are pins, copied from a run and read by eye."""
    made = {
        "page.txt": lambda: str(compared),
        "page-all.txt": lambda: compared.summary(everything=True).as_text(),
        "json": lambda: json.dumps(_without_versions(compared.as_json()), indent=1) + "\n",
        "csv": lambda: as_csv(compared),
        "md": lambda: as_markdown(compared),
        "differences.svg": lambda: pictures(compared)["differences.svg"],
        "trade-off.svg": lambda: pictures(compared)["trade-off.svg"],
    }[kind]()
    path = GOLDEN / f"comparison.{kind}"
    assert made == path.read_bytes().decode("utf-8")


def _without_versions(said: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in said.items() if key not in ("versions", "played")}


def test_no_figure_is_called_by_its_key(compared: ComparisonResult) -> None:
    """What is typed with underscores stands on no screen of a comparison, and sentences quote the names of variants."""
    whole = compared.summary(everything=True).as_text()
    screens = (str(compared), whole, as_markdown(compared).replace("\\", ""), *pictures(compared).values())
    assert [re.findall(r"\w+_\w+", screen) for screen in screens] == [[]] * len(screens)
    assert "'two' is better" in whole


@pytest.mark.slow
def test_nothing_is_wider_than_80_columns(compared: ComparisonResult) -> None:
    """Thirty variants with long names, and a name of 300 characters, keep within the page."""
    many = {
        **NIGHT,
        "variants": {f"variant number {number} with a very long name": {"pools.dome.count": 2} for number in range(30)},
    }
    for found in (
        compared,
        hostile("x" * 300),
        hostile("long words " * 30),
        compare(many, nights=2, processes=1),
        nights(NIGHT, 5, processes=1),
        nights(NIGHT, 1, processes=1),
    ):
        for page in (found.summary(), found.summary(everything=True)):
            assert [
                line for line in page.as_text().splitlines() if columns(line) > 80 and "queuedrill" not in line
            ] == []


def test_hostile_names_do_no_harm() -> None:
    """No control character reaches the terminal; Markdown and SVG escape what they would take for more than text."""
    found = hostile()
    assert not any(ord(character) < 32 and character != "\n" for character in str(found))
    assert "<script>" not in as_markdown(found).replace("\\<", "")
    for picture in pictures(found).values():
        root = ET.fromstring(picture)
        assert [node.tag for node in root.iter() if node.tag.endswith("script")] == []
        assert "\x1b" not in picture


def test_json_has_nine_digits_and_the_versions(compared: ComparisonResult) -> None:
    """Floats are rounded to nine significant digits; all versions stand beside."""
    said = compared.as_json()
    assert json.loads(json.dumps(said)) == said
    assert sorted(said["versions"]) == ["program", "python", "scipy", "zone data"]
    mean = said["spreads"][0]["mean"]
    assert mean == float(f"{compared.spreads[0].mean:.9g}")
    assert (said["holds"], said["verdict"]) == (compared.holds, compared.sentence)


def test_rows_and_csv_say_the_same_in_seconds(compared: ComparisonResult) -> None:
    """Each figure and variant is one row, in Python and in CSV; unknown ends are empty."""
    rows = compared.rows()
    read = list(csv.DictReader(io.StringIO(as_csv(compared))))
    assert [(row["measure"], row["variant"]) for row in rows] == [(row["measure"], row["variant"]) for row in read]
    spread = compared.spreads[1]
    assert spread.mean is not None
    assert rows[1]["mean"] == float(f"{spread.mean / 1_000_000:.9g}")
    assert (rows[0]["effect"], read[0]["difference"]) == ("baseline", "")


def test_the_verdict_counts_the_variants_and_not_the_baseline(compared: ComparisonResult) -> None:
    """A variant that is recommended decides; the baseline's own misses do not; lost nights never hold."""
    assert (compared.holds, compared.shares[3].verdict) == (None, "undecided")  # ten nights show nothing
    better = compare(
        {
            **NIGHT,
            "must_hold": [{"measure": "makespan", "at_most": "30m", "in_share": 0.5}],
            "variants": {"four": {"pools.dome.count": 4}},
        },
        nights=40,
        processes=1,
        measures=["makespan"],
    )
    assert (better.holds, better.shares[0].verdict) == (True, "does_not_hold")
    assert better.sentence == (
        "Take 'four': it kept its requirement in 38 of 40 nights. "
        "At least 81 % of all nights keep it (95 % sure, for 2 variants together)."
    )
    lost = replace(better, lost=(Lost("four", 3, "its process died each time"),))
    assert holds(lost) is False
    assert "\n1 night failed to run; " in comparison_page(lost).as_text()
    assert "'four', seed 3: its process died each time." in comparison_page(lost, everything=True).as_text()
    gone = replace(lost, nights=1)
    assert sentence(gone).startswith(
        "Nothing is known of 'four': every night failed to run (its process died each time). Take "
    )
    nothing = compare({**NIGHT, "must_hold": []}, nights=2, processes=1, measures=["makespan"])
    assert nothing.holds is None
    assert comparison_json(nothing)["holds"] is None


def test_one_night_and_no_nights_to_judge_are_said() -> None:
    """A single replication has no intervals; a figure of nothing is none; both are in words."""
    one = compare(NIGHT, nights=1, processes=1, measures=["makespan", "detection_delay_mean"])
    text = one.summary(everything=True).as_text()
    assert "1 night of\neach" in text
    assert "too few nights" in text
    assert "none" in text
    assert nights({**NIGHT, "must_hold": []}, 3, processes=1).sentence == "No requirement is stated; 3 nights were run."


def test_each_variant_that_misses_requirements_has_a_reason() -> None:
    """The requirement that was missed most is named, and the others are counted; so are variants after the fourth."""
    asked = [{"measure": "done", "at_least": 1000 + one} for one in range(3)]
    variants = {name: {"pools.dome.count": 2} for name in "abcde"}
    found = compare({**NIGHT, "must_hold": asked, "variants": variants}, nights=2, processes=1, measures=["done"])
    assert found.sentence == (
        "No variant qualifies: the scenario as written comes closest, 0 of 2 nights kept everything. "
        "It misses: jobs done at least 1000, and 2 more requirements. More nights will not help."
    )
    told = " ".join(str(found).split())
    why = "jobs done at least 1000: kept in 0 of 2 nights (and 2 more requirements). One night (seed 1): "
    assert [f"'{name}': {why}" in told for name in "abcde"] == [True, True, True, False, False]
    assert "2 more variants fail: --all" in told


def test_a_figure_that_is_the_same_in_every_night_is_said_once() -> None:
    """An interval whose ends read alike is one value, and so are the quantiles over nights."""
    text = nights(NIGHT, 3, processes=1).summary(everything=True).as_text()
    assert "\n  as written  100 %  100 %\n  100 % in every night.\n" in text
    assert "Half of the nights have at most " in text
    assert "100 % in this night." in str(nights(NIGHT, 1, processes=1))
    assert "share of jobs done: 100 % in every night." in str(nights(NIGHT, 3, processes=1))


def test_a_search_for_a_size_prints_well() -> None:
    """The answer comes first, then every value with its nights and verdict."""
    asked = {**NIGHT, "must_hold": [{"measure": "makespan", "at_most": "30m"}]}
    found = size(asked, by="pools.dome.count", first=1, last=3, share=0.5, nights=40, processes=1)
    lines = str(found).splitlines()
    assert lines[0].startswith("Take 2: the smallest pools.dome.count that keeps the requirements. ")
    heads = ["value", "nights", "kept", "95", "%", "interval", "0", "%", "100", "%", "fails", "on"]
    assert [line.split() for line in lines if line.startswith("  value ")] == [heads]
    assert "Why not 1" in lines
    assert "  2 planned worker-hours more than 1 (4, not 2)." in lines
    assert [row["requirements"][0]["held"] for row in found.rows()] == [row["held"] for row in found.rows()]
    assert (found.holds, [row["value"] for row in found.rows()]) == (True, [1, 2, 3])


@pytest.mark.parametrize("theme", ["both", "light", "dark"])
def test_pictures_are_well_formed_and_told_to_those_who_do_not_see_them(compared: ComparisonResult, theme: Any) -> None:
    """Each has a title and a description with every sentence; a fixed theme asks nothing of the reader's system."""
    for picture in (forest(compared, theme), trade_off(compared, theme)):
        root = ET.fromstring(picture)
        names = [child.tag.rpartition("}")[2] for child in root]
        assert names[:2] == ["title", "desc"]
        assert ("prefers-color-scheme" in picture) is (theme == "both")
    assert all(one.sentence in ET.fromstring(forest(compared))[1].text for one in compared.differences)  # type: ignore[operator]
    assert pictures(nights(NIGHT, 2, processes=1)) == {}


def boxes(picture: str) -> list[tuple[float, float, float, float, str]]:
    """Give where each text of a picture stands: left, top, right, bottom, and the text."""
    found = []
    for node in ET.fromstring(picture).iter("{http://www.w3.org/2000/svg}text"):
        size, text = float(node.attrib["font-size"]), node.text or ""
        wide = columns(text) * size * 0.56  # wider than usual typefaces are
        left = float(node.attrib["x"]) - {"start": 0, "middle": wide / 2, "end": wide}[node.attrib["text-anchor"]]
        bottom = float(node.attrib["y"])
        found.append((left, bottom - 0.75 * size, left + wide, bottom, text))
    return found


@pytest.mark.slow
def test_no_two_texts_of_a_picture_meet_or_leave_it(compared: ComparisonResult) -> None:
    """With few variants, with many close together, and with long names and amounts."""
    many = {**NIGHT, "variants": {f"variant {number} of many": {"pools.dome.count": 2} for number in range(22)}}
    found = [
        compared,
        hostile("a name that is longer than its place allows " * 3),
        compare(many, nights=2, processes=1, measures=["makespan", "done_share"]),
    ]
    for comparison in found:
        for picture in pictures(comparison).values():
            seen = boxes(picture)
            assert [text for left, _, right, _, text in seen if left < 0 or right > 800] == []
            meeting = [
                (one[4], other[4])
                for place, one in enumerate(seen)
                for other in seen[:place]
                if one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]
            ]
            assert meeting == []


def test_a_variant_that_fails_jobs_is_not_shown_as_merely_quick() -> None:
    """Every form of a trade-off tells the share of jobs done where it differs, whichever figures were asked for."""
    found = compare(
        {**NIGHT, "variants": {"gives up": {"queues.night.retry.attempts_in_all": 1}}},
        measures=["makespan"],
        nights=4,
        processes=1,
    )
    base, quick = found.points  # the shares are pins, copied from a run
    assert (base.dominated_by, base.done, quick.dominated_by, quick.done) == (("gives up",), 1.0, (), 0.84375)
    whole = found.summary(everything=True).as_text()
    assert "\n  gives up    84.4 %  " in whole
    assert "  as written   100 %  " in whole
    assert "Where fewer jobs are done, a short time is no\n  merit: it is never called better." in str(found)
    said = "The variants do not get the same share of jobs done: one that fails jobs can look quick and cheap."
    which = (
        "Dominated by no other: {}. A variant dominates another that is no better on either figure, and worse on one."
    )
    assert which.format("&#x27;gives up&#x27; (84.4 % done)") + f" {said}</p>" in found.page()
    assert ">gives up, 84.4 % done</text>" in trade_off(found)
    assert ">as written, 100 % done</text>" in trade_off(found, layout=NARROW)


@pytest.mark.parametrize(
    ("variant", "trade"), [({"pools.dome.count": 2}, None), ({"queues.night.retry": {}}, ("makespan", "done_share"))]
)
def test_shares_of_jobs_done_are_not_told_where_they_say_nothing_new(variant: Any, trade: Any) -> None:
    """Where all variants get the same done, or the trade-off is of that share itself."""
    found = compare({**NIGHT, "variants": {"it": variant}}, trade_off=trade, nights=4, processes=1)
    forms = (found.summary(everything=True).as_text(), found.page(), trade_off(found))
    assert [form for form in forms if "the same share of jobs done" in form or "% done" in form] == []


@pytest.mark.slow
def test_a_picture_of_too_many_variants_says_that_some_are_left_out() -> None:
    """Only the first are drawn, and how many there are is said."""
    many = {**NIGHT, "variants": {f"variant {number}": {"pools.dome.count": 2} for number in range(30)}}
    drawn = pictures(compare(many, nights=2, processes=1, measures=["makespan"]))
    assert all("the first 24 of 3" in picture for picture in drawn.values())


def test_a_variant_that_looks_like_a_formula_is_none_in_csv(compared: ComparisonResult) -> None:
    """A name that begins with = gets an apostrophe, as in the other tables."""
    spreads = (replace(compared.spreads[0], variant="=1+1"), *compared.spreads[1:])
    assert ",'=1+1," in as_csv(replace(compared, spreads=spreads))


def test_axes_have_few_round_ticks() -> None:
    """Ticks are round in the unit, within the ends, and never more than asked for."""
    assert Scale(0, 7_200_000_000, 0, 100, "time", 4).ticks == [
        0,
        1_800_000_000,
        3_600_000_000,
        5_400_000_000,
        7_200_000_000,
    ]
    assert [Scale(-0.4, 0.9, 0, 1, "points").say(tick) for tick in Scale(-0.4, 0.9, 0, 1, "points", 3).ticks] == [
        "0 points",
        "50 points",
    ]
    assert Scale(5, 5, 0, 100, "count").at(5) == 50.0
    assert nice_steps(1e18, "time", 5) == 50_000 * 86_400_000_000
    for unit in ("time", "share", "count"):
        assert len(Scale(0.013, 97.3, 0, 1, unit, 5).ticks) <= 6


def test_every_mark_is_drawn_differently() -> None:
    """No two shapes give the same drawing."""
    drawings = set()
    for shape in SHAPES:
        svg = Svg(20, 20, "a", "b")
        svg.mark(10, 10, shape, tip="<")
        svg.steps([(0, 0), (1, 1)], dashes="2 2")
        drawings.add(svg.write())
        assert "&lt;" in svg.write()
    assert len(drawings) == len(SHAPES)


@pytest.mark.parametrize(
    ("held", "of", "said", "line"),
    [
        # from 206 nights on, four times in five: beta and binomial quantiles at 97.5 %, with 4 % of nights missed
        (96, 100, "about 206 nights would probably show it.", "96 of 100 nights kept everything"),
        # 0.0125 ** (1 / 42) is 0.9009, and ** (1 / 41) 0.8987
        (20, 20, "42 nights without a miss would show it.", "20 of 20 nights kept everything"),
        # 90 of 100 is what is asked: no number of nights shows it
        (90, 100, "54 is undecided. 100 of 100", "90 of 100 nights kept everything"),
    ],
)
def test_a_size_beyond_the_answer_that_is_undecided_is_called_so(held: int, of: int, said: str, line: str) -> None:
    """The largest that is shown is not the largest that does: what is undecided is told second, and no reason made."""
    nights = [[(seed, True) for seed in range(100)], [(seed, seed < held) for seed in range(of)]]
    search = Search(
        title="Copies",
        file="copies.yaml",
        paths=("arrivals.plates.count",),
        share=0.9,
        confidence=0.95,
        nights=100,
        first_seed=0,
        values=[48, 54],
        held=nights,
        searched="largest",
    )
    found = conclude_sizing(search)
    assert found.sentence.startswith(
        "Take 48: the largest arrivals.plates.count shown to keep the requirements. 54 is undecided"
    )
    assert said in found.sentence
    told = sizing_page(found).as_text()
    assert f"54 is undecided\n  {line}; the low end of the interval, " in told and "must" in told.split(line)[1]
    assert "Why not" not in told
