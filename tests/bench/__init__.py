"""Benchmarks of the emulator beside what a user would take instead, and of its memory as work grows.

``python tests/bench`` runs them: one module in ``rows`` for each comparison, what they are compared with in
``baselines``. docs/speed.md says how to read what it prints.
"""
