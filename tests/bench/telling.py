"""Writes what was measured: as lines, as a table for a page, as plain data."""

import os
import platform
import statistics
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bench.judging import Claim, Found, Round, Row

__all__ = ["as_data", "as_lines", "as_table", "command", "machine", "number"]


def number(value: float, claim: Claim) -> str:
    """Write a figure with as many digits as it deserves, and its unit.

    >>> made = Claim("as fast", len, 2)
    >>> number(1.2345, made), number(23.45, made), number(123.45, made)
    ('1.23 times', '23.4 times', '123 times')
    """
    digits = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2
    return f"{value:.{digits}f} {claim.unit}"


def as_lines(row: Row, found: Sequence[Found], rounds: Sequence[Round]) -> list[str]:
    """Write a row: its question, a line for each claim, and small print."""
    lines = [f"{row.name}: {row.asks}"]
    for one in found:
        claim = one.claim
        bounds = f"bar {'at most ' if claim.at_most else ''}{claim.bar:g}"
        if claim.aim is not None:
            bounds += f", aim {claim.aim:g}"
        spread = f"{_bare(one.lowest, claim)} to {_bare(one.highest, claim)} in {one.runs} runs"
        shaky = ", but not in every run" if one.shaky else ""
        lines.append(f"  {number(one.median, claim)} {claim.says} ({spread}); {bounds}: {one.verdict}{shaky}")
    lines.append(f"    {'; '.join(_rates(row, rounds))}")
    return lines


def as_table(results: Sequence[tuple[Row, Sequence[Found], Sequence[Round]]]) -> str:
    """Write all rows as a table in Markdown, the absolute rates below it."""
    lines = [
        "| row | figure | median | lowest to highest | bar | aim | verdict |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    rates = []
    for row, found, rounds in results:
        for one in found:
            claim = one.claim
            most = "at most " if claim.at_most else ""
            aim = "-" if claim.aim is None else f"{most}{claim.aim:g}"
            spread = f"{_bare(one.lowest, claim)} to {_bare(one.highest, claim)} ({one.runs})"
            verdict = one.verdict + (", not in every run" if one.shaky else "")
            figure = f"{number(one.median, claim)} | {spread} | {most}{claim.bar:g} | {aim} | {verdict} |"
            lines.append(f"| `{row.name}` | {claim.says} | {figure}")
        rates.append(f"- `{row.name}`: {'; '.join(_rates(row, rounds))}")
    return "\n".join([*lines, "", *rates])


def as_data(row: Row, found: Sequence[Found], rounds: Sequence[Round]) -> dict[str, Any]:
    """Give a row as plain data, every measurement included."""
    return {
        "row": row.name,
        "asks": row.asks,
        "unit": row.unit,
        "clock": row.clock,
        "claims": [
            {
                "says": one.claim.says,
                "unit": one.claim.unit,
                "median": one.median,
                "lowest": one.lowest,
                "highest": one.highest,
                "bar": one.claim.bar,
                "aim": one.claim.aim,
                "at_most": one.claim.at_most,
                "verdict": one.verdict,
            }
            for one in found
        ],
        "rounds": [
            {
                side: {"work": it.work, "seconds": it.seconds, "peak": it.peak, "facts": dict(it.facts)}
                for side, it in one.items()
            }
            for one in rounds
        ],
    }


def machine() -> str:
    """Describe the machine and what runs on it, in one line."""
    model = platform.processor() or platform.machine()
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.exists():
        named = [line.partition(":")[2].strip() for line in cpuinfo.read_text().splitlines() if "model name" in line]
        model = named[0] if named else model
    today = datetime.now(tz=UTC).date()  # noqa: TID251 - nothing of the emulator: when the figures were taken
    system = f"{platform.system()} {platform.release().split('-')[0]}"
    return f"{today}, {os.cpu_count()} x {model}, {system}, {platform.python_implementation()} {sys.version.split()[0]}"


def command(arguments: Sequence[str]) -> str:
    """Write the command that gives the same again."""
    return " ".join(["python tests/bench", *(it for it in arguments if it not in ("--markdown", "--json"))])


def _bare(value: float, claim: Claim) -> str:
    return number(value, claim).partition(" ")[0]


def _rates(row: Row, rounds: Sequence[Round]) -> list[str]:
    told = []
    for side in row.sides:
        rate = statistics.median(one[side].rate for one in rounds)
        peak = max(one[side].peak for one in rounds)
        memory = f", {peak / 1e6:,.0f} MB" if peak else ""
        told.append(f"{side} {rate:,.{0 if rate >= 100 else 1}f} {row.unit}/s{memory}")
    return [*told, f"{row.clock} seconds"]
