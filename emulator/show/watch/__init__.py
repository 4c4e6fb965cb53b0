"""A night as it goes on: in words, and as a picture for a terminal."""
