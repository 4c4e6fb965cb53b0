"""The page of one run: one HTML file that needs nothing else."""
