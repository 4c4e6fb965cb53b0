"""``queuedrill sketch``: draft a scenario from an export of past jobs."""

import sys

import click

from emulator.cli.comparing import check_apart, check_writable
from emulator.cli.outcomes import MET
from emulator.cli.streams import tell, tell_json

__all__ = ["sketch"]


@click.command(short_help="Draft a scenario from an export of past jobs.")
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@click.option("--night", metavar="TIME+LENGTH", help="When a night begins and how long it lasts, such as 18:00+14h.")
@click.option("-o", "--output", metavar="PATH", default="draft.yaml", help="The scenario to write (draft.yaml).")
@click.option("--columns", metavar="FILE", help="Read the meanings of columns from this file, and guess none.")
@click.option("--zone", metavar="ZONE", help="Zone of times that state none, such as America/Santiago.")
@click.option("--table", metavar="NAME", help="Of an SQLite file, read this table (the one with most rows).")
@click.option("--starts", metavar="DATE", help="Date of the drafted night (the one after the history's last).")
@click.option("--overwrite", is_flag=True, help="Let it take the place of files that are there.")
@click.option("--json", "as_json", is_flag=True, help="Print one line of JSON.")
@click.option("--quiet", is_flag=True, help="Print the names of the files alone, and no progress.")
def sketch(
    files: tuple[str, ...],
    night: str | None,
    output: str,
    columns: str | None,
    zone: str | None,
    table: str | None,
    starts: str | None,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Draft a scenario from exports of past jobs, and say how much of it is a guess.

    A FILE is delimited text, lines of JSON, an SQLite file, a workload log in the standard format, a crontab, or a
    calendar (iCalendar). What stands in several exports counts once.

    Beside draft.yaml it writes draft.columns.yaml, which says what each column was taken for, and draft.nights.csv,
    the figures of each past night. Correct what is wrong in the file of columns, and give it back with --columns.
    """
    from datetime import date

    from emulator.cli.progress import progress
    from emulator.past.sketch_page import sketch_json, sketch_page
    from emulator.past.sketching import check_outputs, outputs_of, sketch_files

    try:
        day = None if starts is None else date.fromisoformat(starts)
    except ValueError:
        raise click.UsageError(f"--starts {starts}: give a date such as 2026-06-12.") from None
    outputs = outputs_of(output, columns=columns is not None)
    paths = [str(path) for path in outputs.values()]
    check_apart(paths, [*files, *([columns] if columns else [])])
    check_outputs(outputs, overwrite=overwrite)
    check_writable(paths)
    with progress("reading", quiet=quiet or as_json, of="the files") as told:
        made = sketch_files(
            files,
            output,
            columns=columns,
            night=night,
            zone=zone,
            table=table,
            overwrite=overwrite,
            starts=day,
            progress=told,
        )
    if as_json:
        tell_json(sketch_json(made))
    elif quiet:
        tell("\n".join(map(str, made.written)))
    else:
        sketch_page(made).write(sys.stdout)
    return MET
