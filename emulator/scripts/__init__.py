"""Runs people's own scripts on emulated workers: real processes, in virtual time, with stand-ins for what they call."""
