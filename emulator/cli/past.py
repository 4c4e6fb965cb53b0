"""The commands that learn from past nights: ``queuedrill sketch``, ``hindcast`` and ``drift``."""

import os
import sys

import click

from emulator.cli.options import (
    MET,
    MISSED,
    check_apart,
    check_writable,
    exit_code,
    page_width,
    processes,
    tell,
    tell_json,
    undecided,
    write_text,
)

__all__ = [
    "drift",
    "hindcast",
    "sketch",
]


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
    from emulator.past.sketching import check_outputs, outputs_of, sketch_files, sketch_json, sketch_page

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


@click.command(short_help="Predict past nights that the draft has not seen, and judge that.")
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@click.option("--learn-until", required=True, metavar="DATE", help="Learn from the nights before this date only.")
@click.option("--columns", metavar="FILE", help="Meanings of the columns, as sketch writes them.")
@click.option("--night", metavar="TIME+LENGTH", help="When a night begins and how long it lasts, such as 18:00+14h.")
@click.option("--zone", metavar="ZONE", help="Zone of times that state none, such as America/Santiago.")
@click.option("--refit", type=click.IntRange(0, 366), default=0, metavar="DAYS", help="Learn anew every so many days.")
@click.option("--as-drafted", is_flag=True, help="Do not correct intervals by the misses of the nights before them.")
@click.option(
    "--nights", type=click.IntRange(20, 100_000), default=100, metavar="N", help="Emulated nights behind each (100)."
)
@click.option("--seed", type=click.IntRange(min=0), default=1, metavar="N", help="Seed of the first of them (1).")
@processes
@click.option("--page", metavar="PATH", help="Write the hindcast as one HTML page, with a picture.")
@click.option("--overwrite", is_flag=True, help="Let the page take the place of a file that is there.")
@click.option("--json", "as_json", is_flag=True, help="Print one line of JSON.")
@undecided
@click.option("--quiet", is_flag=True, help="Print the answer alone, and no progress.")
def hindcast(
    files: tuple[str, ...],
    learn_until: str,
    columns: str | None,
    night: str | None,
    zone: str | None,
    refit: int,
    as_drafted: bool,
    nights: int,
    seed: int,
    processes: int | None,
    page: str | None,
    overwrite: bool,
    as_json: bool,
    undecided: int,
    quiet: bool,
) -> int:
    """Learn from the nights of FILE before a date, and predict each later night without having seen it.

    Twice: blind, with the arrivals of the draft, and given the arrivals, with the real submissions and drawn run times.
    For each figure it counts how many nights lie within the intervals of 80 % and of 95 %, and how sharp they are.
    After each night, intervals are corrected by whether it lay inside.

    The exit code is 0 if nothing contradicts the predictions. It is 1 if the draft's own intervals are contradicted,
    or past nights alone predict better by more than a tenth. It is 4 if the later nights are too few to tell.
    """
    from datetime import date

    from emulator.cli.progress import progress
    from emulator.errors import InputError
    from emulator.past.hindcast import hindcast as work
    from emulator.past.hindcast_page import hindcast_json, hindcast_page
    from emulator.past.reading import read_history, taken_for

    try:
        until = date.fromisoformat(learn_until)
    except ValueError:
        raise click.UsageError(f"--learn-until {learn_until}: give a date such as 2026-04-13.") from None
    check_apart([page], [*files, *([columns] if columns else [])])
    if page is not None and os.path.isfile(page) and not overwrite:
        raise click.UsageError(f"{page} is there already: name another file, or give --overwrite.")
    check_writable([page])
    silent = quiet or as_json
    with progress("reading", quiet=silent, of="the files") as told:
        history = read_history(files, columns=columns, night=night, zone=zone, progress=told)
    if history.nights is None:
        raise InputError(f"{taken_for(history)}: give an export of them")
    with progress("predicting", quiet=silent, of="the nights") as told:
        found = work(
            history.nights,
            until,
            files=files,
            plays=nights,
            refit=refit,
            corrected=not as_drafted,
            seed=seed,
            processes=processes,
            progress=told,
        )
    if page is not None:
        from emulator.past.hindcast_document import hindcast_document

        write_text(page, hindcast_document(found))
    if as_json:
        tell_json(hindcast_json(found))
    elif quiet:
        tell(found.sentence)
    else:
        hindcast_page(found, width=page_width()).write(sys.stdout)
    return exit_code(found.outcome, undecided)


@click.command(short_help="Tell whether new nights have left those of a draft.")
@click.argument("draft", metavar="DRAFT")
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@click.option("--columns", metavar="FILE", help="Meanings of the columns (the file beside DRAFT).")
@click.option("--nights", metavar="FILE", help="Figures of the past nights (the file beside DRAFT).")
@click.option("--night", metavar="TIME+LENGTH", help="When a night begins and how long it lasts, such as 18:00+14h.")
@click.option("--zone", metavar="ZONE", help="Zone of times that state none, such as America/Santiago.")
@click.option("--json", "as_json", is_flag=True, help="Print one line of JSON.")
@undecided
@click.option("--quiet", is_flag=True, help="Print the answer alone, and no progress.")
def drift(
    draft: str,
    files: tuple[str, ...],
    columns: str | None,
    nights: str | None,
    night: str | None,
    zone: str | None,
    as_json: bool,
    undecided: int,
    quiet: bool,
) -> int:
    """Rank each new night of the exports FILE among the past nights of DRAFT, and tell when they have moved.

    The past nights stand in the file that sketch writes beside DRAFT (draft.nights.csv), the meanings of the columns in
    draft.columns.yaml. Nights of FILE that DRAFT was learnt from are skipped. Give whole nights.

    The exit code is 0 if nothing has moved, 1 if something has, and 4 if it cannot be told: too few nights, or nights
    that lean on the night before.
    """
    from emulator.cli.progress import progress
    from emulator.past.drift_files import drift_of_files
    from emulator.past.drift_page import drift_json, drift_page

    with progress("reading", quiet=quiet or as_json, of="the files") as told:
        found = drift_of_files(draft, files, columns=columns, nights=nights, night=night, zone=zone, progress=told)
    if as_json:
        tell_json(drift_json(found))
    elif quiet:
        tell(found.sentence)
    else:
        drift_page(found, width=page_width()).write(sys.stdout)
    if found.outcome == "unknown":
        return undecided
    return MISSED if found.outcome == "drift" else MET
