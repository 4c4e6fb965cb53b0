"""Random nights: a generator of small scenarios, a checker of their events, and a command that runs many by hand."""
