"""The long-running loop."""
