"""Figures: folds over events, requirements, comparisons, the facts of stories."""
