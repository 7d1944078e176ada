"""What is measured on demand, and the figures of what was."""
