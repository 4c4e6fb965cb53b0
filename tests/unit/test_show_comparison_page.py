"""The page of a comparison: whole bytes, no script, every name escaped, a table beside each picture."""

import re
from collections.abc import Iterator
from dataclasses import replace
from html import escape, unescape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from compared_copies import NIGHT as COPIES
from nights_by_hand import compared as compared_by_hand
from nights_by_hand import more, played

from emulator import ComparisonResult, compare, nights
from emulator.measure.comparison.result import Comparison, Lost
from emulator.measure.comparison.wanted import Reading
from emulator.scenario.models.scenario import Requirement
from emulator.scenario.stated import Varied
from emulator.show.comparison.deciding import Numbers, answering_picture, deciding, one_number
from emulator.show.comparison.exports import sentences
from emulator.show.svg import MOST, Bound, Curve, cumulative, going

SCENARIOS = Path(__file__).parents[2] / "scenarios"
GOLDEN = Path(__file__).parent.parent / "golden" / "comparison.html"
HOSTILE = "</style><script>harm=1</script><img src=x onerror=harm=1>\u202e\x1b[31m'\"&"

NIGHT = {**COPIES, "variants": {name: COPIES["variants"][name] for name in ("two", "patient")}}

EMPTY = {"meta", "br", "img", "input", "link"}


class Reader(HTMLParser):
    """Reads HTML strictly: every element that is opened is closed, in order."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        of = dict(attrs)
        assert [name for name in of if name.startswith("on")] == []
        self.ids += [of["id"] or ""] if "id" in of else []
        self.links += [of["href"] or ""] if "href" in of else []
        if tag not in EMPTY:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.fixture(scope="module")
def compared() -> ComparisonResult:
    return compare(NIGHT, nights=10, processes=1, measures=["makespan", "done_share", "unsafe_repeats"])


def test_the_page_of_a_small_comparison_stays_as_it_is(compared: ComparisonResult) -> None:
    """A pin, copied from a run and read by eye: the whole page without its style sheet; twice the same bytes."""
    again = replace(compared, versions={"program": "0"}).page()
    assert again == replace(compared, versions={"program": "0"}).page()
    text = re.sub(r"<style>[^\0]*?</style>", "<style></style>", re.sub("sha256-[^']*", "sha256-", again))
    assert text == GOLDEN.read_text("utf-8")


def test_the_page_is_well_formed_and_leads_to_what_it_names(compared: ComparisonResult) -> None:
    """Every element is closed, no id stands twice, every link leads to a place of the page, and there is no script."""
    read = Reader(compared.page())
    assert (len(set(read.ids)), set(read.links) - {f"#{one}" for one in read.ids}) == (len(read.ids), set())
    assert "script" not in read.seen
    assert read.seen.count("h1") == 1
    assert "script-src" not in compared.page()


def test_the_verdict_comes_before_all_pictures_and_a_table_after_each(compared: ComparisonResult) -> None:
    """The sentences of the command stand on top, and between two different pictures there is a table."""
    page = compared.page().replace("\N{NO-BREAK SPACE}", " ")
    first, second = sentences(compared)
    assert page.index(f">{escape(first)}</h1>") < page.index(f">{escape(second)}</p>") < page.index("<svg")
    for figure in page.split('<figure class="broad">')[1:]:
        assert "<table>" in figure


def shown_first(page: str) -> str:
    """Give the words of a page up to what is folded, blanks as one."""
    return " ".join(
        unescape(re.sub("<[^>]*>", " ", page[: page.index('<details class="part">')].split("<body>")[1])).split()
    )


def said_first(screen: str) -> Iterator[str]:
    """Give what a first screen says: cells, sentences, commands and headings; neither heads of columns nor options."""
    answer, run, table, *others = screen.replace(" \\\n", "").split("\n\n")[:-1]
    yield from (" ".join(answer.split()), *" ".join(run.split()).split(". "))
    for line in table.split("\n  variant ", 1)[1].splitlines()[1:]:
        yield from re.split(r" {2,}", line.strip())
    for paragraph in others:
        for line in re.sub(r"\n {4}(?!queuedrill)", " ", paragraph).splitlines():
            yield " ".join(line.split())


@pytest.mark.slow
@pytest.mark.parametrize(
    ("scenario", "nights", "answer"),
    [
        ("how-many-workers", None, "Take 'seven'"),
        ("how-many-workers", 20, "Too few nights to decide"),
        ("pool-too-small", 42, "No variant qualifies"),
    ],
)
def test_a_page_opens_with_what_the_first_screen_says(scenario: str, nights: int | None, answer: str) -> None:
    """Every cell of the table at 120 columns, every sentence and heading, before anything that is folded."""
    file = SCENARIOS / f"{scenario}.yaml"
    only = ["four workers"] if scenario == "pool-too-small" else None
    found = compare(file, nights=nights, processes=1, variants=only)
    screen = found.summary(width=120).as_text()
    page = shown_first(found.page())
    said = list(said_first(screen))
    assert answer in said[0]
    assert len(said) > 20
    assert [one for one in said if one not in page] == []


def test_a_share_of_nights_has_its_interval_as_a_bar(compared: ComparisonResult) -> None:
    """By hand: 9 of 10 nights, at 1 - 0.05 / 3: with a = 0.05 / 6, 48.5 % to 99.916 % (100 a = 10 h^9 - 9 h^10)."""
    bar = compared.page().split("9 of 10</td>", 1)[1].split("</td>", 1)[0]
    ends = [float(one) for one in re.findall(r'<line x1="([\d.]+)" x2="([\d.]+)"', bar)[1]]
    assert ends == [52.5, 103.9]  # a hundred wide, from 4 on
    assert re.findall(r'cx="([\d.]+)"', bar) == ["94.0"]
    assert bar.endswith(" 48.5 % to 99.9 %")


def test_what_decides_is_open_and_all_else_is_folded(compared: ComparisonResult) -> None:
    """The order of the page: the table first, then what is open and what to do; each heading of the rest is folded."""
    page = compared.page()
    heads = re.findall(r"(<summary>)?<h2>([^<]*)</h2>", page)
    assert [head for fold, head in heads if not fold] == [
        "The answer in figures",
        "What decides: makespan at most 40 min, in 50 % of nights",
        "What is open",
        "Settings and assumptions",
    ]
    assert page.index("Run again with --nights 46.") < page.index('<details class="part">')
    assert {"Requirements", "Every night"} <= {head for fold, head in heads if fold}
    assert " open" not in "".join(re.findall(r"<details[^>]*>", page))


def test_hostile_names_do_no_harm(compared: ComparisonResult) -> None:
    """Names with tags, control and direction marks in every place are text."""

    def evil(one: Any) -> Any:
        return replace(one, variant=HOSTILE) if one.variant == "two" else one

    found = replace(
        compared,
        title=HOSTILE,
        files=(HOSTILE,),
        variants=("as written", HOSTILE, "patient"),
        spreads=tuple(map(evil, compared.spreads)),
        differences=tuple(replace(evil(one), sentence=HOSTILE) for one in compared.differences),
        shares=tuple(replace(evil(one), sentence=HOSTILE, requirement=HOSTILE) for one in compared.shares),
        points=tuple(map(evil, compared.points)),
        played=tuple(map(evil, compared.played)),
        lost=(Lost(HOSTILE, 3, HOSTILE),),
    )
    page = found.page()
    read = Reader(page)
    assert {"script", "img"} & set(read.seen) == set()
    assert (page.count("</style>"), "\x1b" in page, "\u202e" in page) == (1, False, False)


def test_requirements_are_drawn_in(compared: ComparisonResult) -> None:
    """The curves of the figure that a requirement is about have its bound, in words."""
    part = compared.page().split("<h3>makespan</h3>")[1].split("<h3>done_share</h3>")[0]
    assert part.count(">at most 40 min, in 50 % of nights</text>") == 2  # broad and narrow


def test_one_setting_over_many_nights_has_a_page_too() -> None:
    """Without a second variant there are no differences and no trade-off, and all else is there."""
    page = nights(NIGHT, 4, processes=1, measures=["makespan"]).page()
    assert ("Requirements" in page, "Trade-off" in page, "Differences" in page) == (True, False, False)
    assert page.count('<details class="part">') == 3  # requirements, spreads, every night
    assert page.index("The answer in figures") < page.index("<details")


def test_nothing_asked_and_nothing_different_is_said() -> None:
    """No requirement, and a variant that changes nothing: the page says both."""
    night = {**NIGHT, "must_hold": [], "variants": {"the same": {"queues.night.lease": "90s"}}}
    page = compare(night, nights=3, processes=1, measures=["makespan", "detection_delay_mean"]).page()
    assert ("None is stated." in page, "The same in every night under every variant" in page) == (True, True)


@pytest.mark.slow
def test_many_variants_are_thinned_out_and_it_says_so() -> None:
    """Six curves at most; sentences for twelve variants; the tables have all."""
    many = {**NIGHT, "variants": {f"number {one}": {"pools.dome.count": 2 + one % 2} for one in range(15)}}
    page = compare(many, nights=3, processes=1, measures=["makespan"]).page()
    assert "6 of 16 variants are drawn; the table has all." in page
    assert "And 3 more variants: the tables below have all of them." in page


def test_what_is_unfinished_or_lost_is_never_left_out(compared: ComparisonResult) -> None:
    """A cut-off night reads more than; a lost night is named in its table; a curve that is cut off ends lower."""
    first, second, *rest = compared.played
    cut = replace(first, readings={**first.readings, "makespan": Reading(7_200_000_000, True)})
    lost = replace(second, readings={}, held=(), failure="it died")
    page = replace(compared, played=(cut, lost, *rest), lost=(Lost("two", 1, "it died"),)).page()
    assert ("more than 2 h" in page, ">lost<" in page, "two</bdi>, seed 1: it died." in page) == (True, True, True)
    assert "count as more than what was seen" in page


def test_a_cumulative_curve_is_the_product_limit_estimate() -> None:
    """By hand: of four, one cut off at 2: after 1 a quarter, after 3 half of the rest, after 4 all."""
    assert [(at, round(share, 9)) for at, share in going([1, 3, 4], [2])] == [(1, 0.25), (3, 0.625), (4, 1.0)]


@pytest.mark.parametrize("unit", ["time", "share", "count", "ratio"])
@pytest.mark.parametrize("narrow", [False, True])
def test_no_curve_leaves_its_picture(unit: str, narrow: bool) -> None:
    """All points of six curves and a far bound lie within the picture's width, and words are cut to fit."""
    curves = [Curve("n" * 200, [0.0, 0.5 + one], [0.7]) for one in range(MOST)]
    svg = cumulative("a", "b", curves, [Bound(50.0, 0.9, "w" * 300), Bound(0.0, None, "x")], unit, narrow=narrow)
    width = 380 if narrow else 760
    for points in re.findall(r'points="([^"]*)"', svg):
        assert all(0 <= float(point.split(",")[0]) <= width for point in points.split())
    assert all(len(words) < 130 for words in re.findall(r"<text[^>]*>(w+)", svg))


def by_hand(figures: dict[str, dict[str, list[float]]]) -> Comparison:
    """Compare nights made by hand: at most 2 lost leases at work, and 10 s until a lost worker is noticed."""
    requirements = (
        Requirement(measure="lost_while_healthy", at_most=2),
        Requirement(measure="detection_delay_longest", at_most=10_000_000),
    )
    held = {
        variant: [(lost <= 2, late <= 10_000_000) for lost, late in zip(*of.values(), strict=True)]
        for variant, of in figures.items()
    }
    return compared_by_hand(
        played(figures, held),
        list(figures),
        nights=50,
        measures=("lost_while_healthy", "detection_delay_longest"),
        trade_off=("lost_while_healthy", "detection_delay_longest"),
        requirements=dict.fromkeys(figures, requirements),
    )


SHORT = {"lost_while_healthy": [30.0] * 50, "detection_delay_longest": [4_000_000.0] * 50}
RIGHT = {"lost_while_healthy": [0.0, 2.0] * 25, "detection_delay_longest": [8_000_000.0, 10_000_000.0] * 25}
LONG = {"lost_while_healthy": [0.0] * 50, "detection_delay_longest": [20_000_000.0] * 50}


def test_the_picture_has_a_circle_for_each_night_inside_both_limits() -> None:
    """By hand: nights at both limits are inside; 50 circles of the variant that keeps both, 100 crosses."""
    found = by_hand({"as written": SHORT, "right": RIGHT, "long": LONG})
    assert found.recommendation is not None
    assert deciding(found.recommendation) == [
        "lost_while_healthy at most 2",
        "detection_delay_longest at most 10 s",
    ]
    part = answering_picture(found, found.recommendation)
    broad = part.split('<figure class="broad">')[1].split("</figure>")[0]
    assert (broad.count("<circle"), broad.count("<path")) == (50, 100)
    assert "right</bdi></th>" in part
    assert re.findall(r"(\d+ of 50)<", part) == ["0 of 50", "50 of 50", "0 of 50"]


def test_every_circle_lies_in_the_shaded_region_and_no_cross_does() -> None:
    """The region ends at the limits, that are drawn, whether a scale is even or bent far beyond the limit."""
    for most in (3.0, 400.0):
        short = {**SHORT, "lost_while_healthy": [most] * 50}
        found = by_hand({"as written": short, "right": RIGHT, "long": LONG})
        assert found.recommendation is not None
        for svg in re.findall(r"<svg.*?</svg>", answering_picture(found, found.recommendation), re.DOTALL):
            x, y, wide, high = map(float, re.findall(r'<rect x="(\S+)" y="(\S+)" width="(\S+)" height="(\S+)"', svg)[0])
            circles = {(float(a), float(b)) for a, b in re.findall(r'<circle cx="(\S+)" cy="(\S+)"', svg)}
            crosses = {(float(a) + 4, float(b) + 4) for a, b in re.findall(r'<path d="M(\S+) (\S+)L', svg)}
            assert (len(circles), len(crosses)) == (2, 2)
            inside = [x - 0.2 <= a <= x + wide + 0.2 and y - 0.2 <= b <= y + high + 0.2 for a, b in circles]
            outside = [not (x <= a <= x + wide and y <= b <= y + high) for a, b in crosses]
            assert (inside, outside) == ([True, True], [True, True])
            lines = re.findall(r'<line x1="(\S+)" y1="(\S+)" x2="(\S+)" y2="\S+"[^>]* stroke-dasharray="6 4"', svg)
            assert [float(a) for a, _, b in lines if a == b] == [pytest.approx(x + wide, abs=0.2)]


def test_where_one_requirement_decides_the_share_of_nights_is_drawn() -> None:
    """Only leases are lost: one line for each variant, and no picture where nobody misses anything."""
    found = by_hand({"as written": SHORT, "right": RIGHT})
    assert found.recommendation is not None
    part = answering_picture(found, found.recommendation)
    assert "What decides:" in part
    assert re.findall(r"(\d+ of 50)</td>", part) == ["0 of 50", "50 of 50"]
    fine = by_hand({"as written": RIGHT, "right": RIGHT})
    assert fine.recommendation is not None
    assert answering_picture(fine, fine.recommendation) == ""


def test_what_is_unfinished_is_not_drawn_as_kept() -> None:
    """A delay that is only known to be more than 9 s is not shown to be within 10 s."""
    late = [more(9_000_000.0), *LONG["detection_delay_longest"][1:]]
    found = by_hand({"as written": SHORT, "right": RIGHT, "long": LONG})
    cut = played({"as written": SHORT, "right": RIGHT, "long": {**LONG, "detection_delay_longest": late}})
    assert found.recommendation is not None
    part = answering_picture(replace(found, played=tuple(cut)), found.recommendation)
    assert part.split('<figure class="broad">')[1].split("</figure>")[0].count("<path") == 100
    assert "the mark stands at what was seen" in part


def test_variants_of_one_number_stand_along_it() -> None:
    """By hand: 1, 2 and 4 workers on an axis from 120 to 736; the height is that of the share, 344 in all above 420."""
    variants = {"four": {"pools.dome.count": 4}, "two": {"pools.dome.count": 2}}
    found = compare({**NIGHT, "variants": variants}, nights=10, processes=1, measures=["makespan"])
    numbers = one_number(found)
    assert numbers == Numbers(
        "pools.dome.count",
        {"as written": "1", "four": "4", "two": "2"},
        {"as written": 1.0, "four": 4.0, "two": 2.0},
    )
    picture = found.page().split('id="picture"')[1].split("</figure>")[0]
    marks = re.findall(
        r'<(?:circle cx|polygon points)="([^"]*)"[^>]*?(?: cy="([\d.]+)")?[^>]*><title>([^:]*):', picture
    )
    assert [unescape(name) for _, _, name in marks] == ["the scenario as written", "'two'", "'four'"]
    held = {one.variant: one.held / 10 for one in found.shares if one.measure == "makespan"}
    rings = [(float(x), float(y)) for x, y, _ in marks if y]
    at = {"as written": 120.0, "two": 325.3, "four": 736.0}
    expected = [(at[name], round(420 - 344 * held[name], 1)) for name in ("as written", "two", "four")]
    assert [one for one in rings if one not in expected] == []
    assert len(rings) > 0
    assert re.findall(r">(\d)</text>", picture) == ["1", "2", "4"]
    assert ">pools.dome.count</text>" in picture


@pytest.mark.parametrize(
    ("values", "amounts"),
    [
        (["30s", "2m"], [30_000_000.0, 120_000_000.0]),
        (["0.5", "2"], [0.5, 2.0]),
        (["by default", "2"], None),
        (["2", "2.0"], None),
        (["infinity", "2"], None),
        (["", ""], None),
    ],
)
def test_one_number_is_a_number_or_a_duration_that_differs(
    compared: ComparisonResult, values: list[str], amounts: list[float] | None
) -> None:
    """Anything else, two that are the same, and more than one path, are no such number."""
    assert compared.assumed is not None
    names = ["a", "b"]
    varied = tuple(Varied(name, {"queues.night.lease": said}) for name, said in zip(names, values, strict=True))
    found = one_number(replace(compared, assumed=replace(compared.assumed, varied=varied)))
    assert (None if found is None else list(found.amounts.values())) == amounts
    assert one_number(compared) is None  # its variants change a pool and a queue
    assert one_number(replace(compared, assumed=None)) is None
