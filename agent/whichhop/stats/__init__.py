"""Arithmetic of the standards on arrays of numbers."""
