"""The commands about scenario files: ``queuedrill check`` finds what deserves a look; ``schema`` is for editors."""

import shlex
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emulator.cli.options import MET, MISSED, Given, each_file, set_values

if TYPE_CHECKING:
    from emulator.hazards import Hazard, Margin
    from emulator.scenario.load import Loaded
    from emulator.show.layout import Page

__all__ = [
    "check",
    "schema",
]


@click.command(short_help="Read scenarios without running them, and name what is wrong.")
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@click.option("--resolved", is_flag=True, help="Print each scenario whole instead: every default filled in.")
@click.option("--older-than", metavar="TIME", help="Name the sources that are older than this, such as 90d.")
@click.option("--verify", metavar="PATH", help="Say whether it belongs to this evidence of a run, and what does not.")
@click.option("--against", metavar="PATH", help="Say what has changed in it since the run of this evidence.")
@set_values
def check(
    files: tuple[str, ...],
    resolved: bool,
    older_than: str | None,
    verify: str | None,
    against: str | None,
    given: Given,
) -> int:
    """Read each scenario FILE without running it, and name every mistake in it at its line and column.

    Then name the hazards: what is no mistake and may still spoil the night. Hazards leave the exit code at 0.
    What --resolved prints is a scenario file itself.

    With --verify or --against the exit code is 1 where something does not belong, or has changed.
    """
    if (verify is not None or against is not None) and (len(files) > 1 or resolved):
        raise click.UsageError("--verify and --against are about one FILE: give one, and leave --resolved out.")

    from emulator.show.layout import Page

    before = None if older_than is None else _day_before(older_than)

    def one(file: str) -> int:
        from emulator.hazards import hazards, heartbeat_margins
        from emulator.scenario.stated import old_sources, source_counts

        loaded = given.read(file)
        every = (loaded.scenario, *loaded.variants.values())
        if any(entry.trace is not None for scenario in every for entry in scenario.arrivals):
            from emulator.world.plan import check_traces  # few scenarios have a trace

            check_traces(loaded)
        if resolved:
            from emulator.scenario.stated import resolved as whole

            click.echo(f"# {file}\n{whole(loaded)}", nl=False)
            return MET
        old = [] if before is None else old_sources(loaded, before)
        told = [f"{loaded.place(loc)}: old-source: {source} on {on}, before {before}" for loc, source, on in old]
        if verify is not None or against is not None:
            return _held_against(loaded, verify, against, told)
        _page(file, hazards(loaded), heartbeat_margins(loaded), source_counts(loaded), told).write(sys.stdout)
        return MET

    code = each_file(files, one)
    if code == MET and not (resolved or verify or against):
        page = Page()
        page.more("--resolved", "--older-than TIME")
        page.write(sys.stdout)
    return code


def _day_before(text: str) -> date:
    """Give the day that is a stated time before today."""
    from emulator.scenario.spelling import parse_duration
    from emulator.timeline.ticks import DAY

    try:
        today = date.today()  # noqa: DTZ011  # the day on the wall here is meant: no result of a night depends on it
        return today - timedelta(days=parse_duration(text) // DAY)
    except (ValueError, OverflowError) as error:
        raise click.UsageError(f"--older-than: {error}") from None


def _held_against(loaded: "Loaded", verify: str | None, against: str | None, old: list[str]) -> int:
    """Tell whether a scenario belongs to evidence, and what has changed since."""
    from emulator.outlook.evidence import belongings, changes, read_evidence
    from emulator.show.layout import Page

    page, code = Page(), MET
    if verify is not None:
        found = belongings(loaded, read_evidence(Path(verify)))
        wrong = [what for what, why in found if why]
        all_of_it = f"All {len(found)} things that {verify} is about are what they were."
        page.say(f"{len(wrong)} of {len(found)} things do not belong to {verify}." if wrong else all_of_it)
        for what, why in found:
            page.say(f"{what}: {why or 'as it was'}", "bad" if why else "", indent=2, hanging=4)
        code = MISSED if wrong else code
    if against is not None:
        evidence = read_evidence(Path(against))
        found_changes = changes(loaded, evidence)
        since = f"since {against} ({evidence.told['made_on']})"
        many = f"{len(found_changes)} change{'' if len(found_changes) == 1 else 's'}"
        page.say(f"{loaded.name}: {many} {since}." if found_changes else f"{loaded.name}: nothing has changed {since}.")
        for line in found_changes:
            page.say(line, indent=2, hanging=4)
        code = MISSED if found_changes else code
    for line in old:
        page.say(line, hanging=2)
    page.write(sys.stdout)
    return code


def _page(file: str, found: "list[Hazard]", margins: "list[Margin]", counts: dict[str, int], old: list[str]) -> "Page":
    """Write what was found in a scenario without mistakes."""
    from emulator.show.layout import Page
    from emulator.show.meta import sources_in_words

    page = Page()
    many = f"{len(found)} setting{'' if len(found) == 1 else 's'}"
    said = f"is correct. {many} may spoil the night." if found else "is correct, with no known hazard."
    page.say(f"{file} {said}", "bad" if found else "good")
    for margin in margins:
        survived = f"{margin.survived} lost heartbeat{'' if margin.survived == 1 else 's'} in a row"
        if margin.survived < 0:
            survived = "not even regular heartbeats"
        page.say(f"Queue {margin.queue}, pool {margin.pool}: a lease survives {survived}.", indent=2, hanging=4)
    if counts:
        page.say(f"Stated values: {sources_in_words(counts)}.", indent=2, hanging=4)
    if old:
        page.blank()
    for line in old:
        page.say(line, hanging=2)
    if not found:
        return page
    page.blank()
    for hazard in found:
        page.say(str(hazard), hanging=2)
    page.blank()
    page.say("These hazards do not change the exit code (0). Judge them with:", "small")
    page.command(f"queuedrill run {shlex.quote(file)} --nights 40")
    return page


@click.command(short_help="Print the JSON Schema of scenario files, for editors.")
@click.option("--scripts", is_flag=True, help="Print that of files of scripts instead.")
def schema(scripts: bool) -> int:
    """Print the JSON Schema of scenario files, with which an editor completes and checks them."""
    if scripts:
        from emulator.scripts.load import schema_text as text
    else:
        from emulator.scenario.schema import schema_text as text
    click.echo(text(), nl=False)
    return MET
