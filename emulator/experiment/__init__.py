"""Nights that are run: one, or many under several settings, and where they run."""
