"""whichhop: which hop of a home's way out is to blame."""

__version__ = "0.1.0"
