"""Writes a brief as one HTML page without a script: at most 500 words, on at most two printed sides of A4.

The law: what does not fit is cut, and a sentence says how much and where the rest is. Sections give way in a fixed
order, what a board needs least first: the same brief gives the same bytes.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from html import unescape
from math import ceil, floor
from types import MappingProxyType
from typing import Any, Final

from emulator.measure.comparison.intervals import Interval
from emulator.measure.words import value
from emulator.outlook.brief import Assumption, Brief, FactSeen, Figured, RequirementSeen, WhatIf
from emulator.scenario.stated import NOT_STATED as NO_SOURCE
from emulator.show.comparison.exports import plain_data
from emulator.show.comparison.words import night_count
from emulator.show.html import clean, file, section, table, text
from emulator.show.layout import as_sentence
from emulator.show.meta import ONE_LINE, SMALL_PRINT

__all__ = ["MOST_WORDS", "answer_sentence", "brief_document", "brief_json", "words_of_page"]

MOST_WORDS: Final = 500
_MOST_CHARACTERS: Final = 4_600
"""Long names without spaces are one word each, and take as much room as several."""

NOT_STATED: Final = "not stated"
_NO_QUESTION: Final = "Does the night meet its requirements?"
_ANSWERS: Final = MappingProxyType(
    {
        "fits": "yes",
        "does_not_fit": "no",
        "too_few_nights": "too few nights",
        "not_judged": "not judged",
        "nothing_asked": "nothing required",
        "failed_to_run": "failed to run",
    }
)
_TAG: Final = re.compile(r"<(style|title)>.*?</\1>|<[^>]*>", re.DOTALL)

_FULL: Final = MappingProxyType(
    {"about": 200, "texts": 70, "must": 12, "facts": 4, "what_ifs": 12, "assumed": 12, "same": 6, "unseen": 12}
)
"""So many items of each part at most, and words of each text."""
_LEAST: Final = (
    {"about": 20, "texts": 40, "must": 6, "facts": 1, "what_ifs": 6, "assumed": 4, "same": 2, "unseen": 5},
    {"about": 0, "texts": 20, "must": 4, "facts": 0, "what_ifs": 4, "assumed": 2, "same": 0, "unseen": 3},
    {"about": 0, "texts": 8, "must": 1, "facts": 0, "what_ifs": 1, "assumed": 0, "same": 0, "unseen": 0},
)
_GIVE_WAY: Final = ("assumed", "about", "same", "facts", "unseen", "texts", "what_ifs", "must")
"""Which part gives way first, down to each row of ``_LEAST`` in turn."""

Limits = Mapping[str, int]


def answer_sentence(of: Brief) -> str:
    """Say the answer in a sentence: in how many nights everything was met, and what that shows."""
    nights = f"{of.kept} of {of.judged} rehearsed nights"
    if of.answer == "fits":
        if not of.random:
            return "Yes, on what is assumed below; nothing in it is drawn, so all nights are one observation."
        low = 0 if of.interval is None else floor(100 * (of.interval.low or 0))
        return (
            f"Yes, on what is assumed below: everything was met in {nights}, which shows at least {low} of 100 nights "
            f"of just this kind ({value(of.confidence, 'share')} confidence)."
        )
    if of.answer == "does_not_fit":
        missed = [one for one in of.requirements if one.verdict == "does_not_hold"]
        first = f"; missed: {missed[0].label}" if missed else ""
        return f"No, on what is assumed below: everything was met in {nights}{first}."
    if of.answer == "too_few_nights":
        return f"Open: everything was met in {nights}, which are too few to decide."
    if of.answer == "failed_to_run":
        return "Open: a night failed to run."
    return "Not judged: the scenario requires nothing that its nights could show."


def brief_json(of: Brief) -> dict[str, Any]:
    """Give the whole brief, nothing of it cut, as plain data for ``json.dumps``; times are ticks."""
    return {"verdict": answer_sentence(of), **plain_data(of), "note": SMALL_PRINT}


def words_of_page(html: str) -> str:
    """Give the text of a page as a reader sees it, all space between words alike."""
    return " ".join(unescape(_TAG.sub(" ", html)).split())


def brief_document(of: Brief) -> str:
    """Write the page: whole where it fits, else with as much cut as it takes."""
    limits = dict(_FULL)
    body = _body(of, limits)
    for least in _LEAST:
        for part in _GIVE_WAY:
            while not _fits(body) and limits[part] > least[part]:
                limits[part] -= 1 if part not in ("about", "texts") else 5
                limits[part] = max(limits[part], least[part])
                body = _body(of, limits)
    for part in reversed(_GIVE_WAY):  # the last step of a part may have made room for another
        while limits[part] < _FULL[part] and _fits(wider := _body(of, {**limits, part: limits[part] + 1})):
            limits[part] += 1
            body = wider
    return file(f"Brief: {of.title}", body, styles=("brief.css",))


def _fits(body: str) -> bool:
    said = words_of_page(body)
    return len(said.split()) <= MOST_WORDS and len(said) <= _MOST_CHARACTERS


def _body(of: Brief, limits: Limits) -> str:
    told = of.stated
    clock = "; ".join(of.clock_changes) or "no clock change"
    head = [
        ("answer", text(answer_sentence(of))),
        ("night", f"{text(as_sentence(clean(of.title)))} {text(of.date)}, {text(of.zone)}, {text(clock)}."),
    ]
    if limits["about"] and of.about:
        head.append(("about it", _cut(of.about, limits["about"])))
    head += [
        (name, _cut(str(told[key]), limits["texts"]) if key in told else NOT_STATED)
        for name, key in (("purpose", "purpose"), ("scope", "scope"), ("impact", "impact"))
    ]
    after = [
        (name, _cut(str(told[key]), limits["texts"]) if key in told else NOT_STATED)
        for name, key in (("way back", "way_back"), ("owner of the remaining risk", "risk_owner"), ("review", "review"))
    ]
    question = f"{_NO_QUESTION} <small>(question {NOT_STATED})</small>"
    if "question" in told:
        question = text(clean(str(told["question"])))
    parts = [
        f"<header><p>Brief for a decision</p><h1 class='long'>{question}</h1>{_pairs(head)}</header><main>",
        section("What must hold", _must(of, limits["must"])),
        section("What merely tells the story", _facts(of.facts, limits["facts"])),
        section("What if", _what_ifs(of, limits["what_ifs"])),
        section("Way back and risk", _pairs(after)),
        section("Assumed", _assumed(of, limits["assumed"])),
        section("Not varied between nights", _items(of.not_varied, limits["same"])),
        section("Not looked at", _items(of.not_looked_at, limits["unseen"])),
        section("To repeat", _repeat(of)),
        section("Decision", _signatures()),
        f"</main><footer><p><small>{text(ONE_LINE)}</small></p></footer>",
    ]
    return "\n".join(part for part in parts if part)


def _pairs(rows: Sequence[tuple[str, str]]) -> str:
    return f"<dl>{''.join(f'<dt>{name}</dt><dd>{words}</dd>' for name, words in rows)}</dl>"


def _cut(said: str, most: int) -> str:
    """Give so many words of a text, and say how many were left out.

    >>> _cut("one two three", 2), _cut("one two", 2)
    ('one two <small>(1 more word: --json)</small>', 'one two')
    """
    words = said.split()
    left = len(words) - most
    shown = text(" ".join(words[:most]))
    return shown if left <= 0 else f"{shown} <small>({left} more word{'s' if left > 1 else ''}: --json)</small>"


def _more(left: int, of: str) -> str:
    """Say how many were left out, and where they are."""
    return f"<p><small>{left} more {of}{'s' if left > 1 else ''}: --json.</small></p>" if left > 0 else ""


def _must(of: Brief, most: int) -> str:
    """Write the requirements: those that are missed or open come first where not all fit."""
    if not of.requirements:
        return "<p>Nothing is required.</p>"
    first = sorted(of.requirements, key=lambda one: one.verdict == "holds") if len(of.requirements) > most else None
    rows = [
        (text(clean(one.label)), f"{_met(one)}{_interval(one.interval)}", text(_worst(one)))
        for one in (first or of.requirements)[:most]
    ]
    caption = night_count(of.nights)
    if of.random:
        caption += f"; {value(of.confidence, 'share')} intervals hold for the whole page"
    return table(caption, ("requirement", "held in", "worst seen"), rows) + _more(
        len(of.requirements) - most, "requirement"
    )


def _interval(one: Interval | None) -> str:
    """Write an interval of a share of nights behind the share.

    >>> _interval(Interval(0.94481, 1.0, 0.95)), _interval(None)
    (' (94.4 to 100 %)', '')
    """
    if one is None:
        return ""
    low, high = floor(1000 * (one.low or 0)) / 10, ceil(1000 * (1.0 if one.high is None else one.high)) / 10
    return f" ({low:g} to {high:g} %)"


def _met(one: RequirementSeen) -> str:
    look = {"holds": "met", "does_not_hold": "missed"}.get(one.verdict)
    said = f"{one.held} of {one.judged}" if one.judged else "nothing to judge"
    return f'<span class="{look}">{said}</span>' if look else said


def _worst(one: RequirementSeen) -> str:
    """Say the worst value that was seen; one that never differed is one observation."""
    figure = one.figure
    if figure is None:
        return "-"
    if figure.unvaried:
        return f"{_amount(figure, 'most')}: not varied between nights"
    if one.at_least is not None and one.at_most is not None:
        return f"{_amount(figure, 'least')} to {_amount(figure, 'most')}"
    worst = "most" if one.at_most is not None else "least"
    return f"{_amount(figure, worst)} (half: {_amount(figure, 'median')})"


def _amount(figure: Figured, which: str) -> str:
    amount: float | None = getattr(figure, which)
    if amount is None:
        return "none"
    return ("more than " if which in figure.lower_bounds else "") + value(amount, figure.unit)


def _facts(facts: Sequence[FactSeen], most: int) -> str:
    lines = [
        f"{one.label}: " + (f"true in {one.true} of {night_count(one.judged)}" if one.judged else "told by run alone")
        for one in facts
    ]
    return _items(lines, most) if facts else ""


def _items(lines: Sequence[str], most: int) -> str:
    """Write some items in one line after another; of more it is said how many."""
    if not lines:
        return ""
    return f"<p>{_listed(lines, most)}</p>"


def _listed(lines: Sequence[str], most: int) -> str:
    """Write some items, and how many more there are.

    >>> _listed(["a", "b"], 2), _listed(["a", "b"], 1), _listed(["a", "b"], 0)
    ('a; b.', 'a; <small>1 more: --json.</small>', '<small>2: --json.</small>')
    """
    shown = "; ".join(text(clean(line)) for line in lines[:most])
    left = len(lines) - most
    if left <= 0:
        return f"{shown}."
    return f"{shown}; <small>{left} more: --json.</small>" if shown else f"<small>{left}: --json.</small>"


def _what_ifs(of: Brief, most: int) -> str:
    """Write the questions: those that do not fit come first where not all fit on the page."""
    if not of.what_ifs:
        return "<p>No question is asked of the night.</p>"
    asked = of.what_ifs
    if len(asked) > most:
        asked = tuple(sorted(asked, key=lambda one: one.answer == "fits"))
    rows = [
        (
            text(clean(one.ask)),
            _ANSWERS[one.answer],
            str(one.kept) if one.judged == of.nights else f"{one.kept} of {one.judged}",
            "" if one.makespan is None else text(_amount(one.makespan, "most")),
            text("; ".join(_misses(one))),
        )
        for one in asked[:most]
    ]
    caption = f"{night_count(of.nights)} of each"
    head = ("what if", "fits?", "all met", "longest makespan", "misses")
    return table(caption, head, rows) + _more(len(asked) - most, "question")


def _misses(one: WhatIf) -> Iterator[str]:
    """Say what is missed, and how much is done where that is not all."""
    if one.answer == "does_not_fit" and one.fails:
        more = f" and {len(one.fails) - 1} more" if len(one.fails) > 1 else ""
        yield f"{clean(one.fails[0])}{more}"
    if one.done is not None and one.done.least is not None and one.done.least < 1:
        yield f"{_amount(one.done, 'least')} of jobs done at worst"


def _assumed(of: Brief, most: int) -> str:
    """Write the assumptions: how many of each source, then the first of them, guesses first."""
    counts: dict[str, int] = {}
    for one in of.assumptions:
        counts[one.source] = counts.get(one.source, 0) + 1
    if not counts:
        return "<p>The scenario states no value that could be measured.</p>"
    sums = ", ".join(f"{count} {_plural(source, count)}" for source, count in counts.items())
    tried = ""
    if of.guess_nights:
        flips = sum(1 for one in of.assumptions if one.flips)
        many = f"{flips or 'No'} guess{'es' if flips > 1 else ''}"
        tried = f" {many} would change a verdict ({of.guess_nights} nights an end)."
    elif of.guesses_not_tried:
        tried = f" Guesses were not tried: {text(clean(of.guesses_not_tried))}."
    sourced = [one for one in of.assumptions if one.source != NO_SOURCE]
    rows = [
        (text(clean(one.name)), text(clean(one.value)), text(_source(one)), text(clean(_flips(one, of))))
        for one in sourced[:most]
    ]
    shown = table("guesses first", ("what", "value", "source", "changes a verdict?"), rows) if rows else ""
    shown += _more(len(sourced) - most, "value")
    bare = [f"{one.name} {one.value}" for one in of.assumptions if one.source == NO_SOURCE]
    if bare and most:
        shown += f"<p>Without a source: {_listed(bare, most)}</p>"
    return f"<p>{sums}.{tried}</p>{shown}"


def _plural(source: str, count: int) -> str:
    """Name values of a source.

    >>> _plural("guess", 2), _plural("source not stated", 3), _plural("measured", 1)
    ('guesses', 'without a source', 'measured')
    """
    return {"guess": "guess" if count == 1 else "guesses", NO_SOURCE: "without a source"}.get(source, source)


def _source(one: Assumption) -> str:
    """Write the source of a value with its day and its age at the night."""
    observed = "" if one.n is None else f", {one.n:,} observations"
    if not one.on:
        return f"{one.source}{observed}"
    age = "" if one.age_days is None else f" ({one.age_days} d old)"
    return f"{one.source} {one.on}{age}{observed}"


def _flips(one: Assumption, of: Brief) -> str:
    if one.flips:
        more = f" and {len(one.flips) - 1} more" if len(one.flips) > 1 else ""
        return f"yes: {one.flips[0]}{more}"
    if one.source != "guess":
        return "-"
    return "no" if of.guess_nights else "not tried"


def _repeat(of: Brief) -> str:
    last = of.first_seed + of.nights - 1
    seeds = f"seeds {of.first_seed} to {last}" if of.nights > 1 else f"seed {of.first_seed}"
    command = f"<p><code>{text(of.commands[0])}</code> <small>(with all that is cut here)</small></p>"
    sums = "".join(
        f"<p>{text(clean(name))}: SHA-256 <code>{sum_}</code></p>" if sum_ else f"<p>{text(clean(name))}: no file</p>"
        for name, sum_ in of.files[:2]
    )
    more = _more(len(of.files) - 2, "file")
    versions = ", ".join(f"{name} {version}" for name, version in of.versions.items() if name != "scipy")
    return f"{command}{sums}{more}<p>{seeds}; {text(versions)}</p>"


def _signatures() -> str:
    """Write lines for names, dates and signatures."""
    rows = [("asked by", "", ""), ("risk accepted by", "", ""), ("decided: yes, no, later", "", "")]
    return table("by hand", ("who", "name and signature", "date"), rows)
