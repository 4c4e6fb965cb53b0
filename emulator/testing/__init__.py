"""What test suites import: the emulator around their own async code."""
