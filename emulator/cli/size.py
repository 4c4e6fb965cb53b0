"""``queuedrill size``: the smallest value with which the requirements hold in enough nights."""

import sys
from typing import Any

import click

from emulator.cli.comparing import exit_code, names, processes, undecided
from emulator.cli.folders import allow_folder, read_changed, set_values
from emulator.cli.streams import page_width, tell, tell_json

__all__ = ["size"]


def _plain(text: str) -> Any:
    """Take a value as YAML does: a whole number or a number is one, anything else a text."""
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


@click.command(short_help="Find the smallest value that is large enough.")
@click.argument("file", metavar="FILE")
@click.option("--by", required=True, metavar="PATH", help="What is set, by its dotted path: pools.dome.count.")
@click.option("--from", "first", type=int, metavar="N", help="Try whole numbers from this one")
@click.option("--to", "last", type=int, metavar="N", help="to this one")
@click.option("--step", type=click.IntRange(min=1), default=1, metavar="N", help="by this step (1).")
@click.option("--values", metavar="A,B", help="Or try these, the smallest first, such as 30s,1m,5m.")
@click.option("--largest", is_flag=True, help="Look for the largest value that holds, such as of jobs.")
@click.option("--share", type=float, metavar="S", help="In this share of nights (what the file asks, else 0.95).")
@click.option("--confidence", type=float, default=0.95, metavar="C", help="Confidence of all intervals (0.95).")
@click.option("--nights", type=click.IntRange(1, 1_000_000), default=200, metavar="N", help="Nights with each (200).")
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Seed of the first night (the scenario's).")
@processes
@click.option("--json", "as_json", is_flag=True, help="Print one line of JSON.")
@undecided
@click.option("--quiet", is_flag=True, help="Print the answer alone, and no progress.")
@set_values
@allow_folder
def size(
    file: str,
    by: str,
    first: int | None,
    last: int | None,
    step: int,
    values: str | None,
    largest: bool,
    share: float | None,
    confidence: float,
    nights: int,
    seed: int | None,
    processes: int | None,
    as_json: bool,
    undecided: int,
    quiet: bool,
    change: tuple[str, ...],
    add: tuple[str, ...],
    allow_folders: tuple[str, ...],
) -> int:
    """Find the smallest value with which all requirements of FILE hold at once in enough nights, or the largest.

    Every value is tried on the same draws. The exit code is 0 if one is found, 1 if every value misses
    too often, and 4 if there are too few nights to decide.
    """
    if (values is None) == (first is None or last is None):
        raise click.UsageError("which values? give --from and --to, or --values.")

    from emulator.cli.progress import progress
    from emulator.experiment.size import size as work
    from emulator.measure.comparison.outcome import outcome_of_size
    from emulator.show.comparison.as_json import sizing_json
    from emulator.show.comparison.sizes import sizing_page

    with progress("trying sizes", quiet=quiet, of="the nights") as told:
        found = work(
            read_changed(file, allow_folders, change, add),
            by=by,
            values=None if values is None else [_plain(text) for text in names(values) or ()],
            first=first,
            last=last,
            step=step,
            largest=largest,
            share=share,
            nights=nights,
            confidence=confidence,
            first_seed=seed,
            processes=processes,
            progress=told,
        )
    if as_json:
        tell_json(sizing_json(found))
    elif quiet:
        tell(found.sentence)
    else:
        sizing_page(found, width=page_width()).write(sys.stdout)
    return exit_code(outcome_of_size(found), undecided)
