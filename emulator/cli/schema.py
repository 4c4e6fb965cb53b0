"""``queuedrill schema``: what may stand in a scenario file, for editors."""

import click

from emulator.cli.outcomes import MET

__all__ = ["schema"]


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
