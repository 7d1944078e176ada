"""What is said to the provider, and how it is checked."""
