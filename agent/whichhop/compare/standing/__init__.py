"""What was wrong before measuring began: levels of all elements against what is usual for each medium."""
