"""What tests have in common: needs, builders, fakes."""
