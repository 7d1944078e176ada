"""What can be at fault in a home, how often and how, and what the vantage points can tell apart."""
