"""``python tests/bench``: measure every row, and say which claims are met.

It ends with 0 whether they are met or not, since a machine at work decides that; it ends with 1 when the sides of a row
did not do the same work.
"""

import argparse
import json
import sys
from collections.abc import Sequence

from bench.judging import Found, MismatchError, Round, Row, found
from bench.rows import ROWS
from bench.running import measure
from bench.telling import as_data, as_lines, as_table, command, machine

__all__ = ["main"]


def main(arguments: Sequence[str]) -> int:
    """Do what the command line says."""
    parser = argparse.ArgumentParser(prog="python tests/bench", description="Compare speeds, and print ratios.")
    parser.add_argument("--only", metavar="ROW", action="append", choices=list(ROWS), help="this row (repeatable)")
    parser.add_argument("--runs", type=int, default=5, help="rounds for each row (default 5)")
    parser.add_argument("--scale", type=float, default=1.0, help="this share of the work, for a quick look")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print everything measured as JSON")
    form.add_argument("--markdown", action="store_true", help="print a table for docs/speed.md")
    given = parser.parse_args(arguments)
    if given.runs < 1 or not 0 < given.scale <= 1:
        parser.error("--runs is at least 1, --scale above 0 and at most 1")
    as_it_goes = not (given.json or given.markdown)
    if as_it_goes:
        print(f"{machine()}\n")
    results: list[tuple[Row, list[Found], list[Round]]] = []
    for name in given.only or ROWS:
        row = ROWS[name]
        try:
            rounds = measure(row, given.runs, given.scale, lambda said: print(said, file=sys.stderr, flush=True))
        except MismatchError as error:
            print(f"{name}: the sides did not do the same work: {error}", file=sys.stderr)
            return 1
        judged = [found(claim, rounds) for claim in row.claims]
        results.append((row, judged, rounds))
        if as_it_goes:
            print("\n".join(as_lines(row, judged, rounds)), flush=True)
    if given.json:
        print(json.dumps({"machine": machine(), "rows": [as_data(*one) for one in results]}, indent=2))
    if given.markdown:
        print(f"`{command(arguments)}`, {machine()}\n\n{as_table(results)}")
    return 0
