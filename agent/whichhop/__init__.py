"""whichhop: which hop of a home's way out is at fault."""

__version__ = "0.1.0"
