"""The version of the program, stated here alone; the installed package takes it from here."""

__all__ = ["VERSION"]

VERSION = "0.1.0"
