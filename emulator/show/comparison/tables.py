"""A comparison as tables for other programs and for pull requests: CSV rows, Markdown."""

import csv
import io
from typing import Any

from emulator.measure.comparison.intervals import Interval
from emulator.measure.comparison.result import Comparison
from emulator.measure.comparison.shares import ALL
from emulator.measure.comparison.sizing import Frontier, Sizing
from emulator.measure.words import value
from emulator.show.comparison.as_json import plain
from emulator.show.comparison.first import cost_lines, reason_lines, table_rows
from emulator.show.comparison.verdict import asked_of, sentence
from emulator.show.comparison.words import verdict_of
from emulator.show.exports.plain import cell
from emulator.show.layout import WIDE

__all__ = ["as_csv", "as_markdown", "rows", "sizes_csv"]


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
        found.append(plain(row))
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
        written.append(plain(row | whole | rest))
        for it in one.requirements:
            its = {"requirement": it.requirement, "nights_kept": it.held, "nights_judged": it.judged}
            written.append(plain(row | dict.fromkeys(whole) | its | rest))
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
    said = _escaped(f"{comparison.title}. {comparison.stopped}".strip())
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
