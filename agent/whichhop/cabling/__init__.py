"""Levels, splitters, cable and equipment ceilings: rules with their sources; pure."""
