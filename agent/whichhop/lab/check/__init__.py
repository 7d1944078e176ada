"""An emulated home is measured before anything in it counts."""
