"""``queuedrill rerun``: cut a script off at every step, run it again, and say whether that is safe."""

import sys
from pathlib import Path

import click

from emulator.cli.outcomes import MET, MISSED, WRONG_INPUT
from emulator.cli.streams import tell

__all__ = ["rerun"]


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
    from emulator.scripts.system import needs_linux

    needs_linux()
    from emulator.errors import InputError
    from emulator.experiment.writing import write_whole
    from emulator.scripts import consent, report
    from emulator.scripts.load import load_scripts
    from emulator.scripts.rerun import Point, When, point_named
    from emulator.scripts.rerun import rerun as run_again

    loaded = load_scripts(file)
    values = _values(parameters)
    for path in (page, junit):
        if path is not None and Path(path).exists() and not overwrite:
            raise InputError(f"{path}: there is a file already: give --overwrite, or another name")
    if keep is not None and Path(keep).exists():
        raise InputError(f"{keep}: there is something already: name a new folder")
    point: Point | None = None if only is None else point_named(only)
    consent.ask(loaded, script, values, yes=yes)
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
