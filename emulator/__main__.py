"""Runs the command ``queuedrill`` for ``python -m emulator``."""

from emulator.cli.start import main

if __name__ == "__main__":
    main()
