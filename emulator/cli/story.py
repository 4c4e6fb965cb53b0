"""``queuedrill story``: tell what happened to a job, a worker or a requirement, and why."""

import sys
from typing import TYPE_CHECKING

import click

from emulator.cli.folders import allow_folder, read_changed, set_values
from emulator.cli.outcomes import MET

if TYPE_CHECKING:
    from emulator.experiment.storytelling import Told

__all__ = ["story"]


@click.command(short_help="Tell what happened to a job, a worker or a requirement, and why.")
@click.argument("log", metavar="FILE")
@click.argument("job", metavar="JOB", required=False)
@click.option("--worker", metavar="NAME", help="Tell of this worker instead of a job.")
@click.option("--requirement", metavar="N", help="Tell of this requirement instead: its place from 1, or its measure.")
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Of a scenario: the night with this seed.")
@click.option("--variant", metavar="NAME", help="Of a scenario: the night of this variant.")
@click.option("--json", "as_json", is_flag=True, help="Write JSON, with the events behind each sentence.")
@set_values
@allow_folder
def story(
    log: str,
    job: str | None,
    worker: str | None,
    requirement: str | None,
    seed: int | None,
    variant: str | None,
    as_json: bool,
    change: tuple[str, ...],
    add: tuple[str, ...],
    allow_folders: tuple[str, ...],
) -> int:
    """Tell in plain sentences what became of a JOB (its number, or its entry and number, such as plates#3).

    FILE is a log of a night, or a scenario (.yaml): then the night with --seed and --variant is run first. Each
    sentence has its clock time and, in brackets, the events that it rests on. With --worker or --requirement the story
    is that of a worker or a requirement.
    """
    import json

    from emulator.experiment import storytelling
    from emulator.show.story import writing

    given = [one for one in (job, worker, requirement) if one is not None]
    if len(given) != 1:
        raise click.UsageError("whose story? Give one of: JOB, --worker NAME, --requirement N.")
    if log.lower().endswith((".yaml", ".yml")):
        told = _of_scenario(log, job, worker, requirement, seed, variant or "", (change, add, allow_folders))
    elif seed is not None or variant is not None or change or add:
        raise click.UsageError(
            f"--seed, --variant, --change and --add choose a night of a scenario: {log} is no .yaml file."
        )
    elif worker is not None:
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


def _of_scenario(
    file: str,
    job: str | None,
    worker: str | None,
    requirement: str | None,
    seed: int | None,
    variant: str,
    reading: tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]],
) -> "Told":
    from emulator.cli.progress import progress
    from emulator.experiment.night import run_night
    from emulator.experiment.storytelling import story_of_night

    change, add, allow_folders = reading
    with progress(file) as told:
        night = run_night(
            read_changed(file, allow_folders, change, add, variant),
            seed=seed,
            variant=variant,
            keep_events=True,
            progress=told,
        )
    return story_of_night(night, job=job, worker=worker, requirement=requirement)
