"""``queuedrill schema``: what may stand in a scenario file, for editors."""

import click

from emulator.cli.outcomes import MET

__all__ = ["schema"]


@click.command(short_help="Print the JSON Schema of scenario files, for editors.")
def schema() -> int:
    """Print the JSON Schema of scenario files, with which an editor completes and checks them."""
    from emulator.scenario.schema import schema_text

    click.echo(schema_text(), nl=False)
    return MET
