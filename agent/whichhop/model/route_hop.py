"""How a step of a route trace is named among stored readings."""

HOP = "route_hop"
"""Readings are named "route_hop:TARGET/STEP/ADDRESS": the step with two digits, "-" for a silent one. The
value is the fastest answer in seconds, 0 for silence."""
SILENT = "-"


def hop_name(target: str, step: int, address: str) -> str:
    """What stands behind "route_hop:" in the name of a reading."""
    return f"{target}/{step:02}/{address}"
