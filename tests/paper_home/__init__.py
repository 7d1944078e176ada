"""The home on paper: every test packet drawn from a scenario, seeded, hours in a second."""
