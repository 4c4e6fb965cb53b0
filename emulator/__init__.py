"""Rehearse unattended jobs on emulated workers, in virtual time."""
