"""Comparisons: what many nights under several settings say, with intervals."""
