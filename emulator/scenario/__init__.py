"""What a scenario file says: models, text with positions, durations, distributions, recurrence."""
