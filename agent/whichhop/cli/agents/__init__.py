"""The agents of a home: run, join, leave, and tell."""
