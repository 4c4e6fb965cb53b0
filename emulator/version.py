"""Which version of the program is this? Said here alone; what is installed takes it from here."""

__all__ = ["VERSION"]

VERSION = "0.1.0"
