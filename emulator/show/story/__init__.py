"""Tells the facts of a story in plain sentences, each with its clock time and the events that it rests on."""
