"""Which option do the commands share that read a scenario, or the log of one?"""

import click

__all__ = ["allow_folder"]

allow_folder = click.option(
    "--allow-folder",
    "allow_folders",
    type=click.Path(exists=True, file_okay=False),
    metavar="DIR",
    multiple=True,
    help="Let a scenario name files below this folder too (may be given more than once).",
)
"""A scenario's files lie below its own folder; somebody who trusts it may allow others."""
