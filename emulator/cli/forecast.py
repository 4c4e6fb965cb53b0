"""``queuedrill forecast``: from when on a scenario no longer does what is asked of it."""

import sys
from pathlib import Path

import click

from emulator.cli.comparing import check_apart, check_writable, exit_code, processes, undecided, write_text
from emulator.cli.folders import allow_folder, read_changed, set_values
from emulator.cli.streams import page_width, tell, tell_json
from emulator.errors import InputError

__all__ = ["forecast"]


@click.command(short_help="Tell when requirements will be missed as things grow.")
@click.argument("file", metavar="FILE")
@click.option("--months", type=click.IntRange(1, 60), default=12, metavar="N", help="Look so far ahead (12).")
@click.option("--nights", type=click.IntRange(100, 1_000_000), default=2000, metavar="N", help="Nights in all (2000).")
@click.option(
    "--holidays",
    metavar="PATH",
    help="An iCalendar file: on the days of its all-day events, entries with `excludes` bring nothing.",
)
@click.option("--confidence", type=float, default=0.95, metavar="C", help="Confidence of each interval (0.95).")
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Seed of the first night (the scenario's).")
@processes
@click.option("--all", "everything", is_flag=True, help="Print all kinds of nights, months and formulas.")
@click.option("--json", "as_json", is_flag=True, help="Print one line of JSON.")
@click.option("--csv", "csv_path", metavar="PATH", help="Write a row for each requirement and kind of night, too.")
@click.option("--page", metavar="PATH", help="Write the forecast as one HTML page, to be read or printed, too.")
@click.option("--overwrite", is_flag=True, help="Let what is written take the place of files that are there.")
@undecided
@click.option("--quiet", is_flag=True, help="Print the answer alone, and no progress.")
@set_values
@allow_folder
def forecast(
    file: str,
    months: int,
    nights: int,
    holidays: str | None,
    confidence: float,
    seed: int | None,
    processes: int | None,
    everything: bool,
    as_json: bool,
    csv_path: str | None,
    page: str | None,
    overwrite: bool,
    undecided: int,
    quiet: bool,
    change: tuple[str, ...],
    add: tuple[str, ...],
    allow_folders: tuple[str, ...],
) -> int:
    """Tell from when on each requirement of FILE is met in too few nights, by kind of night.

    Growth, dates on which access ends, and how long results are kept come from FILE. The exit code is 0 if all is
    met to the end, 1 if something is not, and 4 if too few nights decide.
    """
    check_apart((csv_path, page), [file, *([holidays] if holidays else [])])
    if overwrite and csv_path is None and page is None:
        raise click.UsageError("--overwrite says what may become of files: give --page or --csv too.")
    for path in (csv_path, page):
        if path is not None and Path(path).is_file() and not overwrite:
            raise InputError(f"{path}: there is a file already: give --overwrite, or another name")
    check_writable((csv_path, page))

    from emulator.cli.progress import progress
    from emulator.outlook.forecast import forecast as work
    from emulator.outlook.forecast_document import forecast_document
    from emulator.outlook.forecast_words import forecast_csv, forecast_json, forecast_screen, headline
    from emulator.outlook.nights_ahead import days_in, in_months

    loaded = read_changed(file, allow_folders, change, add)
    first = loaded.clock.starts.date()
    days = days_in(Path(holidays), first, in_months(first, months)) if holidays else ()
    with progress("looking ahead", quiet=quiet, of="the nights") as told:
        found = work(
            loaded,
            months=months,
            nights=nights,
            holidays=days,
            confidence=confidence,
            first_seed=seed,
            processes=processes,
            progress=told,
        )
    if as_json:
        tell_json(forecast_json(found))
    elif quiet:
        tell(headline(found))
    else:
        forecast_screen(found, everything=everything, width=page_width()).write(sys.stdout)
    write_text(csv_path, forecast_csv(found))
    if page is not None:
        write_text(page, forecast_document(found))
    return exit_code(found.outlook, undecided)
