"""Transfers in one agent: the port, the lease, the schedule, the runner."""
