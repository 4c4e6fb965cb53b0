"""Exports a night in open formats that other programs read."""
