"""What links of an emulated home do to packets: in health, and under a fault."""
