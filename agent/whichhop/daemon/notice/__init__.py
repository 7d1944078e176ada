"""What whoever looks after the home is told: which faults, when, in which words, and how it is sent."""
