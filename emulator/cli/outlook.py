"""The commands that look ahead: ``queuedrill brief``, ``forecast`` and ``thresholds``."""

import sys
from pathlib import Path

import click

from emulator.cli.options import (
    MET,
    UNDECIDED,
    Given,
    check_apart,
    check_writable,
    exit_code,
    names,
    page_width,
    processes,
    set_values,
    tell,
    tell_json,
    undecided,
    write_text,
)
from emulator.errors import InputError

__all__ = [
    "brief",
    "forecast",
    "thresholds",
]


@click.command(short_help="Write a page for a board that decides on a change.")
@click.argument("file", metavar="FILE")
@click.option("-o", "--output", metavar="PATH", default="brief.html", show_default=True, help="Write the page here.")
@click.option("--overwrite", is_flag=True, help="Let the page take the place of a file that is there.")
@click.option(
    "--nights", type=click.IntRange(1, 1_000_000), default=100, metavar="N", help="Nights of each question (100)."
)
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Seed of the first night (the scenario's).")
@processes
@click.option("--json", "as_json", is_flag=True, help="Print all of it as one line of JSON, too.")
@undecided
@click.option("--quiet", is_flag=True, help="Print the answer alone, and no progress.")
@set_values
def brief(
    file: str,
    output: str,
    overwrite: bool,
    nights: int,
    given: Given,
) -> int:
    """Play nights of FILE, of its `questions` and of its guesses, and write what a board has to know as one page.

    The page has at most 500 words, and prints on at most two sides of A4. What does not fit is in --json. The
    question, the scope, the way back and the owner of the risk are those of `brief:` in FILE, or "not stated".

    The exit code is 0 if every requirement is met, 1 if one is missed, and 4 if there are too few nights to decide.
    """
    from emulator.cli.progress import progress
    from emulator.outlook.brief import brief as work
    from emulator.outlook.brief_page import answer_sentence, brief_document, brief_json

    check_apart((output,), (file,))
    if Path(output).exists() and not overwrite:
        raise InputError(f"{output}: there is a file already: give --overwrite, or another name with -o")
    check_writable((output,))
    loaded = given.read(file)
    with progress("rehearsing", quiet=given.quiet, of="the nights") as told:
        found = work(loaded, nights=nights, first_seed=given.seed, processes=given.processes, progress=told)
    write_text(output, brief_document(found))
    if given.as_json:
        tell_json(brief_json(found))
    else:
        tell(answer_sentence(found))
        if not given.quiet:
            tell(output)
    return exit_code(found.outcome, given.undecided)


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
def forecast(
    file: str,
    months: int,
    nights: int,
    holidays: str | None,
    confidence: float,
    everything: bool,
    csv_path: str | None,
    page: str | None,
    overwrite: bool,
    given: Given,
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
    from emulator.outlook.forecast_words import (
        forecast_csv,
        forecast_document,
        forecast_json,
        forecast_screen,
        headline,
    )
    from emulator.outlook.nights_ahead import days_in, in_months

    loaded = given.read(file)
    first = loaded.clock.starts.date()
    days = days_in(Path(holidays), first, in_months(first, months)) if holidays else ()
    with progress("looking ahead", quiet=given.quiet, of="the nights") as told:
        found = work(
            loaded,
            months=months,
            nights=nights,
            holidays=days,
            confidence=confidence,
            first_seed=given.seed,
            processes=given.processes,
            progress=told,
        )
    if given.as_json:
        tell_json(forecast_json(found))
    elif given.quiet:
        tell(headline(found))
    else:
        forecast_screen(found, everything=everything, width=page_width()).write(sys.stdout)
    write_text(csv_path, forecast_csv(found))
    if page is not None:
        write_text(page, forecast_document(found))
    return exit_code(found.outlook, given.undecided)


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
def thresholds(
    file: str,
    false_alarms: str,
    nights: int,
    signals: tuple[str, ...],
    more_work: int,
    page: str | None,
    csv_path: str | None,
    overwrite: bool,
    given: Given,
) -> int:
    """Make one table of thresholds for FILE: signals that can be watched from outside, by the hour of the night.

    At most one of a hundred quiet nights raises an alarm in any signal at any time. Quiet is a night in which no fault
    strikes, so faults of FILE need `share_of_nights`. The exit code is 0 when the table is made, and 4 when there are
    too few nights for the promise.
    """

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
    loaded = given.read(file)
    with progress("watching nights", quiet=given.quiet, of="the nights") as told:
        found = work(
            loaded,
            share=share,
            nights=nights,
            signals=wanted,
            more_work=more_work,
            first_seed=given.seed,
            processes=given.processes,
            progress=told,
        )
    if isinstance(found, TooFewNights):
        if given.as_json:
            tell_json({"file": file, **too_few_json(found)})
        else:
            tell(too_few_words(found))
        return UNDECIDED
    if given.as_json:
        tell_json({"file": file, **plain_data(found)})
    elif given.quiet:
        tell(verdict(found))
    else:
        thresholds_page(found, width=page_width()).write(sys.stdout)
    write_text(csv_path, as_csv(found))
    if page is not None:
        write_text(page, thresholds_document(found))
    return MET
