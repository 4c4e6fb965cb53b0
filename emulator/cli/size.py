"""``queuedrill size``: the smallest value with which the requirements hold in enough nights."""

import sys
from typing import TYPE_CHECKING, Any

import click

from emulator.cli.comparing import (
    check_apart,
    check_new,
    check_writable,
    exit_code,
    names,
    overwrite,
    processes,
    undecided,
    write_text,
)
from emulator.cli.folders import allow_folder, read_changed, set_values
from emulator.cli.streams import page_width, tell, tell_json

if TYPE_CHECKING:
    from emulator.experiment.comparison_result import FrontierResult, SizingResult

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
@click.option(
    "--by",
    required=True,
    multiple=True,
    metavar="PATH",
    help="What is set, by its dotted path: pools.dome.count. Given twice: the smallest second for each first.",
)
@click.option("--from", "first", type=int, multiple=True, metavar="N", help="Try whole numbers from this one")
@click.option("--to", "last", type=int, multiple=True, metavar="N", help="to this one")
@click.option("--step", type=click.IntRange(min=1), multiple=True, metavar="N", help="by this step (1).")
@click.option(
    "--values",
    multiple=True,
    metavar="A,B",
    help="Or try these, the smallest first, such as 30s,1m,5m; once for each --by.",
)
@click.option("--largest", is_flag=True, help="Look for the largest value that holds, such as of jobs.")
@click.option("--share", type=float, metavar="S", help="In this share of nights (what the file asks, else 0.95).")
@click.option("--confidence", type=float, default=0.95, metavar="C", help="Confidence of all intervals (0.95).")
@click.option("--nights", type=click.IntRange(1, 1_000_000), default=200, metavar="N", help="Nights with each (200).")
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Seed of the first night (the scenario's).")
@processes
@click.option(
    "--all", "everything", is_flag=True, help="Print every value and requirement, not the first screen alone."
)
@click.option("--json", "as_json", is_flag=True, help="Print one line of JSON.")
@click.option("--csv", "csv_path", metavar="PATH", help="Write a row for each value and requirement, too.")
@overwrite
@undecided
@click.option("--quiet", is_flag=True, help="Print the answer alone, and no progress.")
@set_values
@allow_folder
def size(
    file: str,
    by: tuple[str, ...],
    first: tuple[int, ...],
    last: tuple[int, ...],
    step: tuple[int, ...],
    values: tuple[str, ...],
    largest: bool,
    share: float | None,
    confidence: float,
    nights: int,
    seed: int | None,
    processes: int | None,
    everything: bool,
    as_json: bool,
    csv_path: str | None,
    overwrite: bool,
    undecided: int,
    quiet: bool,
    change: tuple[str, ...],
    add: tuple[str, ...],
    allow_folders: tuple[str, ...],
) -> int:
    """Find the smallest value with which all requirements of FILE hold at once in enough nights, or the largest.

    With --by twice: find the smallest second value for each first one, and the pair to take. Every value is tried on
    the same draws. The exit code is 0 if one is found, 1 if every value misses too often, and 4 if there are too few
    nights to decide.
    """
    tried = _tried(by, first, last, step, values)
    check_apart((csv_path,), (file,))
    check_new((csv_path,), overwrite)
    check_writable((csv_path,))

    from emulator.cli.progress import progress
    from emulator.measure.comparison.outcome import outcome_of_size
    from emulator.show.comparison.tables import sizes_csv

    loaded = read_changed(file, allow_folders, change, add)
    options: dict[str, Any] = {
        "largest": largest,
        "share": share,
        "nights": nights,
        "confidence": confidence,
        "first_seed": seed,
        "processes": processes,
    }
    found: SizingResult | FrontierResult
    with progress("trying sizes", quiet=quiet, of="the nights") as told:
        options |= {"progress": told, "so_far": None if told is None else told.so_far}
        if len(by) == 1:
            from emulator.experiment.size import size as one_number

            found = one_number(loaded, by=by[0], values=tried[0], **options)
        else:
            from emulator.experiment.frontier import frontier as two_numbers

            found = two_numbers(loaded, by=(by[0], by[1]), values=(tried[0], tried[1]), **options)
    if as_json:
        tell_json(found.as_json())
    elif quiet:
        tell(found.sentence)
    else:
        found.summary(everything=everything, width=page_width()).write(sys.stdout)
    write_text(csv_path, sizes_csv(found))
    return exit_code(outcome_of_size(found), undecided)


def _tried(
    by: tuple[str, ...], first: tuple[int, ...], last: tuple[int, ...], step: tuple[int, ...], values: tuple[str, ...]
) -> list[list[Any]]:
    """Give the values to try for each path: those of --values, or of the ranges."""
    if len(by) > 2:
        raise click.UsageError("--by is given once or twice: search for one number, or for two.")
    for path in by:
        if not path.strip() or not path.isprintable():
            raise click.UsageError(f"--by {path!r} is no path: write one such as pools.dome.count.")
    if len(set(by)) < len(by):
        raise click.UsageError(f"--by {by[0]} is given twice: name another number, or give it once.")
    if values and (first or last or step):
        raise click.UsageError("--values and --from, --to, --step both say which values: choose one way.")
    times = "once" if len(by) == 1 else "twice, in the order of --by"
    if values:
        if len(values) != len(by):
            raise click.UsageError(f"--values has to be given {times}.")
        return [[_plain(one) for one in names(text) or ()] for text in values]
    if not first and not last:
        raise click.UsageError("which values? give --from and --to, or --values.")
    if len(first) != len(by) or len(last) != len(by):
        raise click.UsageError(f"--from and --to have to be given {times}.")
    if step and len(step) != len(by):
        raise click.UsageError(f"--step has to be given {times}, or left out.")
    from emulator.experiment.size import values_from

    return [values_from(None, *each) for each in zip(first, last, step or (1,) * len(by), strict=True)]
