"""Events: what happened, in order, in memory or in a SQLite log."""
