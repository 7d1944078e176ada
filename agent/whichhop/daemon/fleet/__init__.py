"""What an agent writes to a fleet's server."""
