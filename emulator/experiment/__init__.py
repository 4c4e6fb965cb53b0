"""Nights: one run with one seed, and the same run once more."""
