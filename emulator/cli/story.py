"""``queuedrill story``: tell what happened to a job, a worker or a requirement, and why."""

import sys

import click

from emulator.cli.folders import allow_folder
from emulator.cli.outcomes import MET

__all__ = ["story"]


@click.command(short_help="Tell what happened to a job, a worker or a requirement, and why.")
@click.argument("log", metavar="LOG")
@click.argument("job", metavar="JOB", required=False)
@click.option("--worker", metavar="NAME", help="Tell of this worker instead of a job.")
@click.option("--requirement", metavar="N", help="Tell of this requirement instead: its place from 1, or its measure.")
@click.option("--json", "as_json", is_flag=True, help="Write JSON, with the events behind each sentence.")
@allow_folder
def story(
    log: str,
    job: str | None,
    worker: str | None,
    requirement: str | None,
    as_json: bool,
    allow_folders: tuple[str, ...],
) -> int:
    """Tell in plain sentences what a LOG holds of a JOB (its number, or its entry and number, such as plates#3).

    Each sentence has its clock time and, in brackets, the events that it rests on. With --worker or --requirement the
    story is that of a worker or a requirement.
    """
    import json

    from emulator.experiment import storytelling
    from emulator.show.story import writing

    given = [one for one in (job, worker, requirement) if one is not None]
    if len(given) != 1:
        raise click.UsageError("whose story? Give one of: JOB, --worker NAME, --requirement N.")
    if worker is not None:
        told = storytelling.story_of_worker(log, worker, allow_folders=allow_folders)
    elif requirement is not None:
        told = storytelling.story_of_requirement(log, requirement, allow_folders=allow_folders)
    else:
        told = storytelling.story_of_job(log, given[0], allow_folders=allow_folders)
    if as_json:
        click.echo(json.dumps(writing.as_json(told.story, told.sentences, told.clock), indent=2))
    else:
        writing.as_text(told.story, told.sentences, told.clock).write(sys.stdout)
    return MET
