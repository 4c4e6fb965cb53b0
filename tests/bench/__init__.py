"""How fast is the emulator beside what a user would take instead, and does its memory stay flat as work grows?

``python tests/bench`` answers it: one module in ``rows`` for each comparison, what they are compared with in
``baselines``. docs/speed.md says how to read what it prints.
"""
