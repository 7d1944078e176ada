"""Hops whose inner cause is known, drawn from published figures, and how often it is found."""
