"""The fault campaign: what a home does to an agent over the years, and what is left of it."""
