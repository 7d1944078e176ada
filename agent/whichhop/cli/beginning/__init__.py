"""From nothing to a first answer, and what a home file says."""
