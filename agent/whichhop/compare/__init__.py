"""Samples to verdict; pure."""
