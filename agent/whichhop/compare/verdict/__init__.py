"""Probabilities to verdicts: episodes, guards, severity, calibration."""
