"""Coverage-guided fuzz targets; run by hand, for minutes."""
