"""What does ``python -m emulator`` do? The same as ``queuedrill``."""

from emulator.cli.main import main

if __name__ == "__main__":
    main()
