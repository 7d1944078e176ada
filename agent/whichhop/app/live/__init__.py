"""Compares while the agents measure."""
