"""Windows in, verdicts out; pure."""
