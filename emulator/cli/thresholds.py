"""``queuedrill thresholds``: from which values on does whoever is on call have to worry?"""

import sys
from pathlib import Path

import click

from emulator.cli.comparing import check_apart, check_writable, names, processes, write_text
from emulator.cli.folders import allow_folder, read_changed, set_values
from emulator.cli.outcomes import MET, UNDECIDED
from emulator.cli.streams import page_width, tell, tell_json

__all__ = ["thresholds"]


@click.command(short_help="Say which values of which signals are an alarm.")
@click.argument("file", metavar="FILE")
@click.option("--false-alarms", default="1%", metavar="S", help="Let at most this share of quiet nights alarm (1%).")
@click.option(
    "--nights", type=click.IntRange(10, 100_000), default=1_000, metavar="N", help="Run so many nights (1000)."
)
@click.option(
    "--signals",
    metavar="A,B",
    multiple=True,
    help="Watch these signals, such as 'backlog night,retries' (default: six at most, chosen).",
)
@click.option(
    "--more-work",
    type=click.IntRange(0, 100_000),
    default=100,
    metavar="N",
    help="Run so many quiet nights with each growth of the work (100); 0: none.",
)
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Seed of the first night (the scenario's).")
@processes
@click.option("-o", "--page", metavar="PATH", help="Write the table as one HTML page, too.")
@click.option("--csv", "csv_path", metavar="PATH", help="Write a row for each signal and hour, too.")
@click.option("--overwrite", is_flag=True, help="Let what is written take the place of files that are there.")
@click.option("--json", "as_json", is_flag=True, help="Print one line of JSON.")
@click.option("--quiet", is_flag=True, help="Print the promise and the answer alone, and no progress.")
@set_values
@allow_folder
def thresholds(
    file: str,
    false_alarms: str,
    nights: int,
    signals: tuple[str, ...],
    more_work: int,
    seed: int | None,
    processes: int | None,
    page: str | None,
    csv_path: str | None,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
    change: tuple[str, ...],
    add: tuple[str, ...],
    allow_folders: tuple[str, ...],
) -> int:
    """Make one table of thresholds for FILE: signals that can be watched from outside, by the hour of the night.

    At most one of a hundred quiet nights raises an alarm in any signal at any time. Quiet is a night in which no fault
    strikes, so faults of FILE need `share_of_nights`. The exit code is 0 when the table is made, and 4 when there are
    too few nights for the promise.
    """
    from emulator.errors import InputError

    check_apart((page, csv_path), (file,))
    for path in (page, csv_path):
        if path is not None and Path(path).is_file() and not overwrite:
            raise InputError(f"{path}: there is a file already: give --overwrite, or another name")
    check_writable((page, csv_path))

    from emulator.cli.progress import progress
    from emulator.outlook.threshold_words import as_csv, thresholds_page, too_few_json, too_few_words, verdict
    from emulator.outlook.threshold_words import as_json as plain_data
    from emulator.outlook.thresholds import TooFewNights, share_from
    from emulator.outlook.thresholds import thresholds as work
    from emulator.outlook.thresholds_document import thresholds_document

    share = share_from(false_alarms)
    wanted = [name for text in signals for name in names(text) or ()] if signals else None
    loaded = read_changed(file, allow_folders, change, add)
    with progress("watching nights", quiet=quiet, of="the nights") as told:
        found = work(
            loaded,
            share=share,
            nights=nights,
            signals=wanted,
            more_work=more_work,
            first_seed=seed,
            processes=processes,
            progress=told,
        )
    if isinstance(found, TooFewNights):
        if as_json:
            tell_json({"file": file, **too_few_json(found)})
        else:
            tell(too_few_words(found))
        return UNDECIDED
    if as_json:
        tell_json({"file": file, **plain_data(found)})
    elif quiet:
        tell(verdict(found))
    else:
        thresholds_page(found, width=page_width()).write(sys.stdout)
    write_text(csv_path, as_csv(found))
    if page is not None:
        write_text(page, thresholds_document(found))
    return MET
