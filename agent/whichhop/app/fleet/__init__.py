"""What is done with many homes: writing to their server, reading from it, judging them all."""
