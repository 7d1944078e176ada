"""Simpler methods on the same data, so that the gain of the comparer is seen."""
