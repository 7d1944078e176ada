"""One SQLite file: records in, records out."""
