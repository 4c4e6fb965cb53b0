"""Draws one night of a scenario file as a small picture.

``python docs/make/picture_of_a_night.py FILE`` writes it, such as the one that README.md shows.
"""

import sys

from emulator.experiment.run import run
from emulator.show.page.data import columns, night_picture

__all__ = ["picture_of"]


def picture_of(file: str) -> str:
    """Run a night of a scenario file with its own seed, and draw it."""
    result = run(file, keep_events=True)
    night = result.night
    attempts = columns(enumerate(result.every_row(), 1), night.horizon, night.pools)
    loaded = result.loaded
    picture = night_picture(night, attempts, loaded.clock, title=loaded.title, file=file, seed=result.seed)
    return f"{picture}<!-- made by: python docs/make/picture_of_a_night.py {file} -->\n"


if __name__ == "__main__":  # pragma: no cover - one line, and the test calls picture_of itself
    sys.stdout.write(picture_of(sys.argv[1]))
