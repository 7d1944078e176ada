"""The emulated home, to break and to show."""
