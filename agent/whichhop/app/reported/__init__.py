"""A dossier out of a store, and what a report proves."""
