"""Writes a comparison for programs: a verdict in one sentence, JSON, CSV, Markdown, test results in XML.

A comparison stands by what it recommends (``emulator.measure.comparison.shares``). What so few nights leave open has
not been shown. Floats have nine significant digits.

The XML has one ``testsuite`` with a ``testcase`` for each requirement: ``failure`` where it does not hold, ``error``
where there are too few nights to decide or none had anything to judge. So nothing passes that was not shown. Nights
that failed to run are an ``error`` of a ``testcase`` of their own. Whoever lets what is open pass (or fail) gets
``skipped`` (or ``failure``) instead of ``error``.
"""

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from types import MappingProxyType
from typing import Any, Final, Literal
from xml.etree import ElementTree as ET

from emulator.measure.comparison.intervals import Interval
from emulator.measure.comparison.paired import called, change
from emulator.measure.comparison.result import Comparison, Difference, Share
from emulator.measure.comparison.shares import ALL, Outcome, outcome_of
from emulator.measure.comparison.sizing import Frontier, Sizing
from emulator.measure.comparison.wanted import label_of
from emulator.measure.words import value
from emulator.scenario.variants import AS_WRITTEN
from emulator.show.comparison.answer import answer, capital, nights_answer
from emulator.show.comparison.first import cost_lines, reason_lines, table_rows
from emulator.show.comparison.words import again, verdict_of
from emulator.show.exports.recorded import cell, plain
from emulator.show.layout import WIDE, as_sentence
from emulator.show.meta import SMALL_PRINT

__all__ = [
    "Open",
    "as_csv",
    "as_markdown",
    "asked_of",
    "comparison_json",
    "frontier_json",
    "holds",
    "nights_xml",
    "rows",
    "sentence",
    "sentences",
    "size_holds",
    "sizes_csv",
    "sizing_json",
]


_HOLDS: Final[Mapping[Outcome, bool | None]] = MappingProxyType(
    {"good": True, "bad": False, "open": None, "nothing_asked": None}
)


def asked_of(comparison: Comparison) -> list[Share]:
    """Give everything that had to hold, by variant."""
    candidates = comparison.variants[1:] or comparison.variants
    every = (*comparison.shares, *comparison.not_worse)
    return [one for one in every if one.variant in candidates and one.requirement != ALL]


def holds(comparison: Comparison) -> bool | None:
    """Say whether a variant is recommended, or with one variant whether all that had to hold does; None: it is open."""
    return _HOLDS[outcome_of(comparison)]


def size_holds(sizing: Sizing) -> bool:
    """Say whether a value was found."""
    return sizing.smallest is not None or sizing.largest is not None


def sentence(comparison: Comparison) -> str:
    """Say the answer."""
    return " ".join(sentences(comparison))


def sentences(comparison: Comparison) -> tuple[str, ...]:
    """Say the answer, sentence by sentence."""
    told = answer(comparison)
    if not told:
        return nights_answer(comparison)
    differ = (_differences(comparison),) if len(told) == 1 else ()
    return (*_without_a_night(comparison), *told, *differ)


def _without_a_night(comparison: Comparison) -> list[str]:
    """Name the variants that have no night left: what is said of differences says nothing of them."""
    told = []
    for variant in comparison.variants:
        lost = [one for one in comparison.lost if one.variant == variant]
        if lost and len(lost) == comparison.nights:
            told.append(f"Nothing is known of {called(variant)}: every night failed to run ({lost[0].why}).")
    return told


def _differences(comparison: Comparison) -> str:
    base = comparison.baseline
    words: dict[str, dict[str, list[str]]] = {}
    for one in comparison.differences:
        if one.effect in ("better", "worse"):
            words.setdefault(one.variant, {}).setdefault(one.effect, []).append(_by(one))
    if not words:
        if all(one.effect == "same" for one in comparison.differences):
            return f"No variant differs from {called(base)} in any compared figure."
        return f"No variant shows a clear difference from {called(base)}."
    parts = []
    for variant in comparison.variants[1:]:
        if found := words.get(variant):
            parts.append(f"{capital(called(variant))} {_beside(found, called(base))}")
    shown, more = parts[:4], len(parts) - 4
    if more > 0:
        shown.append(f"{more} more variant{' differs' if more == 1 else 's differ'}")
    return ". ".join(shown) + "."


def _by(one: Difference) -> str:
    """Write a figure with how far it is from the baseline's."""
    bound = "at least " if one.at_least_pairs or one.at_most_pairs else ""
    return (
        label_of(one.measure)
        if one.mean is None
        else f"{label_of(one.measure)} {bound}{change(one.mean, one.unit, one.measure)}"
    )


def _beside(found: Mapping[str, Sequence[str]], base: str) -> str:
    """Say what a variant is beside the baseline, from the figures in which it is better, and worse."""
    better, worse = found.get("better", ()), found.get("worse", ())
    if not worse:
        return f"beats {base}{_where(better)}"
    if not better:
        return f"is worse than {base}{_where(worse)}"
    return f"differs from {base}: better in {_count(better)}, worse in {_count(worse)}"


def _where(figures: Sequence[str]) -> str:
    return f": {figures[0]}" if len(figures) == 1 else f" in {len(figures)} figures"


def _count(figures: Sequence[str]) -> str:
    return f"one ({figures[0]})" if len(figures) == 1 else f"{len(figures)} figures"


def comparison_json(comparison: Comparison) -> dict[str, Any]:
    """Give a comparison as plain data for ``json.dumps``; the same nights give the same bytes."""
    advice = comparison.recommendation
    return {
        "verdict": sentence(comparison),
        "holds": holds(comparison),
        "recommended": [] if advice is None else list(advice.recommended),
        **plain_data(comparison),
        "note": SMALL_PRINT,
    }


def sizing_json(sizing: Sizing) -> dict[str, Any]:
    """Give a search for a size as plain data for ``json.dumps``."""
    return {"verdict": sizing.sentence, "holds": size_holds(sizing), **plain_data(sizing), "note": SMALL_PRINT}


def frontier_json(frontier: Frontier) -> dict[str, Any]:
    """Give a search for two numbers as plain data for ``json.dumps``."""
    return {
        "verdict": frontier.sentence,
        "holds": bool(frontier.recommended),
        **plain_data(frontier),
        "note": SMALL_PRINT,
    }


def plain_data(thing: Any) -> Any:
    """Make results plain data.

    >>> plain_data((1 / 3, {"a": None}))
    [0.333333333, {'a': None}]
    """
    if is_dataclass(thing) and not isinstance(thing, type):
        return {field.name: plain_data(getattr(thing, field.name)) for field in fields(thing)}
    if isinstance(thing, Mapping):
        return {str(key): plain_data(value) for key, value in thing.items()}
    if isinstance(thing, tuple | list):
        return [plain_data(item) for item in thing]
    return float(f"{thing:.9g}") if isinstance(thing, float) else thing


def rows(comparison: Comparison) -> list[dict[str, Any]]:
    """Give a row for each figure and variant: its mean with interval, its difference to the baseline and to the leader.

    Times are in seconds. How the variant stands in the recommendation is told in each of its rows.
    """
    differences = {(one.measure, one.variant): one for one in comparison.differences}
    advice = comparison.recommendation
    stands = {} if advice is None else {one.variant: one for one in advice.standings}
    ahead = {} if advice is None else {(one.measure, one.variant): one for one in advice.differences}
    found = []
    for one in comparison.spreads:
        unit = 1_000_000 if one.unit == "time" else 1
        beside = differences.get((one.measure, one.variant))
        row: dict[str, Any] = {
            "measure": one.measure,
            "variant": one.variant,
            "unit": "seconds" if one.unit == "time" else one.unit,
            "nights": one.n,
            "unfinished_nights": one.more_than,
            "mean": _in(one.mean, unit),
            "mean_low": _end(one.mean_interval, "low", unit),
            "mean_high": _end(one.mean_interval, "high", unit),
            "median": _in(one.median, unit),
            "p90": _in(one.p90, unit),
            "difference": None if beside is None else _in(beside.mean, unit),
            "difference_low": None if beside is None else _end(beside.together, "low", unit),
            "difference_high": None if beside is None else _end(beside.together, "high", unit),
            "p_together": None if beside is None else beside.p_together,
            "effect": "baseline" if beside is None else beside.effect,
            "changes": " ".join(comparison.changes),
        }
        if advice is not None:
            own, leader = stands.get(one.variant), ahead.get((one.measure, one.variant))
            row |= {
                "variant_verdict": own and own.verdict,
                "nights_kept": own and own.kept,
                "nights_judged": own and own.judged,
                "from_leader": None if leader is None else _in(leader.mean, unit),
                "from_leader_low": None if leader is None else _end(leader.interval, "low", unit),
                "from_leader_high": None if leader is None else _end(leader.interval, "high", unit),
                "against_leader": leader.against if leader is not None else "leader" if advice.leads else None,
            }
        found.append(plain_data(row))
    return found


def _in(amount: float | None, unit: int) -> float | None:
    return None if amount is None else amount / unit


def _end(interval: Interval | None, side: str, unit: int) -> float | None:
    return None if interval is None else _in(getattr(interval, side), unit)


def as_csv(comparison: Comparison) -> str:
    """Write the rows as CSV (RFC 4180), the names of the columns first; what is not known is empty."""
    return _written(rows(comparison))


def sizes_csv(found: Sizing | Frontier) -> str:
    """Write a search for a size, or for two numbers, as CSV: a row for each value, and for each requirement with it.

    The row of ``all requirements`` at once alone has an interval and a verdict.
    """
    paths = found.paths if isinstance(found, Frontier) else (found.path,)
    taken: list[tuple[Any, ...]]
    if isinstance(found, Frontier):
        taken = list(found.recommended)
    else:
        taken = [(it,) for it in (found.smallest, found.largest) if it is not None]
    written = []
    for one in found.tried:
        values = one.value if isinstance(found, Frontier) else (one.value,)
        row: dict[str, Any] = {}
        for path, it in zip(paths, values, strict=True):
            row[path] = it
        whole = {
            "requirement": ALL,
            "nights_kept": one.held,
            "nights_judged": one.judged,
            "share_low": _end(one.interval, "low", 1),
            "share_high": _end(one.interval, "high", 1),
            "value_verdict": one.verdict,
            "recommended": int(tuple(values) in taken),
        }
        rest = {"worker_hours": one.worker_hours, "changes": " ".join(found.changes)}
        written.append(plain_data(row | whole | rest))
        for it in one.requirements:
            its = {"requirement": it.requirement, "nights_kept": it.held, "nights_judged": it.judged}
            written.append(plain_data(row | dict.fromkeys(whole) | its | rest))
    return _written(written)


def _written(found: list[dict[str, Any]]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(found[0]) if found else ["measure"])
    writer.writeheader()
    writer.writerows(
        {name: cell(value) if isinstance(value, str) else value for name, value in row.items()} for row in found
    )
    return out.getvalue()


def as_markdown(comparison: Comparison) -> str:
    """Write a comparison short enough for a pull request: the answer, one table, why the others fail, what it costs."""
    said = _escaped(f"{as_sentence(comparison.title)} {comparison.stopped}".strip())
    lines = [f"**{_escaped(sentence(comparison))}**", "", said, ""]
    advice = comparison.recommendation
    if advice is None:
        return "\n".join([*lines, *_asked(comparison)]) + "\n"
    rows, heads, more = table_rows(comparison, advice, WIDE)
    heads[1] = "verdict"
    lines += [f"| {' | '.join(map(_escaped, heads))} |", f"|{' --- |' * len(heads)}"]
    lines += [f"| {' | '.join(map(_escaped, row))} |" for row in rows]
    lines += ["", _escaped(f"and {len(advice.standings) - len(rows)} more variants")] if more else []
    if reasons := list(reason_lines(comparison, advice)):
        lines += ["", "Why the others fail:", ""]
        for text, command in reasons:
            lines.append(f"- {_escaped(text)}" + (f" `{command}`" if command and "`" not in command else ""))
    title, costs = cost_lines(comparison, advice)
    if costs:
        lines += ["", f"{_escaped(title)}:", "", *(f"- {_escaped(text)}" for text in costs)]
    lines += ["", f"Intervals are at {value(comparison.confidence, 'share')}, for all that is listed together."]
    return "\n".join(lines) + "\n"


def _asked(comparison: Comparison) -> list[str]:
    """Give the table of requirements of one setting."""
    asked = [one for one in asked_of(comparison) if one.requirement != ALL and one.verdict != "nothing_to_judge"]
    if not asked:
        return []
    lines = ["| requirement | nights kept | verdict |", "| --- | --- | --- |"]
    for one in asked:
        nights = f"{one.held} of {one.judged}" if one.judged else "-"
        lines.append(f"| {_escaped(one.asks)} | {nights} | {verdict_of(one)} |")
    return lines


def _escaped(text: str) -> str:
    """Keep what Markdown or HTML would take for more than text from being taken so."""
    kept = "".join(character if character.isprintable() else " " for character in text)
    for mark in ("\\", "|", "`", "*", "_", "<", ">", "[", "]", "#"):
        kept = kept.replace(mark, "\\" + mark)
    return kept


Open = Literal["error", "failure", "skipped"]
"""What becomes of a requirement that so few nights leave open."""


def nights_xml(nights: Comparison, open_as: Open = "error") -> str:
    """Give the requirements of many nights of one scenario as XML."""
    title = nights.title + ("" if nights.baseline == AS_WRITTEN else f", variant '{nights.baseline}'")
    suite = ET.Element("testsuite", {"name": plain(title)})
    properties = ET.SubElement(suite, "properties")
    for name, said in _properties(nights):
        ET.SubElement(properties, "property", {"name": name, "value": plain(said)})
    seen: dict[str, int] = {}
    for one in nights.shares:
        if one.requirement == ALL:
            continue
        seen[one.requirement] = number = seen.get(one.requirement, 0) + 1
        name = one.requirement if number == 1 else f"{one.requirement} ({number})"
        case = ET.SubElement(suite, "testcase", {"classname": plain(title), "name": plain(name)})
        _result(case, nights, one, open_as)
    if nights.lost:
        case = ET.SubElement(suite, "testcase", {"classname": plain(title), "name": "every night was run"})
        said = f"{len(nights.lost)} of {nights.nights} nights failed to run"
        error = ET.SubElement(case, "error", {"type": "lost", "message": said})
        error.text = plain("\n".join(f"seed {one.seed}: {one.why}" for one in nights.lost))
    root = ET.Element("testsuites", {"name": "queuedrill"})
    root.append(suite)
    for element in (root, suite):
        for key, tag in (("tests", "testcase"), ("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
            element.set(key, str(sum(1 for _ in suite.iter(tag))))
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, "unicode") + "\n"


def _result(case: ET.Element, nights: Comparison, one: Share, open_as: Open) -> None:
    if one.verdict == "holds":
        return
    tag = "failure" if one.verdict == "does_not_hold" else open_as
    found = ET.SubElement(case, tag, {"message": plain(one.sentence)})
    if tag != "skipped":
        found.set("type", one.verdict)
    lines = [f"Kept in {one.held} of {one.judged} nights."]
    if one.missed_seeds:
        lines += ["Nights that missed it:", *(again(nights, nights.baseline, seed) for seed in one.missed_seeds)]
    found.text = "\n".join(plain(line) for line in lines)


def _properties(nights: Comparison) -> Iterator[tuple[str, str]]:
    yield "verdict", sentence(nights)
    yield "scenario", ", ".join(nights.files)
    yield "nights", str(nights.nights)
    yield "first seed", str(nights.first_seed)
    yield "variant", "" if nights.baseline == AS_WRITTEN else nights.baseline
    yield "confidence", value(nights.confidence, "share")
    yield "program version", nights.versions.get("program", "")
    yield "zone data version", nights.versions.get("zone data", "")
