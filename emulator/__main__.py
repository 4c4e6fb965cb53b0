"""What does ``python -m emulator`` do? The same as ``queuedrill``."""

from emulator.cli.start import main

if __name__ == "__main__":
    main()
