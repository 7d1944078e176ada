"""What to do next: steps ranked by what measurements say each would give back; pure."""
