"""Whether a path keeps the DSCP of a packet, wipes it or changes it. Pure."""

from enum import StrEnum

EXPEDITED = 46
"""EF, what calls are sent with (RFC 3246)."""


class DscpFate(StrEnum):
    """What became of a DSCP on the way out."""

    KEPT = "kept"
    BLEACHED = "bleached"
    """Arrived as 0, default forwarding: some hop wipes it, so no hop behind it can prefer calls."""
    REMARKED = "remarked"
    """Arrived as another."""
    UNKNOWN = "unknown"
    """The far end did not say, or nothing came back."""


def judge_dscp(sent: int, seen: int | None) -> DscpFate:
    """Compares the DSCP sent (1 to 63) with the one that arrived; None when the far end did not tell.

    ValueError for a DSCP of 0: one cannot see 0 being wiped.
    """
    if not 0 < sent < 64:
        raise ValueError(f"DSCP {sent} must lie between 1 and 63")
    if seen is None:
        return DscpFate.UNKNOWN
    if seen == sent:
        return DscpFate.KEPT
    return DscpFate.REMARKED if seen else DscpFate.BLEACHED
