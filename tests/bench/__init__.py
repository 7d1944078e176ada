"""Benchmarks: figures and ratios of one run, one JSON line each."""
