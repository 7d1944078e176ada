"""Wire and net joined into things that yield samples."""
