"""Figures: folds over events, requirements, statistics."""
