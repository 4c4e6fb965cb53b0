"""The commands that play nights and judge them: ``queuedrill run`` and ``watch``."""

import math
import shlex
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from emulator.cli.options import (
    INTERRUPTED,
    MET,
    MISSED,
    Given,
    check_apart,
    check_new,
    check_writable,
    each_file,
    exit_code,
    page_width,
    processes,
    set_values,
    tell,
    tell_json,
    undecided,
    write_text,
)

if TYPE_CHECKING:
    from emulator.experiment.night import NightResult
    from emulator.scenario.load import Loaded

__all__ = [
    "finite",
    "run",
    "watch",
]


def finite(context: click.Context, option: click.Parameter, pace: float | None) -> float | None:
    """Take a speed that is above 0 and finite."""
    if pace is not None and not (pace > 0 and math.isfinite(pace)):
        raise click.BadParameter(f"{pace:g} is out of range: give seconds of virtual time a second, above 0.")
    return pace


@click.command(short_help="Run one night of each scenario, and print its summary.")
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Use this seed, not the scenario's.")
@click.option("--variant", metavar="NAME", default="", help="Run this variant of the scenario.")
@click.option("--nights", type=click.IntRange(1, 1_000_000), metavar="N", help="Run so many nights and judge them all.")
@click.option("--questions", is_flag=True, help="With --nights: answer the questions of the scenario.")
@processes
@click.option("--log", metavar="PATH", help="Write every event to a new SQLite file.")
@click.option("--overwrite", is_flag=True, help="Let the log or page take the place of an earlier one.")
@click.option("--page", metavar="PATH", help="Write the night, or all nights, as one HTML page too.")
@click.option("--junit", metavar="PATH", help="With --nights: write a test result for each requirement too.")
@click.option("--csv", "csv_path", metavar="PATH", help="With --nights: write a row for each figure too.")
@click.option("--evidence", metavar="PATH", help="Write what was run, and what came of it, in a form to keep.")
@click.option("--all", "everything", is_flag=True, help="Print all that is known, not the first screen alone.")
@click.option("--json", "as_json", is_flag=True, help="Print one line of JSON for each file.")
@click.option(
    "--pace",
    type=float,
    metavar="X",
    callback=finite,
    help="Let X seconds of virtual time pass in a real one; default: as fast as possible.",
)
@click.option("--scripts", metavar="FILE", help="Really run the scripts of this file for the routines of their names.")
@click.option("--yes", is_flag=True, help="With --scripts: run them without asking, for builds.")
@click.option("--structured", is_flag=True, help="With --log: say that it is written as a line of key=value.")
@undecided
@click.option("--quiet", is_flag=True, help="Print the verdict alone, and no progress.")
@set_values
def run(
    files: tuple[str, ...],
    variant: str,
    nights: int | None,
    questions: bool,
    log: str | None,
    overwrite: bool,
    page: str | None,
    junit: str | None,
    csv_path: str | None,
    evidence: str | None,
    everything: bool,
    pace: float | None,
    scripts: str | None,
    yes: bool,
    structured: bool,
    given: Given,
) -> int:
    """Run one night of each scenario FILE, or many with --nights, and print its summary.

    The same file and seed give the same night, to the last event. With several files each has its own summary, and
    the exit code is the worst.
    """
    if log is not None and len(files) > 1:
        raise click.UsageError("--log takes one FILE: each run needs a log of its own.")
    if page is not None and len(files) > 1:
        raise click.UsageError("--page takes one FILE: each needs a page of its own.")
    if evidence is not None and (len(files) > 1 or questions):
        raise click.UsageError("--evidence is of one FILE and its nights: give one, and leave --questions out.")
    _check_written(files, nights, (log, page, evidence), (junit, csv_path), overwrite)
    if nights is not None and (log is not None or pace is not None):
        raise click.UsageError("--log and --pace are for one night: leave them out, or leave --nights out.")
    if scripts is not None and (nights is not None or pace is not None or variant):
        raise click.UsageError("--scripts is for one night as written: leave out --nights, --pace and --variant.")
    if yes and scripts is None:
        raise click.UsageError("--yes agrees to scripts being run: give --scripts too.")
    if given.processes is not None and nights is None:
        raise click.UsageError("--processes share out many nights: give --nights too.")
    if questions and (nights is None or variant):
        raise click.UsageError("--questions are answered by many nights as written: give --nights, and no --variant.")

    shown = 0

    def many(file: str, loaded: "Loaded") -> int:
        nonlocal shown
        from emulator.cli.progress import progress
        from emulator.experiment.compare import nights as work
        from emulator.measure.comparison.shares import outcome_of
        from emulator.show.comparison.exports import comparison_json, sentence
        from emulator.show.comparison.screens import comparison_page

        with progress(file, quiet=given.quiet, of="the nights") as told:
            found = work(
                loaded,
                nights or 1,
                variant=variant,
                first_seed=given.seed,
                processes=given.processes,
                progress=told,
                so_far=None if told is None else told.so_far,
            )
        if page is not None:
            from emulator.report.paging import write_page

            write_page(found.page(), Path(page))
        if junit is not None:
            from emulator.show.comparison.exports import Open, nights_xml

            open_as: dict[int, Open] = {MET: "skipped", MISSED: "failure"}
            write_text(junit, nights_xml(found, open_as.get(given.undecided, "error")))
        if csv_path is not None:
            from emulator.show.comparison.exports import as_csv

            write_text(csv_path, as_csv(found))
        if evidence is not None:
            seeds = range(found.first_seed, found.first_seed + found.nights)
            keep(
                evidence, loaded, comparison_json(found), seeds, _again(file, found.nights, variant, given.seed, loaded)
            )
        if given.as_json:
            tell_json({"file": file, **comparison_json(found)})
        elif given.quiet:
            tell(f"{file}: {sentence(found)}" if len(files) > 1 else sentence(found))
        else:
            if len(files) > 1:
                click.echo(f"\n{file}" if shown else file)
            comparison_page(found, everything=everything, width=page_width()).write(sys.stdout)
        shown += 1
        return exit_code(outcome_of(found), given.undecided)

    def answers(file: str, loaded: "Loaded", count: int) -> int:
        nonlocal shown
        from emulator.cli.progress import progress
        from emulator.experiment.compare import answer_questions
        from emulator.measure.comparison.questions import outcome_of_answers
        from emulator.show.comparison import questions as telling

        with progress(file, quiet=given.quiet, of="the nights") as told:
            found = answer_questions(loaded, count, first_seed=given.seed, processes=given.processes, progress=told)
        if page is not None:
            from emulator.report.paging import write_page

            write_page(telling.questions_document(found), Path(page))
        if given.as_json:
            tell_json({"file": file, **telling.questions_json(found)})
        elif given.quiet:
            tell(
                f"{file}: {telling.questions_sentence(found)}" if len(files) > 1 else telling.questions_sentence(found)
            )
        else:
            if len(files) > 1:
                click.echo(f"\n{file}" if shown else file)
            telling.questions_page(found).write(sys.stdout)
        shown += 1
        return exit_code(outcome_of_answers(found), given.undecided)

    def keep(evidence: str, loaded: "Loaded", result: Mapping[str, Any], seeds: Iterable[int], again: str) -> None:
        """Write the evidence last: it holds the digests of what was written before."""
        from emulator.outlook.evidence import evidence_of

        outputs = {what: Path(path) for what, path in (("log", log), ("page", page)) if path is not None}
        folder = Path(evidence).parent
        text = evidence_of(loaded, result, seeds, again=again, variant=variant, outputs=outputs, folder=folder)
        write_text(evidence, text)

    def one(file: str) -> int:
        from emulator.cli.progress import progress
        from emulator.experiment.night import run_night

        loaded = given.read(file, variant)
        traces = (entry.trace for entry in loaded.scenario.arrivals if entry.trace is not None)
        check_apart((log, page, junit, csv_path, evidence), (loaded.folder / trace for trace in traces))
        if nights is not None:
            return answers(file, loaded, nights) if questions else many(file, loaded)
        if scripts is not None:
            result, notes = _with_scripts(loaded, scripts, given.seed, log, overwrite, yes)
            return show(file, result, notes)
        with progress(file, quiet=given.quiet) as told:
            result = run_night(
                loaded,
                seed=given.seed,
                variant=variant,
                log=None if log is None else Path(log),
                overwrite=overwrite,
                pace=pace,
                keep_events=page is not None,
                progress=told,
            )
        return show(file, result, [])

    def show(file: str, result: "NightResult", notes: list[str]) -> int:
        nonlocal shown
        if page is not None:
            from emulator.report.paging import page_of_night, write_page

            write_page(page_of_night(result), Path(page))
        if evidence is not None:
            keep(evidence, result.loaded, result.as_json(), [result.seed], result.meta.again)
        if given.as_json:
            tell_json({"file": file, **result.as_json()})
        elif given.quiet:
            tell(f"{file}: {result.sentence}" if len(files) > 1 else result.sentence)
        else:
            if len(files) > 1:
                click.echo(f"\n{file}" if shown else file)
            result.summary(everything=everything, width=page_width()).write(sys.stdout)
            for note in notes:
                tell(f"Note on the scripts: {note}.")
        shown += 1
        if result.log is not None and not given.quiet:
            from emulator.cli.progress import say_written

            say_written(result.log, result.seed, structured=structured)
        return exit_code(result.outcome, given.undecided)

    return each_file(files, one)


def _check_written(
    files: tuple[str, ...],
    nights: int | None,
    of_a_night: tuple[str | None, str | None, str | None],
    of_nights: tuple[str | None, str | None],
    overwrite: bool,
) -> None:
    """Make sure of what is to be written: the log and the page of a night, the test results and the CSV of many."""
    (log, page, evidence), (junit, csv_path) = of_a_night, of_nights
    if nights is None and (junit is not None or csv_path is not None):
        raise click.UsageError("--junit and --csv tell of many nights: give --nights too, or `export` the log of one.")
    for option, path in (("--junit", junit), ("--csv", csv_path)):
        if path is not None and len(files) > 1:
            raise click.UsageError(f"{option} takes one FILE: each needs a file of its own.")
    if overwrite and all(path is None for path in (*of_a_night, *of_nights)):
        raise click.UsageError("--overwrite says what may become of a log or a page: give --log or --page too.")
    if not overwrite:
        check_new((page, junit, csv_path, evidence), overwrite)
    check_apart((log, page, junit, csv_path, evidence), files)
    check_writable((page, junit, csv_path, evidence))


def _again(file: str, nights: int, variant: str, seed: int | None, loaded: "Loaded") -> str:
    """Write the command that runs many nights once more."""
    words = ["queuedrill", "run", file, "--nights", str(nights)]
    words += ["--variant", variant] if variant else []
    words += ["--seed", str(seed)] if seed is not None else []
    return " ".join([shlex.join(words), *map(str, loaded.changes)])


def _with_scripts(
    loaded: "Loaded", file: str, seed: int | None, log: str | None, overwrite: bool, yes: bool
) -> "tuple[NightResult, list[str]]":
    from emulator.scripts import needs_linux

    needs_linux()
    from emulator.scripts.load import load_scripts
    from emulator.scripts.night import run_night_with_scripts
    from emulator.scripts.starter import ask

    scripts = load_scripts(file)
    ask(scripts, None, {}, yes=yes)
    return run_night_with_scripts(
        loaded, scripts, seed=seed, log=None if log is None else Path(log), overwrite=overwrite
    )


@click.command(short_help="Watch one night go by, with keys for its speed.")
@click.argument("file", metavar="FILE")
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Use this seed, not the scenario's.")
@click.option("--variant", metavar="NAME", default="", help="Watch this variant of the scenario.")
@click.option(
    "--speed",
    type=float,
    metavar="X",
    callback=finite,
    help="Begin at X times real time; by default the night takes a minute or two.",
)
@click.option("--log", metavar="PATH", help="Write every event to a new SQLite file.")
@click.option("--overwrite", is_flag=True, help="Let the log take the place of an earlier one.")
@click.option("--structured", is_flag=True, help="With --log: say that it is written as a line of key=value.")
@click.option("--plain", is_flag=True, help="Write a line for each notable event, as where there is no terminal.")
@set_values
def watch(
    file: str,
    variant: str,
    speed: float | None,
    log: str | None,
    overwrite: bool,
    structured: bool,
    plain: bool,
    given: Given,
) -> int:
    """Watch one night of a scenario FILE go by: its workers, its backlog, its faults and its last events.

    Keys: space pauses and goes on, + and - change the speed, n goes to the next event, f to the next fault, e straight
    to the end, q stops. Then the summary follows, as after `run`: the same file and seed give the same night, whatever
    keys are pressed.

    Where there is no terminal, or with --plain, each notable event is a line, as fast as possible unless --speed is
    given.
    """
    from emulator.report.watching import StoppedError, told_night, watch_night

    if overwrite and log is None:
        raise click.UsageError("--overwrite says what may become of a log: give --log too.")
    loaded = given.read(file, variant)
    path = None if log is None else Path(log)
    if plain or not _on_terminal():
        result = told_night(
            loaded, _write, seed=given.seed, variant=variant, log=path, overwrite=overwrite, speed=speed
        )
        click.echo()
    else:
        from emulator.cli.terminal import Terminal

        try:
            with Terminal() as terminal:
                result = watch_night(
                    loaded, terminal, seed=given.seed, variant=variant, log=path, overwrite=overwrite, speed=speed
                )
        except StoppedError as stopped:
            when = f"{loaded.clock.local(stopped.at):%H:%M:%S}"
            click.echo(f"queuedrill: stopped at {when}, before the night was over: nothing is judged", err=True)
            return INTERRUPTED
    result.summary().write(sys.stdout)
    if result.log is not None:
        from emulator.cli.progress import say_written

        say_written(result.log, result.seed, structured=structured)
    return exit_code(result.outcome)


def _on_terminal() -> bool:
    try:
        from emulator.cli.terminal import has_terminal
    except (ImportError, AttributeError):  # a system that lacks the terminals (termios) or signals that are needed
        return False
    return has_terminal()


def _write(line: str) -> None:
    sys.stdout.write(line)
    sys.stdout.flush()
