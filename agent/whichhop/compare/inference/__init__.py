"""Windows to probabilities: baselines, evidence, and the filter over cause sets in time."""
