"""What each link carries, whether the plan is delivered, and each room's rate. Pure."""
