"""The commands that look for harm: ``queuedrill hunt``, the smallest schedule of faults; ``rerun``, scripts cut off."""

import shlex
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emulator.cli.options import MET, MISSED, WRONG_INPUT, Given, set_values, tell, tell_json

if TYPE_CHECKING:
    from emulator.experiment.night import NightResult
    from emulator.scenario.load import Loaded

__all__ = [
    "hunt",
    "rerun",
]


@click.command(short_help="Look for the smallest faults that break a requirement.")
@click.argument("file", metavar="FILE")
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Use this seed, not the scenario's.")
@click.option(
    "--tries", type=click.IntRange(1, 1_000_000), default=1_000, metavar="N", help="Run so many nights at most."
)
@click.option(
    "--at-most", type=click.IntRange(1, 20), default=3, metavar="N", help="So many faults in one night at most."
)
@click.option("--kinds", metavar="A,B", help="Try these kinds of fault only, such as power_off,freeze.")
@click.option("--scripts", metavar="FILE", help="Really run the scripts of this file for the routines of their names.")
@click.option("--handlers", metavar="MODULE:NAME", help="Let handlers of yours do the work: a mapping by routine.")
@click.option(
    "--crash-points",
    multiple=True,
    metavar="JOB",
    help="With --handlers: let a worker also fail at each point of this job, such as copy#1; repeatable.",
)
@click.option("--yes", is_flag=True, help="With --scripts: run them without asking, for builds.")
@click.option("--json", "as_json", is_flag=True, help="Print one line of JSON.")
@click.option("--quiet", is_flag=True, help="Print what was found alone, and no progress.")
@set_values
def hunt(
    file: str,
    tries: int,
    at_most: int,
    kinds: str | None,
    scripts: str | None,
    handlers: str | None,
    crash_points: tuple[str, ...],
    yes: bool,
    given: Given,
) -> int:
    """Look for the smallest schedule of faults that breaks a requirement which the scenario FILE meets.

    What is found is printed as a piece of a scenario file, to be pasted into it and run. The same file and seed find
    the same. The exit code is 1 if something was found, 0 if nothing was.
    """
    from contextlib import nullcontext
    from dataclasses import asdict

    from emulator.cli.progress import progress
    from emulator.show.layout import Page, Span, clean
    from emulator.testing.hunting import hunt as look

    if yes and scripts is None:
        raise click.UsageError("--yes agrees to scripts being run: give --scripts too.")
    if scripts is not None and handlers is not None:
        raise click.UsageError("--scripts and --handlers: give one of them.")
    if crash_points and handlers is None:
        raise click.UsageError("--crash-points are points of handlers: give --handlers too.")
    own = None
    if handlers is not None:
        from emulator.testing.hunting import handlers_named

        own = handlers_named(handlers)

    loaded = given.read(file)
    wanted = None if kinds is None else [kind.strip() for kind in kinds.split(",") if kind.strip()]
    playing = nullcontext(None) if scripts is None else _nights_with(scripts, yes)
    with progress(file, quiet=given.quiet, of="the tries") as told, playing as night:
        find = partial(look, loaded, seed=given.seed, tries=tries, at_most=at_most, kinds=wanted, progress=told)
        if told is not None:
            told.so_far("so far no fault breaks a requirement")
            find = partial(find, so_far=told.so_far)
        found = find(night=night, handlers=own, crash_points=crash_points)
    if given.as_json:
        said = {
            "file": file,
            "seed": found.seed,
            "changes": [str(one) for one in loaded.changes],
            "tried": found.tried,
            "faults": None if found.faults is None else [dict(entry) for entry in found.faults],
            "crash_point": None if found.point is None else {**asdict(found.point), "where": found.where},
            "missed": list(found.missed),
            "already_missed": list(found.already_missed),
        }
        tell_json(said)
        return MET if found.faults is None else MISSED
    page = Page()
    page.say(found.sentence, "good" if found.faults is None else "bad")
    if found.faults is not None:
        for sentence in found.missed:
            page.say(sentence, indent=2, hanging=4)
        if found.point is not None:
            page.say(f"The fault at a crash point: {found.where}.", indent=2, hanging=4)
        page.blank()
        if found.faults:
            where = f"under `faults:` in {file}" if found.has_faults else f"into {file}"
            page.say(f"To see that night, put this {where}:")
            page.blank()
            page.lines += [[Span(clean(line))] for line in found.fragment().splitlines()]
            page.blank()
        if handlers is None:
            again = "".join(f" {one}" for one in loaded.changes) + ("" if scripts is None else f" --scripts {scripts}")
            page.say("and run it:")
            page.command(f"queuedrill run {shlex.quote(file)} --seed {found.seed}{again}")
        else:
            at = "" if found.point is None else f", crash_at={found.point!r}"
            play = "and play" if found.faults else "To see that night, play"
            code = f"Emulator({file!r}, handlers=..., seed={found.seed}{at})"
            page.lines.append([Span(clean(f"{play} it in a test of yours: {code}"))])
    if found.already_missed and not given.quiet:
        page.blank()
        page.say("The scenario misses these without any added fault, so they are left out of the search:")
        for sentence in found.already_missed:
            page.say(sentence, indent=2, hanging=4)
    if not given.quiet:
        page.more("--tries N", "--kinds A,B", "--json")
    page.write(sys.stdout)
    return MET if found.faults is None else MISSED


@contextmanager
def _nights_with(file: str, yes: bool) -> "Iterator[Callable[[Loaded, int], NightResult]]":
    """Give what plays a night in which the scripts of a file are really run."""
    from emulator.scripts.load import load_scripts
    from emulator.scripts.night import run_night_with_scripts
    from emulator.scripts.starter import Starter, ask

    loaded = load_scripts(file)
    ask(loaded, None, {}, yes=yes)
    with Starter() as starter:
        yield lambda varied, seed: run_night_with_scripts(varied, loaded, seed=seed, starter=starter)[0]


@click.command(short_help="Tell whether a script may be cut off and run again.")
@click.argument("file", metavar="FILE")
@click.argument("script", metavar="SCRIPT")
@click.option(
    "--parameter",
    "parameters",
    multiple=True,
    metavar="NAME=VALUE",
    help="Fill {NAME} in with this value; several values with commas between them are a list. May be repeated.",
)
@click.option(
    "--when",
    type=click.Choice(["dies", "wakes"]),
    help="Try only this: the machine dies, or it sleeps and wakes later. Default: both.",
)
@click.option("--refuse", is_flag=True, help="Also refuse each call once, as its system would.")
@click.option("--only", metavar="POINT", help="Try one point alone, such as 2-after, 3-before or end.")
@click.option("--keep", metavar="FOLDER", help="Copy what each attempt left in its folder to this new folder.")
@click.option("--page", metavar="PATH", help="Write the report as one HTML page too.")
@click.option("--junit", metavar="PATH", help="Write a test result for each point too.")
@click.option("--json", "as_json", is_flag=True, help="Print the whole report as JSON.")
@click.option("--overwrite", is_flag=True, help="Let --page and --junit take the place of files that are there.")
@click.option("--yes", is_flag=True, help="Run it without asking, for builds: you know what the script does.")
@click.option("--quiet", is_flag=True, help="Print the answer alone.")
def rerun(
    file: str,
    script: str,
    parameters: tuple[str, ...],
    when: str | None,
    refuse: bool,
    only: str | None,
    keep: str | None,
    page: str | None,
    junit: str | None,
    as_json: bool,
    overwrite: bool,
    yes: bool,
    quiet: bool,
) -> int:
    """Run SCRIPT of the file of scripts FILE, cut it off at each of its steps, run it again, and compare.

    The script is REALLY RUN, with your rights, in a folder of its own, against the stand-ins that FILE describes.
    It sees no network where the system allows that. Try it on copies first; your organisation's change control decides.

    The exit code is 0 if it is safe to run again at every point that was tried, 1 if it is not. It is 2 if FILE is
    wrong or the script cannot be judged.
    """
    from emulator.scripts import needs_linux

    needs_linux()
    from emulator.errors import InputError
    from emulator.report.writing import write_whole
    from emulator.scripts import report
    from emulator.scripts.load import load_scripts
    from emulator.scripts.rerun import Point, When, point_named
    from emulator.scripts.rerun import rerun as run_again
    from emulator.scripts.starter import ask

    loaded = load_scripts(file)
    values = _values(parameters)
    for path in (page, junit):
        if path is not None and Path(path).exists() and not overwrite:
            raise InputError(f"{path}: there is a file already: give --overwrite, or another name")
    if keep is not None and Path(keep).exists():
        raise InputError(f"{keep}: there is something already: name a new folder")
    point: Point | None = None if only is None else point_named(only)
    ask(loaded, script, values, yes=yes)
    kinds: tuple[When, ...] = ("dies", "wakes", "refused")
    whens = [it for it in kinds if (refuse if it == "refused" else when in (None, it))]
    judged = run_again(loaded, script, values, whens=whens, only=point, keep=None if keep is None else Path(keep))
    if page is not None:
        write_whole(page, report.as_page(judged))
    if junit is not None:
        write_whole(junit, report.as_junit(judged))
    if as_json:
        click.echo(report.as_json(judged), nl=False)
    elif quiet:
        tell("\n".join(report.answer(judged)))
    else:
        report.as_text(judged).write(sys.stdout)
    return WRONG_INPUT if judged.wrong else MET if judged.is_safe else MISSED


def _values(parameters: tuple[str, ...]) -> dict[str, str | list[str]]:
    found: dict[str, str | list[str]] = {}
    for one in parameters:
        name, equals, value = one.partition("=")
        if not equals or not name:
            raise click.UsageError(f"--parameter {one!r}: write NAME=VALUE, such as plate=plate-7")
        if name in found:
            raise click.UsageError(f"--parameter {name} is given twice: put a comma between several values")
        found[name] = value.split(",") if "," in value else value
    return found
